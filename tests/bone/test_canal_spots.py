"""A canal beside the axis in coarse trabecular bone: a blurred tube of closed form, and the same bone without one."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from siteplan.bone.block import SiteBlock
from siteplan.bone.canal import fit_canal
from siteplan.bone.floor import Below, LayerStart
from siteplan.bone.levels import GreyLevels
from siteplan.bone.section import Section
from siteplan.frame import site_frame

H, BLUR_MM = 0.3, 0.3
LEVELS = GreyLevels(-1000.0, 50.0, 40.0, 40.0, 1050.0)
RADIUS_MM, WALL_MM, DEPTH_MM, BUCCAL_MM = 1.35, 0.5, 14.0, 0.5
NOISE, SHARED = 60.0, 100.0
"""SD of a voxel, and how many voxels share a piece of noise, as coarse scans of trabecular bone have them: the lumen
then differs from bone by 8 to 9 SD."""


def bone_block(tube: bool, seed: int) -> tuple[SiteBlock, Section]:
    fine = H / 3
    z, b = np.meshgrid(np.arange(0, 22, fine), np.arange(-6, 6, fine), indexing="ij")
    r = np.hypot(z - DEPTH_MM, b - BUCCAL_MM)
    plane = np.full(z.shape, 360.0)
    if tube:
        plane[r < RADIUS_MM + WALL_MM], plane[r < RADIUS_MM] = 950.0, 60.0
    plane = gaussian_filter(plane, BLUR_MM / fine)[1::3, 1::3]
    grain = gaussian_filter(np.random.default_rng(seed).standard_normal((*plane.shape, 17)), 1.2)
    values = plane[:, :, None] + grain * NOISE / grain.std()
    depth, buccal = (np.arange(n) * H + fine for n in plane.shape)
    frame = site_frame([0, 0, 0], [0, 0, -1], [1, 0, 0])
    block = SiteBlock(values.astype(np.float32), frame, depth, buccal - 6, (np.arange(17) - 8) * H, H, (H, H, H))
    return block, Section(values.mean(axis=2), np.ones(plane.shape, dtype=bool), 0, 240.0, 50.0, 1500.0)


def found_in(tube: bool, seed: int):
    block, section = bone_block(tube, seed)
    start = LayerStart(Below.CANAL, DEPTH_MM, 560.0, 200.0)
    at = (DEPTH_MM + 0.2, BUCCAL_MM - 0.2)
    return fit_canal(block, section, start, LEVELS, (BLUR_MM, BLUR_MM), np.array([1.0, 0, 0]), NOISE, SHARED, centre=at)


@pytest.mark.parametrize("seed", range(4))
def test_a_walled_tube_is_told_and_its_roof_lies_where_the_circle_says(seed):
    found = found_in(True, seed)
    roof = DEPTH_MM - np.sqrt((RADIUS_MM + WALL_MM) ** 2 - BUCCAL_MM**2)
    assert found is not None
    # The bar for a coarse scan is 0.10 mm on average.
    assert found.near_mm == pytest.approx(roof, abs=0.2)
    assert abs(found.near_mm - roof) < 3 * found.near_sd_mm


@pytest.mark.parametrize("seed", range(4))
def test_trabeculae_alone_are_no_canal(seed):
    assert found_in(False, seed) is None
