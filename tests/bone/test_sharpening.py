"""The mean of a region that starts on a blurred surface must be that of the bone behind it."""

import numpy as np
import pytest
from scipy.special import ndtr

from siteplan.bone.sharpening import Sharpening

H = 0.25
BONE, SOFT = 1500.0, 50.0


def blurred_bone(surface_mm: float, blur_mm: float, layers: int) -> tuple[np.ndarray, np.ndarray, Sharpening]:
    """Cell centres (D,), blurred values (D, 2, 2) of bone below a flat surface, and what is exactly to be added."""
    z = np.arange(-3, 6, H)
    grey = np.broadcast_to((SOFT + (BONE - SOFT) * ndtr((z - surface_mm) / blur_mm))[:, None, None], (len(z), 2, 2))
    middle = z[None, :] + ((np.arange(layers) + 0.5) / layers - 0.5)[:, None] * H
    inside = np.clip((middle - surface_mm) / (H / layers) + 0.5, 0, 1)
    more = SOFT + (BONE - SOFT) * inside - grey[:, 0, 0]
    index = np.arange(grey.size)
    return z, grey, Sharpening(index, np.repeat(more, 4, axis=1))


@pytest.mark.parametrize("surface", [0.0, 0.07, 0.125, 0.2])
@pytest.mark.parametrize("blur", [0.18, 0.35])
def test_a_region_from_the_surface_down_holds_bone_only(surface: float, blur: float) -> None:
    z, grey, sharpening = blurred_bone(surface, blur, layers=4)
    share = np.clip((np.minimum(z + H / 2, surface + 2.0) - np.maximum(z - H / 2, surface)) / H, 0, 1)
    weights = np.broadcast_to(share[:, None, None], grey.shape).astype(np.float32)
    mean = float((weights * grey).sum() / weights.sum()) + sharpening.shift(weights)
    # Exactly the bone's value by the shape; layers of a quarter voxel leave less than 1 % of the step.
    assert mean == pytest.approx(BONE, abs=0.01 * (BONE - SOFT))
    assert BONE - (weights * grey).sum() / weights.sum() > 0.03 * (BONE - SOFT), "the blur must matter here"


def test_a_region_that_ends_on_the_surface_holds_soft_tissue_only() -> None:
    z, grey, sharpening = blurred_bone(2.07, 0.3, layers=4)
    share = np.clip((np.minimum(z + H / 2, 2.07) - np.maximum(z - H / 2, -1.0)) / H, 0, 1)
    weights = np.broadcast_to(share[:, None, None], grey.shape).astype(np.float32)
    mean = float((weights * grey).sum() / weights.sum()) + sharpening.shift(weights)
    assert mean == pytest.approx(SOFT, abs=0.01 * (BONE - SOFT))
