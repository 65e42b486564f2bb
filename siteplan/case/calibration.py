"""Is a calibration one that a dental cone-beam or CT scanner could have?"""

from siteplan.bone import Calibration

LEAST_SLOPE, LARGEST_SLOPE = 0.2, 5.0
LARGEST_INTERCEPT = 2500.0
"""grey = slope x HU + intercept. A CT has slope 1 and intercept 0, or 1024 where air was moved to zero; slopes
published for cone-beam devices lie around 0.5 to 1.5 (from memory). Our bounds only keep out formulas written the other
way round or with exchanged numbers."""


def calibration_remarks(calibration: Calibration | None) -> tuple[str, ...]:
    """One sentence where slope or intercept is implausible."""
    if calibration is None:
        return ()
    slope, intercept = calibration.slope, calibration.intercept
    if LEAST_SLOPE <= slope <= LARGEST_SLOPE and abs(intercept) <= LARGEST_INTERCEPT:
        return ()
    return (
        f"The calibration grey = {slope:g} x HU + {intercept:g} is implausible for a scanner, so no Hounsfield value "
        "or density class of this assessment is to be trusted; check that the two numbers are not exchanged or meant "
        "the other way round.",
    )
