"""Shift of bone edges because a detector averages intensities, not attenuations.

Where the path through bone changes steeply across the focal spot and a detector pixel, the logarithm of the mean
intensity is less than the mean attenuation (the exponential edge-gradient effect, Joseph and Spital 1981, Phys Med
Biol 26:473-487, from memory). Reconstructed bone then reads slightly too small: its outer surface too deep, its
cortex too thin, in proportion to the squared blur of spot and detector. The two factors below come from projecting
and reconstructing bars with known walls (`tests/validation/edge_gradient.py`), averaged over both sides of a bar: six
bars gave 0.27 to 0.40 and 0.45 to 0.63, and these values, at the low end, leave no bias in phantoms made by others.
"""

_OUTER_PER_MM = 0.29
_THICKNESS_PER_MM = 0.45
"""Shift in mm per mm^2 of squared blur of spot and detector, at `_CONTRAST_HU`."""
_CONTRAST_HU = 1500.0
_RECONSTRUCTION_VOXELS = 0.5
"""The part of the blur that reconstruction adds, which does not matter here, in voxel edges."""
EDGE_GRADIENT_SD_SHARE = 0.35
"""Relative SD: the shift depends on how long the wall runs along the rays, which is not known at a site."""


def edge_gradient(blur_mm: float, contrast_hu: float, voxel_mm: float) -> tuple[float, float]:
    """Shift of the outer surface into the bone, and loss of cortex thickness, both in mm and >= 0.

    Args:
        blur_mm: SD of the whole blur in slices. contrast_hu: cortex over soft tissue. voxel_mm: edge in slices.
    """
    before = max(blur_mm**2 - (_RECONSTRUCTION_VOXELS * voxel_mm) ** 2, 0.0)
    share = max(contrast_hu, 0.0) / _CONTRAST_HU
    return _OUTER_PER_MM * before * share, _THICKNESS_PER_MM * before * share
