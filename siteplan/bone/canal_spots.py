"""Dark round spots beside the axis in the section: what may be a canal that the axis touches without going dark.

A spot is scored by a ring minus a disc, the shape of a canal's wall round its lumen, on the mean of a slab along the
arch, in which the canal runs and trabeculae average out.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from siteplan.bone.block import SiteBlock
from siteplan.bone.levels import GreyLevels
from siteplan.bone.section import Section

Array = NDArray[np.float64]

_SLAB_MM = 1.5
_RADII_MM = (0.9, 1.3, 1.7)
_RING_MM = 0.6
_REACH_MM = 2.6
"""Centres further from the axis than the widest canal's radius with its wall are not met by it."""
_BELOW_CREST_MM, _INSIDE_MM = 1.5, 1.2
"""Centres lie this far below the crestal cortex and inside the bone's outline."""
_LEAST_STEP_SHARE = 0.12
"""Ring minus disc must reach this share of the step from air to soft tissue, about 125 HU (our own bound)."""
_MOST_SPOTS = 3


@dataclass(frozen=True, slots=True)
class Spot:
    """Centre of a spot, and the grey values around and inside it."""

    depth_mm: float
    buccal_mm: float
    bone: float
    dark: float


def dark_spots(
    block: SiteBlock, section: Section, levels: GreyLevels, crest_end_mm: float, until_mm: float | None
) -> list[Spot]:
    """Spots near the axis between the crestal cortex and `until_mm`, the clearest first."""
    near = np.abs(block.distal_mm) <= _SLAB_MM + 1e-9
    grey = block.values[:, :, near].mean(axis=2).astype(np.float64)
    known = np.isfinite(grey)
    grey = np.where(known, grey, levels.soft)
    inner = ndimage.distance_transform_edt(section.bone & known, sampling=block.spacing_mm) > _INSIDE_MM
    rows = (block.depth_mm > crest_end_mm + _BELOW_CREST_MM) & (
        block.depth_mm < (np.inf if until_mm is None else until_mm - _INSIDE_MM)
    )
    allowed = inner & rows[:, None] & (np.abs(block.buccal_mm) <= _REACH_MM)
    if not allowed.any():
        return []
    best, ring_of, disc_of = np.full(grey.shape, -np.inf), grey.copy(), grey.copy()
    for radius in _RADII_MM:
        disc, ring = _means(grey, block.spacing_mm, radius)
        better = ring - disc > best
        best = np.where(better, ring - disc, best)
        ring_of, disc_of = np.where(better, ring, ring_of), np.where(better, disc, disc_of)
    peak = (best == ndimage.maximum_filter(best, round(2.0 / block.spacing_mm))) & allowed
    peak &= best > _LEAST_STEP_SHARE * levels.step
    where = np.argwhere(peak)
    order = np.argsort(-best[peak])[:_MOST_SPOTS]
    return [
        Spot(float(block.depth_mm[k]), float(block.buccal_mm[j]), float(ring_of[k, j]), float(disc_of[k, j]))
        for k, j in where[order]
    ]


def _means(grey: Array, spacing_mm: float, radius_mm: float) -> tuple[Array, Array]:
    """Mean over a disc of three quarters of the radius, and over the ring outside the radius, at every cell."""
    n = int(np.ceil((radius_mm + _RING_MM) / spacing_mm))
    y, x = np.mgrid[-n : n + 1, -n : n + 1] * spacing_mm
    r = np.hypot(y, x)
    disc, ring = (r <= 0.75 * radius_mm).astype(float), ((r > radius_mm) & (r <= radius_mm + _RING_MM)).astype(float)
    low, high = (ndimage.convolve(grey, part / part.sum(), mode="nearest") for part in (disc, ring))
    return low, high
