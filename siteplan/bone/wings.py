"""The wings of the blur: how far it is from a bell curve, as the excess kurtosis along a direction.

The voxel grid and the spline between its voxels cut the blur off, in slices the window of the reconstruction does so
too (a Hann window whose blur has an SD of half a voxel has a fourth cumulant of minus the fourth power of that SD, a
closed form). A thin shell feels it: shape that the blur has of its own reads as thickness. Fourth cumulants of
independent blurs add up, and along a slanted direction they go with the fourth power of its cosine.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FOURTH_VOXELS = (0.15, 0.12)
"""Minus the fourth cumulant in slices and across them, in voxel edges to the fourth: the window and the grid, as
noise-free simulated edges with voxels of 0.16 to 0.4 mm show them."""
_LEAST_EXCESS = -0.6
"""The series of `shell_model` is not used further from a bell curve than this."""


def excess_kurtosis(across: Array, blur_mm: tuple[float, float], voxel_mm: float) -> Array:
    """(N,) excess kurtosis of the blur along N normals.

    Args:
        across: (N,) cosine of each normal with the slice normal. blur_mm: SD in slices and across them.
        voxel_mm: edge in slices.
    """
    share = across**2
    variance = blur_mm[0] ** 2 * (1 - share) + blur_mm[1] ** 2 * share
    fourth = _FOURTH_VOXELS[0] * (1 - share) ** 2 + _FOURTH_VOXELS[1] * share**2
    found: Array = np.maximum(-fourth * voxel_mm**4 / variance**2, _LEAST_EXCESS)
    return found
