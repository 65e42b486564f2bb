"""What tells that a traced root may be wrong: metal at one end, and an outline that runs on into a plate of bone."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from siteplan.anatomy.levels import Levels
from siteplan.anatomy.root_rough import RoughRoot
from siteplan.anatomy.sample import Sampler

Floats = NDArray[np.float64]

BESIDE_MM = 2.0
"""Dense without a gap this far beyond both sides of an outline is a plate, no root (our own)."""

RUN_MM = 1.5
"""Length along the axis over which that must be so (our own)."""

LONG_RUN_MM, NEAR_TIP_MM = 4.0, 4.0
"""A run at least so long, or one that ends at most so far before the tip, is no crest (simulated roots)."""

APICAL_SHARE = 0.55
"""The part of the length, from the apex, that is looked at: crowns touch on both sides (our own)."""

MARGIN_MM = 4.0
"""Added to what lies below the first such height: a thin plate shows late (simulated roots, 3 of 3 overruns)."""


def holds_metal(source: Sampler, rough: RoughRoot, radius: Floats, levels: Levels, end: int) -> bool:
    """Whether the first (0) or last (1) third is mostly metal inside: a crown may be, the end of a root is not."""
    third = max(1, len(radius) // 3)
    part = slice(-third, None) if end else slice(0, third)
    inside = radius[part, :, None] * np.array([0.6, 0.7, 0.8])
    points = rough.to_lps(rough.height_mm[part, None, None], rough.turn_rad[None, :, None], inside)
    return bool(np.nanmedian(source.at(points)) >= levels.metal_edge)


def overrun_mm(source: Sampler, rough: RoughRoot, radius: Floats) -> float:
    """How far a root whose apex is the last height may have run on into a plate, mm; 0 where nothing tells so.

    A ligament ends a root on at least one of two opposite sides; a plate goes on dense on both.
    """
    at = radius[:, :, None] + np.arange(0.0, BESIDE_MM + 0.01, 0.2)
    h = rough.height_mm
    grey = source.at(rough.to_lps(h[:, None, None], rough.turn_rad[None, :, None], at))
    leak = np.min(np.where(np.isfinite(grey), grey, -np.inf), axis=2) >= rough.edge
    plate = (leak & np.roll(leak, leak.shape[1] // 2, axis=1)).any(axis=1)
    plate &= h[-1] - h <= APICAL_SHARE * (h[-1] - h[0])
    step = float(h[1] - h[0])
    runs, count = ndimage.label(ndimage.binary_closing(np.pad(plate, 2), iterations=1)[2:-2])
    for run in (np.flatnonzero(runs == n) for n in range(1, count + 1)):
        length, before_tip = len(run) * step, float(h[-1] - h[run[-1]])
        # The crest's plate lies on both sides of every root, but for a short way and far from the tip.
        if length >= LONG_RUN_MM or (length >= RUN_MM and before_tip <= NEAR_TIP_MM):
            return float(h[-1] - h[run[0]] + MARGIN_MM)
    return 0.0
