"""A traced root that is really a plate, and a crown of metal, on volumes in closed form."""

import numpy as np
import pytest
from numpy.typing import NDArray

from siteplan.anatomy.levels import Levels
from siteplan.anatomy.root_doubt import holds_metal, overrun_mm
from siteplan.anatomy.root_rough import RoughRoot
from siteplan.anatomy.sample import Sampler, sampler
from tests.anatomy.jaw_phantom import as_scan

LEVELS = Levels(-1000.0, 50.0, 1500.0)
VOXEL_MM = 0.4


def _scene(plate_below_mm: float, metal_above_mm: float = np.inf) -> tuple[Sampler, RoughRoot, NDArray[np.float64]]:
    """A rod of radius 2 mm along z in a gap; below a height, a 4 mm plate instead; above one, metal in the rod."""
    line = np.arange(-16.0, 16.01, VOXEL_MM)
    z, y, x = np.meshgrid(line, line, line, indexing="ij")
    away = np.hypot(x, y)
    grey = np.where(away < 2.0, 1600.0, np.where(away < 3.0, 50.0, 1500.0))
    grey = np.where((z < plate_below_mm) & (np.abs(y) < 2.0), 1500.0, np.where(z < plate_below_mm, 50.0, grey))
    grey = np.where((z > metal_above_mm) & (away < 2.0), 3000.0, grey).astype(np.float32)
    scan = as_scan(grey, VOXEL_MM, np.full(3, line[0]))
    h, turn = np.arange(-10.0, 10.01, 0.4), np.arange(24) * 2 * np.pi / 24
    radius = np.full((len(h), 24), 2.0)
    a, b, axis = np.array([1.0, 0, 0]), np.array([0, -1.0, 0]), np.array([0, 0, -1.0])
    rough = RoughRoot(np.zeros(3), axis, a, b, h, turn, radius, 1600.0, 825.0)
    return sampler(scan, h[[0, -1], None] * axis, 6.0), rough, radius


def test_a_root_that_ends_in_its_gap_is_not_doubted() -> None:
    assert overrun_mm(*_scene(-20.0)) == 0.0


@pytest.mark.parametrize("true_tip_mm", [-6.0, -3.0, 0.0])
def test_the_doubt_covers_what_lies_in_the_plate(true_tip_mm: float) -> None:
    beyond = true_tip_mm + 10.0
    assert beyond - VOXEL_MM <= overrun_mm(*_scene(true_tip_mm)) <= beyond + 5.0


def test_the_end_that_holds_metal_is_told() -> None:
    source, rough, radius = _scene(-20.0, 2.0)
    assert holds_metal(source, rough, radius, LEVELS, 0)
    assert not holds_metal(source, rough, radius, LEVELS, 1)
