"""A traced root that is really a plate, and a crown of metal, on volumes in closed form."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from siteplan.anatomy.levels import Levels
from siteplan.anatomy.root import trace_root
from siteplan.anatomy.root_doubt import doubts_of, holds_metal, no_edge_share, overrun_mm
from siteplan.anatomy.root_rough import RoughRoot
from siteplan.anatomy.sample import Sampler, sampler
from tests.anatomy.jaw_phantom import as_scan
from tests.validation.roots import draw_root, errors_mm

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


def test_an_outline_inside_a_plate_lies_on_no_edge() -> None:
    """A cylinder drawn 8 mm into a plate: of its lower half all but what crosses the plate's two faces is no edge."""
    source, rough, radius = _scene(-20.0)
    assert no_edge_share(source, rough, radius, LEVELS) == 0.0
    source, rough, radius = _scene(0.0)
    # The faces lie 2 mm to both sides, as far as the outline: half of the way round lies more than 0.5 mm inside them.
    assert 0.4 < no_edge_share(source, rough, radius, LEVELS) < 0.9
    words, sd_mm = doubts_of(source, rough, radius, LEVELS, np.zeros(3))
    assert "lies on no edge" in words
    assert 1.96 * sd_mm > 8.0


@pytest.mark.parametrize(("click", "told"), [([2.5, 0.0, 0.0], False), ([4.0, 0.0, 0.0], True), ([0, 0, 12.0], True)])
def test_an_outline_that_does_not_hold_the_click_is_doubted(click: list[float], told: bool) -> None:
    """Radius 2 mm, ends at 10 mm: 0.5 mm is a hand's error, 2 mm means something else."""
    words, sd_mm = doubts_of(*_scene(-20.0), LEVELS, np.array(click))
    assert ("The click lies 2 mm outside it" in words) is told
    assert (sd_mm > 0) is told


def test_metal_beside_the_root_is_told_and_a_crown_of_metal_far_above_is_not() -> None:
    assert "as bright as metal" in doubts_of(*_scene(-20.0, -2.0), LEVELS, np.zeros(3))[0]
    assert "metal" not in doubts_of(*_scene(-20.0, 8.0), LEVELS, np.zeros(3))[0]


def test_the_end_that_holds_metal_is_told() -> None:
    source, rough, radius = _scene(-20.0, 2.0)
    assert holds_metal(source, rough, radius, LEVELS, 0)
    assert not holds_metal(source, rough, radius, LEVELS, 1)


@pytest.mark.parametrize(("taper_mm", "told"), [(0.0, True), (0.5, False)])
def test_a_stump_as_wide_at_both_ends_says_that_its_tip_may_be_the_other_one(taper_mm: float, told: bool) -> None:
    """A rod of dentine in a gap in bone, grey everywhere the same above and below: only the taper can tell its tip."""
    line = np.arange(-11.0, 11.01, 0.35)
    z, y, x = np.meshgrid(line, line, line, indexing="ij")
    out = np.hypot(x, y) - (2.0 + taper_mm * z / 10.0)
    out = np.maximum(out, np.abs(z) - 5.0)
    grey = np.where(out < 0, 1600.0, np.where(out < 0.5, 50.0, 600.0))
    grey = np.where(np.maximum(np.abs(x), np.abs(y)) > 9.0, 50.0, grey)
    noise = np.random.default_rng(0).normal(0, 25.0, grey.shape)
    grey = (gaussian_filter(grey, 0.6) + noise).astype(np.float32)
    root = trace_root(as_scan(grey, 0.35, np.full(3, line[0])), [0.0, 0.0, 0.0])
    assert ("its tip may be the other one" in root.structure.note) is told
    if not told:
        assert root.apex_lps_mm[2] < root.coronal_lps_mm[2]


def test_a_crown_of_metal_does_not_bend_the_outline_of_the_root_below_it() -> None:
    """A bent root with a round tip below a metal crown, drawn in closed form: the bar is 0.4 mm below the crest."""
    scan, bar = draw_root("metal crown", np.random.default_rng([63, 4, 0]))
    tooth = bar.teeth[0]
    x, y = tooth.axis(np.array(0.65 * tooth.length))
    root = trace_root(scan, bar.to_lps(np.array([float(x), float(y), tooth.neck - 0.65 * tooth.length])))
    away, tip = errors_mm(root, bar, np.random.default_rng(0))
    assert len(away) > 500
    assert away.max() < 0.4
    assert tip < 0.4
    assert "its crown in metal" in root.structure.note


@pytest.mark.parametrize("share", [0.3, 0.65])
def test_a_root_whose_thin_ligament_drowns_beside_the_plate_is_told_from_it(share: float) -> None:
    """A border halfway to the marrow runs on from root to plate here, 12 mm beyond the tip; truth in closed form."""
    scan, bar = draw_root("in the plate", np.random.default_rng([63, 3, 5]))
    tooth = bar.teeth[0]
    x, y = tooth.axis(np.array(share * tooth.length))
    root = trace_root(scan, bar.to_lps(np.array([float(x), float(y), tooth.neck - share * tooth.length])))
    away, tip = errors_mm(root, bar, np.random.default_rng(0))
    assert away.max() < 0.4
    assert tip < 0.6
