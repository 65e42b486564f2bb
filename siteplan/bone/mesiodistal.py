"""What bounds the site along the arch: a neighbouring root with its ligament gap, or the end of the bone.

The place where grey leaves that of the site's own bone is found first. Then a blurred step is fitted there, with a thin
dark line in it where a root follows: the ligament, which blur hides but which draws the edge towards the site.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from siteplan.bone.block import SiteBlock
from siteplan.bone.least_squares import levenberg
from siteplan.bone.lines import edge_measure
from siteplan.bone.reading import Edge, LineReading
from siteplan.flags import Flag
from siteplan.measures import Measure

Array = NDArray[np.float64]

_SIDE_MM = 0.4
"""Profiles are averaged this far buccolingually and in depth."""
_NEAR_MM = 2.0
"""Bone of the site itself: the median up to this far from the axis."""
_LEAST_STEP_SD = 4.0
"""A boundary departs from the site's own bone by this many SD of it ..."""
_LEAST_LENGTH_MM = 0.8
"""... and stays there for this long."""
_FIT_MM = 1.3
"""The step is fitted this far to both sides."""
_MOVES_MM = 0.9
_END_MM = 3.5
"""Soft tissue within this distance behind a dense layer means that the layer is the cortex at the end of the bone."""
_SOFT_SHARE = 0.25
_LIGAMENT_MM, _LIGAMENT_SD_MM = 0.22, 0.06
"""Width of the ligament gap (0.15 to 0.38 mm, textbooks, from memory)."""
_BLUR_VOXELS, _BLUR_LOG_SD = 0.9, 0.35
_SYSTEMATIC_MM, _SYSTEMATIC_VOXELS, _SINGLE_MM = 0.05, 0.35, 0.3
"""SD of a boundary: a constant, a share of the voxel, and that of one where no step could be fitted (our own estimates
from simulated gaps)."""
_CORTEX_SHARE = 0.7
"""A line within the crestal cortex (this dense against the densest on it) sees cortex end where bone does not, up to a
millimetre off in simulated gaps: it gives no number."""
_METHOD = "fitted step where grey leaves that of the site's bone"
_ROOT_TWO_PI = float(np.sqrt(2 * np.pi))


def mesiodistal_width(block: SiteBlock, depth_mm: float, soft: float, line: LineReading, *, quick: bool) -> Measure:
    """Distance between what bounds the bone mesially and distally on the line through the axis at `depth_mm`.

    Args:
        soft: grey value of soft tissue.
    """
    row = int(np.argmin(np.abs(block.depth_mm - depth_mm)))
    if line.buccal.outer.at_mm is None or line.lingual.outer.at_mm is None:
        return Measure.absent("mm", Flag.BEYOND_BONE, depth_mm=depth_mm, method=_METHOD)
    half = max(1, round(_SIDE_MM / 2 / block.spacing_mm))
    near = np.abs(block.buccal_mm) <= _SIDE_MM + 1e-9
    rows = slice(max(row - half, 0), row + half + 1)
    grey = block.values[rows][:, near].mean(axis=(0, 1)).astype(np.float64)
    zero = int(np.argmin(np.abs(block.distal_mm)))
    voxel = float(max(block.voxel_mm))
    sides = ((block.distal_mm[zero:], grey[zero:]), (-block.distal_mm[zero::-1], grey[zero::-1]))
    ends = [_bound(distance, values, soft, voxel, quick) for distance, values in sides]
    one, other = ends
    if one is None or other is None:
        known = bool(np.isfinite(grey).all())
        return Measure.absent("mm", Flag.UNBOUNDED if known else Flag.EDGE_OF_VOLUME, depth_mm=depth_mm, method=_METHOD)
    dense = soft + _CORTEX_SHARE * (float(np.nanmax(grey)) - soft)
    if float(np.nanmedian(grey[np.abs(block.distal_mm) <= _NEAR_MM])) > dense:
        return Measure.absent("mm", Flag.WITHIN_CORTEX, depth_mm=depth_mm, method=_METHOD)
    return edge_measure(Edge(one[0] + other[0], float(np.hypot(one[1], other[1]))), depth_mm, _METHOD, quick)


def _bound(distance: Array, grey: Array, soft: float, voxel_mm: float, quick: bool) -> tuple[float, float] | None:
    """Place and SD of the boundary on a half line that starts at the axis."""
    own = grey[distance <= _NEAR_MM]
    if not np.isfinite(own).all() or len(own) < 3:
        return None
    known = np.isfinite(grey)
    grey, distance = grey[known], distance[known]
    level = float(np.median(own))
    spread = max(1.4826 * float(np.median(np.abs(own - level))), 0.06 * float(np.ptp(grey)), 15.0)
    need = round(_LEAST_LENGTH_MM / float(distance[1] - distance[0]))
    away = np.abs(grey - level) > _LEAST_STEP_SD * spread
    if len(away) <= need:
        return None
    runs = np.flatnonzero(np.lib.stride_tricks.sliding_window_view(away, need)[1:].all(axis=1))
    if len(runs) == 0:
        return None
    first = int(runs[0]) + 1
    plateau = float(np.median(grey[first : first + need]))
    end = _end_of_bone(distance, grey, first, soft, max(plateau, level))
    if end is not None:
        return end, _sd(voxel_mm)
    k = first
    while k > 0 and abs(grey[k - 1] - level) > abs(plateau - level) / 2:
        k -= 1
    fitted = None if quick else _step(distance, grey, float(distance[k]), level, plateau, soft, voxel_mm)
    return (float(distance[k]) - _SINGLE_MM / 2, _SINGLE_MM) if fitted is None else fitted


def _sd(voxel_mm: float) -> float:
    return float(np.hypot(_SYSTEMATIC_MM, _SYSTEMATIC_VOXELS * voxel_mm))


def _end_of_bone(distance: Array, grey: Array, first: int, soft: float, dense: float) -> float | None:
    """Half way down to soft tissue behind the boundary, where that follows soon: the bone ends there."""
    dark = np.flatnonzero(grey[first:] < soft + _SOFT_SHARE * (dense - soft)) + first
    if len(dark) == 0 or distance[dark[0]] > distance[first] + _END_MM:
        return None
    top = float(grey[max(first - 1, 0) : dark[0] + 1].max())
    middle = (top + soft) / 2
    k = int(dark[0])
    while k > 1 and grey[k - 1] < middle:
        k -= 1
    drop = grey[k - 1] - grey[k]
    share = 0.5 if abs(drop) < 1e-9 else float(np.clip((grey[k - 1] - middle) / drop, 0, 1))
    return float(distance[k - 1] + share * (distance[k] - distance[k - 1]))


def _step(
    distance: Array, grey: Array, at: float, level: float, plateau: float, soft: float, voxel_mm: float
) -> tuple[float, float] | None:
    """Place and SD of a blurred step, with the ligament's dark line in it where a root follows."""
    near = np.abs(distance - at) <= _FIT_MM
    x, v = distance[near], grey[near]
    if len(x) < 7:
        return None
    step, root = abs(plateau - level), plateau > level
    centre = np.array([at, level, plateau, np.log(_BLUR_VOXELS * voxel_mm), _LIGAMENT_MM if root else 0.0])
    prior_sd = np.array([1.0, 0.3 * step, 0.3 * step, _BLUR_LOG_SD, _LIGAMENT_SD_MM if root else 1e-4])
    limit = np.array([0.3, 0.3 * step, 0.3 * step, 0.2, 0.05])

    def model(p: Array) -> tuple[Array, Array]:
        tau = float(np.exp(p[3]))
        u1, u2 = (x - p[0]) / tau, (x - p[0] - p[4]) / tau
        p1, p2 = ndtr(u1), ndtr(u2)
        q1, q2 = (np.exp(-0.5 * u**2) / (_ROOT_TWO_PI * tau) for u in (u1, u2))
        # The ligament is as dark as soft tissue; without one its width is nothing and its grey does not matter.
        fall, rise = p[1] - soft, p[2] - soft
        value = p[1] - fall * p1 + rise * p2
        by_at = fall * q1 - rise * q2
        by_tau = (fall * q1 * u1 - rise * q2 * u2) * tau
        return value, np.stack([by_at, 1 - p1, p2, by_tau, -rise * q2], axis=1)

    p, covariance = levenberg(model, v, centre, prior_sd, limit, (0.02 * step) ** 2)
    if not np.isfinite(p).all() or abs(p[0] - at) > _MOVES_MM:
        return None
    return float(p[0]), float(np.hypot(np.sqrt(covariance[0, 0]), _sd(voxel_mm)))
