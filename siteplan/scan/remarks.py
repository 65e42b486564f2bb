"""The wording of findings that are no defect of the files: fitness for planning, and the place that was searched.

One function for each, so that all places say the same. See `defects` for what is wrong with a series itself.
"""

from collections.abc import Sequence

from numpy.typing import ArrayLike

from siteplan.scan.findings import ScanFinding
from siteplan.scan.wording import count, names, note, point, warning

# --- fitness for planning --------------------------------------------------------------------------------------------


def coarse_voxel(largest_mm: float, limit_mm: float, source: str) -> ScanFinding:
    """Voxels too large for decisions below one millimetre."""
    return warning(
        "coarse-voxel",
        f"The voxel measures up to {largest_mm:.3g} mm, more than the {limit_mm:.1f} mm judged adequate for planning "
        f"({source})",
        "whole series",
        "Too coarse for decisions below one millimetre; consider a scan with a smaller voxel where it is justified.",
    )


def old_scan(date: str, days: int) -> ScanFinding:
    """Scan made more than a year ago."""
    return warning(
        "old-scan",
        f"The scan was made on {date}, {days} days ago; bone may have changed since",
        "whole series",
        "Check against the present state of the mouth before planning on it.",
    )


def future_scan(date: str) -> ScanFinding:
    """Scan date after today."""
    return warning(
        "date-in-future",
        f"The scan says it was made on {date}, which is yet to come",
        "whole series",
        "Check the date.",
    )


def undated() -> ScanFinding:
    """No usable date."""
    return warning(
        "no-date",
        "The scan does not say when it was made",
        "whole series",
        "Find out how old it is before planning on it.",
    )


def metal_near(distance_mm: float, volume_mm3: float, at_lps_mm: ArrayLike) -> ScanFinding:
    """Metal close to a site."""
    return warning(
        "metal-near",
        f"Metal or something as dense ({volume_mm3:.0f} cubic mm) lies {distance_mm:.1f} mm from the site",
        point(at_lps_mm),
        "Streaks and shadows can reach the site: doubt grey values, plates and edges on that side.",
    )


def outside_field(name: str, out: int, of: int, beyond_mm: float) -> ScanFinding:
    """Part of what is needed lies outside the scan."""
    return warning(
        "outside-field",
        f"The scan does not cover {name}: {out} of {of} points lie where it holds no data, up to {beyond_mm:.1f} mm "
        "beyond its edge",
        name,
        "Nothing is measured there. Use a scan with a field of view that covers it.",
    )


def motion_not_checked() -> ScanFinding:
    """Stands in every scan, because no finding must not read as no motion."""
    return note(
        "motion-not-checked",
        "Movement of the patient during the scan (double contours) is not checked by this program",
        "whole series",
        "Look at the outer bone edges for double contours.",
    )


# --- the place that was searched -------------------------------------------------------------------------------------


def not_dicom(places: Sequence[str]) -> ScanFinding:
    """Other files in the folder."""
    return note("not-dicom", f"{count(places, 'file')} passed over, not being DICOM", names(places))


def unreadable(where: str, why: str) -> ScanFinding:
    """A DICOM file that cannot be read."""
    return warning("unreadable-file", f"A file cannot be read: {why}", where, "Copy it again from the original medium.")


def missing_from_medium(places: Sequence[str]) -> ScanFinding:
    """Files that the DICOMDIR lists and that are not there."""
    return warning(
        "missing-from-medium",
        f"{count(places, 'file')} not there that the index of the medium (DICOMDIR) lists",
        names(places),
        "Copy the whole medium, or ask for it again.",
    )


def broken_index() -> ScanFinding:
    """A DICOMDIR that cannot be read."""
    return note("broken-index", "The index of the medium (DICOMDIR) cannot be read; the files themselves were searched")


def other_patients() -> ScanFinding:
    """Series of more than one patient in one place."""
    return warning(
        "several-patients",
        "There are series of more than one patient here",
        "",
        "Make sure that the series is that of your patient.",
    )


def not_searched(what: str) -> ScanFinding:
    """Something in the place was not looked at."""
    return note("not-searched", what)
