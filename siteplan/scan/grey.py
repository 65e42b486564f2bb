"""What the grey values of a series are, and whether they may be called Hounsfield units."""

from collections.abc import Sequence

import numpy as np

from siteplan.scan import tags
from siteplan.scan.header import CRANIOFACIAL
from siteplan.scan.identity import free_text
from siteplan.scan.slices import Slice, headers_of
from siteplan.scan.tags import number
from siteplan.scan.volume import GreyScale, Scan

_CONE_BEAM_WORDS = ("cone", "cbct", "dvt", "dental", "craniofacial", "maxillofacial")
"""Parts of model, protocol or description that tell of a cone-beam scanner (common practice, no source). DVT is the
German abbreviation."""

_FINE_VOXEL_MM = 0.5
"""Cubic voxels up to this size are taken as a cone-beam volume: whole-body scanners write flat ones (common practice,
no source). The error is on the safe side, since calibration is then asked for."""

_AIR_HU = -1000.0
_AIR_TOLERANCE_HU = 100.0
"""Air is -1000 HU by definition (grey_value.hu_definition: Hounsfield scale). The tolerance is our own: room for noise
and beam hardening, far below the shifts of several hundred that cone-beam scanners show."""

_UNVERIFIED = "It is the file's own statement; only air was checked."


def grey_scale(first: Slice, spacing_kji_mm: tuple[float, float, float], lossy: bool) -> GreyScale:
    """Description from the header of one slice; `may_be_hu` is still subject to `with_air_checked`.

    A CT file may leave Rescale Type out and mean Hounsfield units (DICOM PS3.3 C.8.2.1), but cone-beam writers do the
    same with values that are not calibrated. So only a stated "HU" without any sign of a cone beam counts.
    """
    header = first.header
    words = " ".join(
        header.text(tag).lower()
        for tag in (
            tags.MODEL,
            tags.MANUFACTURER,
            tags.SERIES_DESCRIPTION,
            tags.STUDY_DESCRIPTION,
            tags.PROTOCOL_NAME,
            tags.SCAN_OPTIONS,
        )
    )
    may, why = _may_be_hu(first, words, spacing_kji_mm)
    values = header.values
    return GreyScale(
        first.rescale_type,
        may,
        why,
        free_text(header, tags.MANUFACTURER),
        free_text(header, tags.MODEL),
        number(values.get(tags.KVP)),
        _exposure(first),
        number(values.get(tags.RECONSTRUCTION_DIAMETER)),
        lossy,
    )


def _may_be_hu(first: Slice, words: str, spacing_kji_mm: tuple[float, float, float]) -> tuple[bool, str]:
    kind = first.rescale_type.upper()
    if not first.rescaled:
        return False, "Rescale Slope or Intercept is absent, so the scale is unknown."
    if kind != "HU":
        said = f'the file calls its unit "{first.rescale_type}"' if kind else "the file does not state a unit"
        return False, f"{said[0].upper()}{said[1:]}, so values are not Hounsfield units without a calibration."
    if first.header.text(tags.SOP_CLASS) == CRANIOFACIAL or any(word in words for word in _CONE_BEAM_WORDS):
        return False, "The file says HU, but this is a cone-beam scan, whose values need a calibration."
    if max(spacing_kji_mm) <= _FINE_VOXEL_MM and max(spacing_kji_mm) - min(spacing_kji_mm) < 0.01 * spacing_kji_mm[0]:
        return (
            False,
            "The file says HU, but fine cubic voxels point to a cone-beam scan, whose values need a calibration.",
        )
    return True, f"The file says HU. {_UNVERIFIED}"


def _exposure(first: Slice) -> float | None:
    """Exposure in mAs: stated, or tube current (mA) times exposure time (ms)."""
    values = first.header.values
    stated = number(values.get(tags.EXPOSURE))
    if stated is not None:
        return stated
    current, time = number(values.get(tags.TUBE_CURRENT)), number(values.get(tags.EXPOSURE_TIME))
    return None if current is None or time is None else current * time / 1000.0


def with_air_checked(scan: Scan) -> GreyScale:
    """The scan's grey scale, its claim to Hounsfield units withdrawn when air does not read -1000.

    Looks at every 16th slice and 8th row and column; the lowest values that are not padding must be air. A scan that
    holds no air cannot be checked, and then the claim is withdrawn as well.
    """
    grey = scan.grey
    if not grey.may_be_hu:
        return grey
    sample = scan.voxels[:: min(16, max(1, scan.shape[0] // 4)), ::8, ::8]
    k = np.arange(scan.shape[0])[:: min(16, max(1, scan.shape[0] // 4))]
    values = sample * scan.slope[k, None, None] + scan.intercept[k, None, None]
    if scan.padding is not None:
        values = values[sample != scan.padding]
    lowest = float(np.percentile(values, 2)) if values.size else float("nan")
    if abs(lowest - _AIR_HU) <= _AIR_TOLERANCE_HU:
        return grey
    return GreyScale(
        grey.rescale_type,
        False,
        f"The file says HU, but its darkest parts read {lowest:.0f} and air should read -1000.",
        grey.manufacturer,
        grey.model,
        grey.kvp,
        grey.exposure_mas,
        grey.reconstruction_diameter_mm,
        grey.lossy,
    )


def any_lossy(stack: Sequence[Slice], lossy_syntaxes: frozenset[str]) -> bool:
    """Whether any slice went through lossy compression: stated (0028,2110), or by its transfer syntax."""
    return any(header.text(tags.LOSSY) == "01" or header.syntax in lossy_syntaxes for header in headers_of(stack))
