"""What bounds the site along the arch: a neighbouring root, its ligament gap, or the end of the bone."""

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.block import SiteBlock
from siteplan.bone.reading import LineReading
from siteplan.flags import Flag
from siteplan.measures import Measure

_SIDE_MM = 0.4
"""Profiles are averaged this far buccolingually and in depth."""
_NEAR_MM = 2.0
"""Bone of the site itself: the median up to this far from the axis."""
_LEAST_STEP_SD = 4.0
"""A boundary departs from the site's own bone by this many SD of it ..."""
_LEAST_LENGTH_MM = 0.8
"""... and stays there for this long."""


def mesiodistal_width(block: SiteBlock, depth_mm: float, method: str, line: LineReading) -> Measure:
    """Distance between what bounds the bone mesially and distally on the line through the axis at `depth_mm`."""
    row = int(np.argmin(np.abs(block.depth_mm - depth_mm)))
    if line.buccal.outer.at_mm is None or line.lingual.outer.at_mm is None:
        return Measure.absent("mm", Flag.BEYOND_BONE, depth_mm=depth_mm, method=method)
    half = max(1, round(_SIDE_MM / 2 / block.spacing_mm))
    near = np.abs(block.buccal_mm) <= _SIDE_MM + 1e-9
    rows = slice(max(row - half, 0), row + half + 1)
    grey = block.values[rows][:, near].mean(axis=(0, 1)).astype(np.float64)
    zero = int(np.argmin(np.abs(block.distal_mm)))
    ends = [_bound(block.distal_mm[zero:], grey[zero:]), _bound(-block.distal_mm[zero::-1], grey[zero::-1])]
    if any(end is None for end in ends):
        known = bool(np.isfinite(grey).all())
        return Measure.absent(
            "mm", Flag.UNBOUNDED if known else Flag.EDGE_OF_VOLUME, depth_mm=depth_mm, method="first change of grey"
        )
    total = sum(end for end in ends if end is not None)
    return Measure(total, "mm", total - 0.6, total + 0.6, "first change of grey", (Flag.UNCERTAIN,), depth_mm=depth_mm)


def _bound(distance: NDArray[np.float64], grey: NDArray[np.float64]) -> float | None:
    """Where the grey value leaves that of the site's own bone for good, half way up the step."""
    own = grey[distance <= _NEAR_MM]
    if not np.isfinite(own).all() or len(own) < 3:
        return None
    level = float(np.median(own))
    spread = max(1.4826 * float(np.median(np.abs(own - level))), 0.06 * abs(np.nanmax(grey) - np.nanmin(grey)), 15.0)
    need = round(_LEAST_LENGTH_MM / float(distance[1] - distance[0]))
    away = np.abs(grey - level) > _LEAST_STEP_SD * spread
    for i in range(1, len(grey) - need):
        if away[i : i + need].all():
            plateau = float(np.median(grey[i : i + need]))
            middle = (level + plateau) / 2
            k = i
            while k > 0 and abs(grey[k - 1] - level) > abs(middle - level):
                k -= 1
            step = grey[k] - grey[k - 1]
            share = 1.0 if abs(step) < 1e-9 else float(np.clip((middle - grey[k - 1]) / step, 0, 1))
            return float(distance[k - 1] + share * (distance[k] - distance[k - 1]))
    return None
