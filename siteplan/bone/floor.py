"""What the axis meets below the crest: the floor of a cavity or the far plate.

It is a layer between cancellous bone above and air or soft tissue below. It is found here on the smoothed profile along
the axis, as canals are; `floor_fit` and `canal` fit them.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from siteplan.bone.block import SiteBlock
from siteplan.bone.grey import profile
from siteplan.bone.levels import GreyLevels
from siteplan.bone.section import Section

Array = NDArray[np.float64]

_SMOOTH_MM = 0.35
_PROFILE_RADIUS_MM = 0.75
_CANAL_LENGTH_MM = (1.0, 5.0)
"""A dark run on the axis of this length with bone behind it is a canal (diameters 2 to 4 mm, from memory)."""
_LEAST_BONE_HU = 120.0
"""Cancellous bone must stand out from soft tissue by this much before a dark run in it can be called a canal."""
AIR_SHARE = 0.35
"""Air is darker than soft tissue by at least this share of the step between the two, after blur."""
_FILLED_MM = 2.5
"""A dark run behind a plate may be a filled cavity from this length on (our own); shorter ones may be canals too."""
_PLATE_HU, _PLATE_WITHIN_MM = 250.0, 2.5
"""A filled cavity has a floor this much denser than cancellous bone, at most this far before the dark (our own)."""
_LEAST_RIDGE_MM = 1.5
"""The dark begins at least this far below the crestal cortex, which else is taken for such a floor (our own)."""
_LINING_MM = 6.0
"""Soft tissue between bone and air is looked for on the profile up to this thickness (our own)."""
SEEN_MM = 1.0
"""A lining of at least this thickness shows as a shoulder on the profile (our own)."""
_SOFT_SHARE = 0.12
"""Its grey is soft tissue's to within this share of the step from air (our own)."""
_SYSTEMATIC_MM, _SYSTEMATIC_PER_MM = 0.004, 0.33
"""SD of what the model leaves out: a constant and a share per mm of the blur SD squared (our own estimate, from
simulated volumes: errors grow sixfold where blur doubles)."""


def edge_systematic_mm(blur_mm: float) -> float:
    """SD of a fitted edge's place from what the models of floor and canal leave out, mm; `blur_mm` in slices, SD."""
    return _SYSTEMATIC_MM + _SYSTEMATIC_PER_MM * blur_mm**2


class Below(StrEnum):
    """What lies below a layer; a filled cavity holds soft tissue or fluid where others hold air."""

    CANAL = "canal"
    CAVITY = "cavity"
    FILLED = "filled"
    OUTSIDE = "outside"


@dataclass(frozen=True, slots=True)
class Layer:
    """A fitted layer on the axis.

    Attributes:
        near_mm, far_mm: depths where it begins and ends. near_sd_mm, far_sd_mm, thickness_sd_mm: their SD.
        log_t_sd: SD of log thickness. below: what follows.
    """

    below: Below
    near_mm: float
    far_mm: float
    near_sd_mm: float
    far_sd_mm: float
    thickness_sd_mm: float
    log_t_sd: float


@dataclass(frozen=True, slots=True)
class LayerStart:
    """Where a layer was seen on the profile: depth of its lower surface, and the grey levels around it.

    air_mm: where air begins. lining_mm: thickness of soft tissue seen between the two, 0 where none is.
    """

    below: Below
    at_mm: float
    bone: float
    beyond: float
    thickness_mm: float = 0.7
    air_mm: float | None = None
    lining_mm: float = 0.0


def find_layers(block: SiteBlock, section: Section, levels: GreyLevels, crest_end_mm: float) -> list[LayerStart]:
    """Layers on the axis from the crest downwards: canals until air or the end of the bone, the floor of what may be a
    filled cavity on the way, and what ends the bone."""
    line = profile(block, _PROFILE_RADIUS_MM)
    known = np.isfinite(line)
    smooth = gaussian_filter1d(np.where(known, line, levels.soft), _SMOOTH_MM / block.spacing_mm)
    z = block.depth_mm
    axis = int(np.argmin(np.abs(block.buccal_mm)))
    start = int(np.searchsorted(z, crest_end_mm + 0.6))
    if start >= len(z) - 8:
        return []
    air = smooth < levels.soft - AIR_SHARE * levels.step
    outside = ~section.bone[:, axis] | air
    ends = np.flatnonzero(outside[start:])
    stop = start + int(ends[0]) if len(ends) else len(z)
    near = smooth[
        start : min(start + round(6.0 / block.spacing_mm), max(stop - round(0.8 / block.spacing_mm), start + 4))
    ]
    bone = float(np.median(near))
    found = _canals(z, smooth, start, stop, bone, levels)
    filled = _filled(z, smooth, start, stop, bone, levels)
    if filled is not None:
        thick = _rough_thickness(smooth, filled, bone, block.spacing_mm)
        found.append(LayerStart(Below.FILLED, float(z[filled]), bone, levels.soft, thick))
    if stop < len(z) - 2 and known[start : stop + 2].all():
        found.append(_end_of_bone(z, smooth, start, stop, bone, air, levels))
    return found


def _end_of_bone(
    z: Array, smooth: Array, start: int, stop: int, bone: float, air: NDArray[np.bool_], levels: GreyLevels
) -> LayerStart:
    """The layer that ends at index `stop`, or above the soft tissue that is seen between bone and air there."""
    spacing = float(z[1] - z[0])
    near_air = np.flatnonzero(air[stop : stop + round(_LINING_MM / spacing)])
    k = stop + int(near_air[0]) if len(near_air) else None
    air_mm = None if k is None else _crossing(z, smooth, k, levels)
    below = Below.CAVITY if k == stop else Below.OUTSIDE
    at, end, beyond = float(z[stop]) - 0.2, stop, levels.soft
    if k == stop and air_mm is not None:
        at, beyond = air_mm, levels.soft - levels.step
        seen = _bone_above_lining(z, smooth, start, k, levels)
        if seen is not None:
            at, end, beyond = float(z[seen]), seen, levels.soft
    lining = 0.0 if air_mm is None else max(air_mm - at, 0.0)
    return LayerStart(below, at, bone, beyond, _rough_thickness(smooth, end, bone, spacing), air_mm, lining)


def _crossing(z: Array, smooth: Array, k: int, levels: GreyLevels) -> float:
    """Depth half way from soft tissue to air, near index k where air is first seen."""
    level = levels.soft - 0.5 * levels.step
    step = smooth[k] - smooth[k - 1]
    at = z[k - 1] + (level - smooth[k - 1]) / step * (z[k] - z[k - 1]) if abs(step) > 1e-6 else z[k]
    return float(np.clip(at, z[k] - 0.5, z[k] + 0.5))


def _bone_above_lining(z: Array, smooth: Array, start: int, k: int, levels: GreyLevels) -> int | None:
    """Index where bone ends above soft tissue that lies on the air at index k; None where none is seen."""
    spacing = float(z[1] - z[0])
    first = max(start, k - round(_LINING_MM / spacing))
    top = first + int(np.argmax(smooth[first:k]))
    end = top + int(np.argmax(smooth[top:k] < (smooth[top] + levels.soft) / 2))
    inside = smooth[end + round(0.3 / spacing) : k - round(0.5 / spacing)]
    if end == top or z[k] - z[end] < SEEN_MM or not len(inside):
        return None
    return end if abs(float(np.median(inside)) - levels.soft) < _SOFT_SHARE * levels.step else None


def _rough_thickness(smooth: Array, stop: int, bone: float, spacing_mm: float) -> float:
    """Thickness of the layer that ends at index `stop`, by the half-maximum rule on the smoothed profile."""
    top = max(stop - round(1.0 / spacing_mm), 1) + int(
        np.argmax(smooth[max(stop - round(1.0 / spacing_mm), 1) : stop + 1])
    )
    i = top
    while i > 1 and smooth[i] > (smooth[top] + bone) / 2:
        i -= 1
    return float(np.clip((stop - i) * spacing_mm, 0.5, 4.0))


def _filled(z: Array, smooth: Array, start: int, stop: int, bone: float, levels: GreyLevels) -> int | None:
    """Index where a plate ends above a long dark run; None where there is none."""
    spacing, per_hu = float(z[1] - z[0]), levels.step / 1050.0
    for a, b in _dark_runs(smooth, start, stop, bone, levels):
        first = max(start, a - round(_PLATE_WITHIN_MM / spacing))
        long = z[b - 1] - z[a] > _FILLED_MM and z[a] - z[start] > _LEAST_RIDGE_MM
        if long and smooth[first:a].max() > bone + _PLATE_HU * per_hu:
            top = first + int(np.argmax(smooth[first:a]))
            return top + int(np.argmax(smooth[top:b] < (smooth[top] + levels.soft) / 2))
    return None


def _dark_runs(smooth: Array, start: int, stop: int, bone: float, levels: GreyLevels) -> list[tuple[int, int]]:
    """Runs [a, b) between two indices that are nearer to soft tissue than to bone."""
    dark = smooth[start:stop] < levels.soft + 0.4 * (bone - levels.soft)
    edges = np.diff(np.concatenate([[False], dark, [False]]).astype(np.int8))
    return [(int(a), int(b)) for a, b in zip(*(np.flatnonzero(edges == s) + start for s in (1, -1)), strict=True)]


def _canals(z: Array, smooth: Array, start: int, stop: int, bone: float, levels: GreyLevels) -> list[LayerStart]:
    per_hu = levels.step / 1050.0
    if bone - levels.soft < _LEAST_BONE_HU * per_hu:
        return []
    out = []
    for a, b in _dark_runs(smooth, start, stop, bone, levels):
        length = float(z[b - 1] - z[a])
        if _CANAL_LENGTH_MM[0] <= length <= _CANAL_LENGTH_MM[1] and b < stop - 2:
            inside = float(smooth[a:b].min())
            if inside > levels.soft - AIR_SHARE * levels.step:
                out.append(LayerStart(Below.CANAL, float(z[a]), bone, levels.soft))
    return out
