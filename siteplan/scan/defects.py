"""The wording of every finding that intake can make: one function for each, so that all places say the same.

`where` holds file names below the place that was asked for, and positions; never a name or number of a patient.
"""

from collections.abc import Sequence

from numpy.typing import ArrayLike

from siteplan.scan.findings import ScanFinding
from siteplan.scan.wording import EXPORT_AGAIN, count, names, note, point, refusal, warning

# --- the stack ---------------------------------------------------------------------------------------------------


def missing_slices(count: int, before: ArrayLike, after: ArrayLike, file_before: str, file_after: str) -> ScanFinding:
    """One gap in the stack; the two positions are those of its neighbours, LPS mm."""
    what = "One slice is missing" if count == 1 else f"{count} slices in a row are missing"
    return refusal(
        "missing-slice",
        f"{what} between {point(before)} and {point(after)}",
        f"between {file_before} and {file_after}",
        f"Nothing is invented to fill the gap. {EXPORT_AGAIN}",
    )


def duplicate_positions(count: int, one: str, other: str) -> ScanFinding:
    """Two different slices claim one place."""
    return refusal(
        "duplicate-position",
        f"{'One slice lies' if count == 1 else f'{count} slices lie'} at the same place as another one, so it is not "
        "clear which to use",
        f"first: {one} and {other}",
        "Two reconstructions may have been exported as one series; export the wanted one alone.",
    )


def unequal_spacing(least: float, most: float, missed: float, allowed: float, one: str, other: str) -> ScanFinding:
    """Slices do not follow each other at equal distances."""
    return refusal(
        "unequal-spacing",
        f"The distance between slices varies from {least:.3f} to {most:.3f} mm; a slice lies {missed:.3f} mm from its "
        f"regular place, and {allowed:.3f} mm are allowed",
        f"most between {one} and {other}",
        EXPORT_AGAIN,
    )


def shifted_slices(missed: float, allowed: float, where: str) -> ScanFinding:
    """A slice is shifted sideways against its neighbours."""
    return refusal(
        "shifted-slice",
        f"A slice is shifted sideways by {missed:.3f} mm against the others, and {allowed:.3f} mm are allowed",
        where,
        EXPORT_AGAIN,
    )


def tilted(angle_deg: float, shift_mm: float) -> ScanFinding:
    """Gantry tilt, straightened."""
    return note(
        "tilted-stack",
        f"The slices are tilted by {angle_deg:.2f} degrees against the direction in which they follow each other "
        f"({shift_mm:.2f} mm over the whole stack); the volume was resampled to right angles by linear interpolation",
        "whole series",
        "Expect slightly softer edges; prefer a reconstruction without tilt if there is one.",
    )


def tilted_too_far() -> ScanFinding:
    """A tilt that no gantry has."""
    return refusal(
        "tilted-too-far",
        "The slices are shifted against each other much further than any scanner tilts",
        "whole series",
        EXPORT_AGAIN,
    )


def single_slice(where: str) -> ScanFinding:
    """No volume from one slice."""
    return refusal("single-slice", "There is only one slice, which is no volume", where, EXPORT_AGAIN)


def few_slices(count: int) -> ScanFinding:
    """Too few slices for the regularity checks to mean much."""
    return warning(
        "few-slices",
        f"There are only {count} slices; so few cannot show whether any is missing",
        "whole series",
        "Check that the export is complete.",
    )


def no_position(places: Sequence[str]) -> ScanFinding:
    """Slices that do not say where they are."""
    return refusal(
        "no-position",
        f"{count(places, 'slice')} without a place in the patient (Image Position or Orientation is absent)",
        names(places),
        "Positions are never guessed. Export again as CT images, not as screenshots or a film.",
    )


def frames_without_position(count: int, where: str) -> ScanFinding:
    """A multi-frame file without functional groups."""
    return refusal(
        "no-position",
        f"A file of {count} frames does not say where any of them lies",
        where,
        "Positions are never guessed. Export one file per slice, or as Enhanced CT.",
    )


def no_pixel_spacing(where: str) -> ScanFinding:
    """Unknown pixel size."""
    return refusal(
        "no-pixel-spacing",
        "The size of a pixel (Pixel Spacing) is absent or zero",
        where,
        f"It is never guessed, because every length would be wrong. {EXPORT_AGAIN}",
    )


def bad_orientation(where: str) -> ScanFinding:
    """Direction cosines that are not directions at right angles."""
    return refusal(
        "bad-orientation",
        "Image Orientation does not hold two directions of length one at right angles",
        where,
        EXPORT_AGAIN,
    )


# --- what does not belong together ---------------------------------------------------------------------------------


def left_out(places: Sequence[str], why: str) -> ScanFinding:
    """Slices of the same series that are not part of the volume."""
    return warning(
        "left-out-slices",
        f"{count(places, 'image')} of this series left out: {why}",
        names(places),
        "Check that they are overview images and not part of the scan.",
    )


def mixed_within(code: str, what: str, places: Sequence[str]) -> ScanFinding:
    """Slices under one series number that cannot be of one scan; `places` are two files that differ."""
    return refusal(
        code,
        f"The series mixes {what}",
        f"such as {' and '.join(places)}",
        "Files of different exports were put together; export the wanted series alone into an empty folder.",
    )


def copied_files(places: Sequence[str]) -> ScanFinding:
    """Exact copies of slices."""
    return note(
        "copied-files",
        f"{count(places, 'copied file')} left out: the same image is there twice",
        names(places),
    )


def fewer_than_stated(found: int, stated: int) -> ScanFinding:
    """The header counts more images than there are."""
    return warning(
        "fewer-than-stated",
        f"The scan states {stated} images, and {found} are here",
        "whole series",
        "The ends of the volume may be missing; check that the export is complete.",
    )


def slices_apart(spacing: float, thickness: float) -> ScanFinding:
    """Slices thinner than the distance between them."""
    return warning(
        "gaps-between-slices",
        f"Slices are {thickness:.3g} mm thick but {spacing:.3g} mm apart, so tissue between them was not imaged or "
        "slices were left out regularly",
        "whole series",
        "Ask for all slices of the series.",
    )


# --- pixels ----------------------------------------------------------------------------------------------------------


def no_pixels(places: Sequence[str]) -> ScanFinding:
    """Headers without an image."""
    return refusal(
        "no-pixel-data", f"{count(places, 'file')} of the series without an image", names(places), EXPORT_AGAIN
    )


def truncated(places: Sequence[str]) -> ScanFinding:
    """Files shorter than their image."""
    return refusal(
        "truncated-file",
        f"{count(places, 'file')} cut short: the image is longer than the file",
        names(places),
        "The copy was cut short; copy them again from the original medium or export again.",
    )


def corrupt_pixels(where: str, why: str) -> ScanFinding:
    """An image that cannot be decoded."""
    return refusal("corrupt-pixels", f"An image cannot be decoded: {why}", where, EXPORT_AGAIN)


def odd_slices(places: Sequence[str], first: ArrayLike) -> ScanFinding:
    """Slices between neighbours that agree with each other and not with them; `first` is where the first lies."""
    return warning(
        "odd-slice",
        f"{count(places, 'slice')} unlike both neighbours, as damaged pixels would be (first at {point(first)})",
        names(places),
        "Look at them before planning; where they are spoilt, copy the scan again from the original medium.",
    )


def repeated_slices(places: Sequence[str]) -> ScanFinding:
    """Slices whose pixels equal those of the slice before."""
    return warning(
        "repeated-slice",
        f"{count(places, 'slice')} with exactly the pixels of the slice before, at another place",
        names(places),
        "The scan shows less than its slice distance promises, or images were mixed up; ask for the original slices.",
    )


def strange_streams(places: Sequence[str]) -> ScanFinding:
    """Compressed images that hold more than their size needs."""
    return warning(
        "strange-stream",
        f"{count(places, 'compressed image')} longer than its size needs, which damage can cause",
        names(places),
        "Look at them before planning; where they are spoilt, copy the scan again from the original medium.",
    )


def unsupported_pixels(where: str, why: str) -> ScanFinding:
    """An image of a kind that is not read."""
    return refusal("unsupported-pixels", f"The image is stored in a way that is not read: {why}", where, EXPORT_AGAIN)


def unsupported_kind(kind: str, where: str) -> ScanFinding:
    """Not a CT volume at all."""
    return refusal(
        "not-a-ct-volume",
        f"This is not a CT volume but {kind}",
        where,
        "Choose the series with the original CT slices.",
    )


def too_large(what: str) -> ScanFinding:
    """A size no scan has."""
    return refusal("too-large", what, "whole series", "No scanner makes such a volume; the header must be wrong.")


def lossy() -> ScanFinding:
    """Lossy compression at some time."""
    return warning(
        "lossy-compression",
        "The images went through lossy compression; edges and grey values may have changed",
        "whole series",
        "Ask for the original images before decisions below one millimetre.",
    )


def no_rescale(places: Sequence[str]) -> ScanFinding:
    """Slope or intercept absent."""
    return warning(
        "no-rescale",
        "Rescale Slope or Intercept is absent; stored values are used as they are",
        names(places),
        "Grey values cannot be compared with other scans without a calibration.",
    )


def rescale_varies() -> ScanFinding:
    """Slope or intercept differ from slice to slice."""
    return note(
        "rescale-varies",
        "Rescale Slope or Intercept differs between slices and was applied slice by slice",
        "whole series",
    )


def inverted() -> ScanFinding:
    """MONOCHROME1."""
    return warning(
        "inverted-display",
        "The images ask to be shown with black and white swapped, which CT images must not",
        "whole series",
        "Check that bone reads higher than air before any grey value is used.",
    )
