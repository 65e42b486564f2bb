"""Metal and its streaks near a site, recognised by what they do to the grey values' statistics."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from siteplan.bone.block import SiteBlock
from siteplan.bone.levels import GreyLevels

_METAL_STEPS = 2.6
"""Denser than soft tissue by this many steps from air to soft tissue: about 2800 HU, above enamel's usual grey value
of 2000 to 2500 (from memory) and far above cortex."""
_LEAST_MM3 = 0.3
_STREAK_RATIO = 3.0
"""A place is streaked when values differ from their neighbourhood by this many times what they do in the block."""
_REACH_MM = 15.0
_BORDER_MM = 0.6
"""Blur and partial volume around metal itself."""


def metal_mask(block: SiteBlock, levels: GreyLevels) -> NDArray[np.bool_] | None:
    """(D, B, M) voxels that metal or its streaks reach; None when the block holds no metal.

    Streaks are rows of too light and too dark values: within reach of metal the local SD of the detail (value minus
    a smoothed copy) is compared with the block's own.
    """
    values = block.values
    dense = values > levels.soft + _METAL_STEPS * levels.step
    if dense.sum() * block.spacing_mm**3 < _LEAST_MM3:
        return None
    labels, count = ndimage.label(dense)
    sizes = ndimage.sum_labels(np.ones_like(labels), labels, np.arange(1, count + 1)) * block.spacing_mm**3
    core = np.isin(labels, np.flatnonzero(sizes >= _LEAST_MM3) + 1)
    if not core.any():
        return None
    away = ndimage.distance_transform_edt(~core, sampling=block.spacing_mm)
    known = np.isfinite(values)
    filled = np.where(known, values, levels.soft).astype(np.float32)
    wide = 0.6 / block.spacing_mm
    detail = filled - ndimage.gaussian_filter(filled, wide)
    local = np.sqrt(np.maximum(ndimage.uniform_filter(detail**2, round(1.5 / block.spacing_mm)), 0))
    usual = float(np.median(local[known & (away > _BORDER_MM)])) + 1e-6
    # Bone has edges of its own: a streaked place also holds values darker than soft tissue ever is inside the body.
    dark = ndimage.minimum_filter(filled, round(1.5 / block.spacing_mm)) < levels.soft - 0.35 * levels.step
    streak = (local > _STREAK_RATIO * usual) & dark & (away < _REACH_MM)
    mask: NDArray[np.bool_] = (away < _BORDER_MM) | streak
    return mask


def without(block: SiteBlock, mask: NDArray[np.bool_]) -> SiteBlock:
    """The block with the masked voxels marked as missing."""
    values = block.values.copy()
    values[mask] = np.nan
    return SiteBlock(
        values, block.frame, block.depth_mm, block.buccal_mm, block.distal_mm, block.spacing_mm, block.voxel_mm
    )
