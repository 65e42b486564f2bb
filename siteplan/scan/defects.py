"""The wording of every finding that intake can make: one function for each, so that all places say the same.

`where` holds file names below the place that was asked for, and positions; never a name or number of a patient.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from siteplan.scan.findings import ScanFinding, Severity

_EXPORT_AGAIN = "Export the series again from the scanner or archive, complete and as original slices."
_SHOWN = 3
"""File names that are written out before the rest is only counted."""


def _names(places: Sequence[str]) -> str:
    shown = ", ".join(places[:_SHOWN])
    return shown if len(places) <= _SHOWN else f"{shown} and {len(places) - _SHOWN} more"


def _count(places: Sequence[str], thing: str) -> str:
    return f"{len(places)} {thing}{'' if len(places) == 1 else 's'}"


def _point(position_lps_mm: ArrayLike) -> str:
    x, y, z = np.asarray(position_lps_mm, dtype=np.float64)
    return f"({x:.2f}, {y:.2f}, {z:.2f}) mm"


def _refusal(code: str, what: str, where: str, remedy: str) -> ScanFinding:
    return ScanFinding(code, Severity.REFUSAL, what, where, remedy)


def _warning(code: str, what: str, where: str, remedy: str) -> ScanFinding:
    return ScanFinding(code, Severity.WARNING, what, where, remedy)


def _note(code: str, what: str, where: str = "", remedy: str = "") -> ScanFinding:
    return ScanFinding(code, Severity.NOTE, what, where, remedy)


# --- the stack ---------------------------------------------------------------------------------------------------


def missing_slices(count: int, before: ArrayLike, after: ArrayLike, file_before: str, file_after: str) -> ScanFinding:
    """One gap in the stack; the two positions are those of its neighbours, LPS mm."""
    what = "One slice is missing" if count == 1 else f"{count} slices in a row are missing"
    return _refusal(
        "missing-slice",
        f"{what} between {_point(before)} and {_point(after)}",
        f"between {file_before} and {file_after}",
        f"Nothing is invented to fill the gap. {_EXPORT_AGAIN}",
    )


def duplicate_positions(count: int, one: str, other: str) -> ScanFinding:
    """Two different slices claim one place."""
    return _refusal(
        "duplicate-position",
        f"{count} slices lie at the same place as another one, so it is not clear which to use",
        f"first: {one} and {other}",
        "Two reconstructions may have been exported as one series; export the wanted one alone.",
    )


def unequal_spacing(least: float, most: float, missed: float, allowed: float, one: str, other: str) -> ScanFinding:
    """Slices do not follow each other at equal distances."""
    return _refusal(
        "unequal-spacing",
        f"The distance between slices varies from {least:.3f} to {most:.3f} mm; a slice lies {missed:.3f} mm from its "
        f"regular place, and {allowed:.3f} mm are allowed",
        f"most between {one} and {other}",
        _EXPORT_AGAIN,
    )


def shifted_slices(missed: float, allowed: float, where: str) -> ScanFinding:
    """A slice is shifted sideways against its neighbours."""
    return _refusal(
        "shifted-slice",
        f"A slice is shifted sideways by {missed:.3f} mm against the others, and {allowed:.3f} mm are allowed",
        where,
        _EXPORT_AGAIN,
    )


def tilted(angle_deg: float, shift_mm: float) -> ScanFinding:
    """Gantry tilt, straightened."""
    return _note(
        "tilted-stack",
        f"The slices are tilted by {angle_deg:.2f} degrees against the direction in which they follow each other "
        f"({shift_mm:.2f} mm over the whole stack); the volume was resampled to right angles by linear interpolation",
        "whole series",
        "Expect slightly softer edges; prefer a reconstruction without tilt if there is one.",
    )


def tilted_too_far() -> ScanFinding:
    """A tilt that no gantry has."""
    return _refusal(
        "tilted-too-far",
        "The slices are shifted against each other much further than any scanner tilts",
        "whole series",
        _EXPORT_AGAIN,
    )


def single_slice(where: str) -> ScanFinding:
    """No volume from one slice."""
    return _refusal("single-slice", "There is only one slice, which is no volume", where, _EXPORT_AGAIN)


def few_slices(count: int) -> ScanFinding:
    """Too few slices for the regularity checks to mean much."""
    return _warning(
        "few-slices",
        f"There are only {count} slices; so few cannot show whether any is missing",
        "whole series",
        "Check that the export is complete.",
    )


def no_position(places: Sequence[str]) -> ScanFinding:
    """Slices that do not say where they are."""
    return _refusal(
        "no-position",
        f"{_count(places, 'slice')} without a place in the patient (Image Position or Orientation is absent)",
        _names(places),
        "Positions are never guessed. Export again as CT images, not as screenshots or a film.",
    )


def frames_without_position(count: int, where: str) -> ScanFinding:
    """A multi-frame file without functional groups."""
    return _refusal(
        "no-position",
        f"A file of {count} frames does not say where any of them lies",
        where,
        "Positions are never guessed. Export one file per slice, or as Enhanced CT.",
    )


def no_pixel_spacing(where: str) -> ScanFinding:
    """Unknown pixel size."""
    return _refusal(
        "no-pixel-spacing",
        "The size of a pixel (Pixel Spacing) is absent or zero",
        where,
        f"It is never guessed, because every length would be wrong. {_EXPORT_AGAIN}",
    )


def bad_orientation(where: str) -> ScanFinding:
    """Direction cosines that are not directions at right angles."""
    return _refusal(
        "bad-orientation",
        "Image Orientation does not hold two directions of length one at right angles",
        where,
        _EXPORT_AGAIN,
    )


# --- what does not belong together ---------------------------------------------------------------------------------


def left_out(places: Sequence[str], why: str) -> ScanFinding:
    """Slices of the same series that are not part of the volume."""
    return _warning(
        "left-out-slices",
        f"{_count(places, 'image')} of this series left out: {why}",
        _names(places),
        "Check that they are overview images and not part of the scan.",
    )


def mixed_within(code: str, what: str) -> ScanFinding:
    """Slices under one series number that cannot be of one scan."""
    return _refusal(
        code,
        f"The series mixes {what}",
        "whole series",
        "Files of different exports were put together; export the wanted series alone into an empty folder.",
    )


def copied_files(places: Sequence[str]) -> ScanFinding:
    """Exact copies of slices."""
    return _note(
        "copied-files",
        f"{_count(places, 'copied file')} left out: the same image is there twice",
        _names(places),
    )


def fewer_than_stated(found: int, stated: int) -> ScanFinding:
    """The header counts more images than there are."""
    return _warning(
        "fewer-than-stated",
        f"The scan states {stated} images, and {found} are here",
        "whole series",
        "The ends of the volume may be missing; check that the export is complete.",
    )


def slices_apart(spacing: float, thickness: float) -> ScanFinding:
    """Slices thinner than the distance between them."""
    return _warning(
        "gaps-between-slices",
        f"Slices are {thickness:.3g} mm thick but {spacing:.3g} mm apart, so tissue between them was not imaged or "
        "slices were left out regularly",
        "whole series",
        "Ask for all slices of the series.",
    )


# --- pixels ----------------------------------------------------------------------------------------------------------


def no_pixels(places: Sequence[str]) -> ScanFinding:
    """Headers without an image."""
    return _refusal(
        "no-pixel-data", f"{_count(places, 'file')} of the series without an image", _names(places), _EXPORT_AGAIN
    )


def truncated(places: Sequence[str]) -> ScanFinding:
    """Files shorter than their image."""
    return _refusal(
        "truncated-file",
        f"{_count(places, 'file')} cut short: the image is longer than the file",
        _names(places),
        "The copy was cut short; copy them again from the original medium or export again.",
    )


def corrupt_pixels(where: str, why: str) -> ScanFinding:
    """An image that cannot be decoded."""
    return _refusal("corrupt-pixels", f"An image cannot be decoded: {why}", where, _EXPORT_AGAIN)


def unsupported_pixels(where: str, why: str) -> ScanFinding:
    """An image of a kind that is not read."""
    return _refusal("unsupported-pixels", f"The image is stored in a way that is not read: {why}", where, _EXPORT_AGAIN)


def unsupported_kind(kind: str, where: str) -> ScanFinding:
    """Not a CT volume at all."""
    return _refusal(
        "not-a-ct-volume",
        f"This is not a CT volume but {kind}",
        where,
        "Choose the series with the original CT slices.",
    )


def too_large(what: str) -> ScanFinding:
    """A size no scan has."""
    return _refusal("too-large", what, "whole series", "No scanner makes such a volume; the header must be wrong.")


def lossy() -> ScanFinding:
    """Lossy compression at some time."""
    return _warning(
        "lossy-compression",
        "The images went through lossy compression; edges and grey values may have changed",
        "whole series",
        "Ask for the original images before decisions below one millimetre.",
    )


def no_rescale(places: Sequence[str]) -> ScanFinding:
    """Slope or intercept absent."""
    return _warning(
        "no-rescale",
        "Rescale Slope or Intercept is absent; stored values are used as they are",
        _names(places),
        "Grey values cannot be compared with other scans without a calibration.",
    )


def rescale_varies() -> ScanFinding:
    """Slope or intercept differ from slice to slice."""
    return _note(
        "rescale-varies",
        "Rescale Slope or Intercept differs between slices and was applied slice by slice",
        "whole series",
    )


def inverted() -> ScanFinding:
    """MONOCHROME1."""
    return _warning(
        "inverted-display",
        "The images ask to be shown with black and white swapped, which CT images must not",
        "whole series",
        "Check that bone reads higher than air before any grey value is used.",
    )


# --- fitness for planning --------------------------------------------------------------------------------------------


def coarse_voxel(largest_mm: float, limit_mm: float, source: str) -> ScanFinding:
    """Voxels too large for decisions below one millimetre."""
    return _warning(
        "coarse-voxel",
        f"The voxel measures up to {largest_mm:.3g} mm, more than the {limit_mm:.1f} mm judged adequate for planning "
        f"({source})",
        "whole series",
        "Too coarse for decisions below one millimetre; consider a scan with a smaller voxel where it is justified.",
    )


def old_scan(date: str, days: int) -> ScanFinding:
    """Scan made more than a year ago."""
    return _warning(
        "old-scan",
        f"The scan was made on {date}, {days} days ago; bone may have changed since",
        "whole series",
        "Check against the present state of the mouth before planning on it.",
    )


def future_scan(date: str) -> ScanFinding:
    """Scan date after today."""
    return _warning(
        "date-in-future",
        f"The scan says it was made on {date}, which is yet to come",
        "whole series",
        "Check the date.",
    )


def undated() -> ScanFinding:
    """No usable date."""
    return _warning(
        "no-date",
        "The scan does not say when it was made",
        "whole series",
        "Find out how old it is before planning on it.",
    )


def metal_near(distance_mm: float, volume_mm3: float, at_lps_mm: ArrayLike) -> ScanFinding:
    """Metal close to a site."""
    return _warning(
        "metal-near",
        f"Metal or something as dense ({volume_mm3:.0f} cubic mm) lies {distance_mm:.1f} mm from the site",
        _point(at_lps_mm),
        "Streaks and shadows can reach the site: doubt grey values, plates and edges on that side.",
    )


def outside_field(name: str, out: int, of: int, beyond_mm: float) -> ScanFinding:
    """Part of what is needed lies outside the scan."""
    return _warning(
        "outside-field",
        f"The scan does not cover {name}: {out} of {of} points lie where it holds no data, up to {beyond_mm:.1f} mm "
        "beyond its edge",
        name,
        "Nothing is measured there. Use a scan with a field of view that covers it.",
    )


def motion_not_checked() -> ScanFinding:
    """Stands in every scan, because no finding must not read as no motion."""
    return _note(
        "motion-not-checked",
        "Movement of the patient during the scan (double contours) is not checked by this program",
        "whole series",
        "Look at the outer bone edges for double contours.",
    )


# --- the place that was searched -------------------------------------------------------------------------------------


def not_dicom(places: Sequence[str]) -> ScanFinding:
    """Other files in the folder."""
    return _note("not-dicom", f"{_count(places, 'file')} passed over, not being DICOM", _names(places))


def unreadable(where: str, why: str) -> ScanFinding:
    """A DICOM file that cannot be read."""
    return _warning(
        "unreadable-file", f"A file cannot be read: {why}", where, "Copy it again from the original medium."
    )


def missing_from_medium(places: Sequence[str]) -> ScanFinding:
    """Files that the DICOMDIR lists and that are not there."""
    return _warning(
        "missing-from-medium",
        f"{_count(places, 'file')} not there that the index of the medium (DICOMDIR) lists",
        _names(places),
        "Copy the whole medium, or ask for it again.",
    )


def broken_index() -> ScanFinding:
    """A DICOMDIR that cannot be read."""
    return _note(
        "broken-index", "The index of the medium (DICOMDIR) cannot be read; the files themselves were searched"
    )


def other_patients() -> ScanFinding:
    """Series of more than one patient in one place."""
    return _warning(
        "several-patients",
        "There are series of more than one patient here",
        "",
        "Make sure that the series is that of your patient.",
    )


def not_searched(note: str) -> ScanFinding:
    """Something in the place was not looked at."""
    return _note("not-searched", note)
