"""How much a place looks like the inside of a dark tube that is closed all around.

At each voxel a smoothed grey value is compared with the values on both sides at a few radii, along 13 directions. A
tube along some axis is darker than both sides along every direction at right angles to it; the weakest of those
counts. So a dark sheet, or the dark corner where marrow meets cortex, scores nothing, where second derivatives alone
(Sato Y et al. 1998, Med Image Anal 2:143-168, from memory) still answer.
"""

from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Grey = NDArray[np.float32]

SMOOTH_MM = 0.6
"""Smoothing before looking; a lumen of 1.0 mm radius still shows more than half its contrast (our own)."""

RADII_MM = (1.6, 2.2)
"""Distances at which the surroundings are read: just outside lumina of 1.0 to 1.6 mm radius and their walls."""

_HALF = [d for d in product((-1, 0, 1), repeat=3) if d > (0, 0, 0)]
"""The 13 directions to the 26 neighbours, one of each opposite pair."""


def dark_tubularity(values: Grey, spacing_mm: float, radii_mm: tuple[float, ...] = RADII_MM) -> Grey:
    """Grey contrast (>= 0) of the best dark tube through each voxel of an isotropic box (K, J, I) without NaN."""
    smooth = ndimage.gaussian_filter(values, SMOOTH_MM / spacing_mm, mode="nearest")
    best = np.zeros(values.shape, dtype=np.float32)
    for radius in radii_mm:
        np.maximum(best, _at_radius(smooth, radius / spacing_mm), out=best)
    return best


def _at_radius(smooth: Grey, radius: float) -> Grey:
    brighter = [_brighter_on_both_sides(smooth, np.array(d) / np.linalg.norm(d) * radius) for d in _HALF]
    best = np.zeros(smooth.shape, dtype=np.float32)
    for axis in _HALF:
        across = [b for d, b in zip(_HALF, brighter, strict=True) if np.dot(axis, d) == 0]
        np.maximum(best, np.minimum.reduce(across), out=best)
    return best


def _brighter_on_both_sides(smooth: Grey, offset: NDArray[np.float64]) -> Grey:
    one = ndimage.shift(smooth, offset, order=1, mode="nearest")
    other = ndimage.shift(smooth, -offset, order=1, mode="nearest")
    out: Grey = np.minimum(one, other) - smooth
    return out
