"""The bone that the torque forecast rests on, against the truth of the sample patient; margins at a plane."""

import json

import numpy as np
import pytest

import siteplan
from siteplan.anatomy import Kind, Structure, Surface
from siteplan.bone import Calibration, measure_bone
from siteplan.fixture import Solid, load_catalogue
from siteplan.placement import load_margins
from siteplan.surgery.around import Surroundings
from siteplan.surgery.wall import UNCALIBRATED_SD_HU, wall_from_class, wall_from_findings


@pytest.fixture(scope="module")
def sample(root_folder):
    folder = root_folder / "sample_volumes" / "lower_jaw"
    case = siteplan.load_case(folder / "case.json")
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return siteplan.read_scan(case.series_path), case.case.sites[0], truth


@pytest.fixture(scope="module")
def root_folder(request):
    return request.config.rootpath


def test_the_wall_of_the_sample_is_the_cancellous_bone_that_it_was_made_of(sample):
    scan, site, truth = sample
    grey = truth["grey"]
    scale = Calibration(grey["slope"], grey["intercept"], source="truth")
    bone = measure_bone(scan, site.frame(), calibration=scale)
    wall = wall_from_findings(bone, load_catalogue().get("demo-two-piece-3.5x10"))
    spongy = (wall.depth_mm > 4) & (wall.depth_mm < 10)
    # Closed-form truth of the made patient; its texture has an SD of 110 HU over a few independent cells a layer.
    assert wall.hu[spongy].mean() == pytest.approx(truth["hu"]["cancellous"], abs=60)
    assert wall.hu[(wall.depth_mm > 0.7) & (wall.depth_mm < 1.5)].mean() > 1.5 * truth["hu"]["cancellous"]
    assert wall.cortex[0][0] == 0.0
    assert "calibrated" in wall.basis
    assert wall.hu_sd < UNCALIBRATED_SD_HU


def test_without_a_calibration_the_wall_is_marked_and_much_less_sure(sample):
    scan, site, _ = sample
    wall = wall_from_findings(measure_bone(scan, site.frame()), load_catalogue().get("demo-two-piece-3.5x10"))
    assert "guessed scale" in wall.basis
    assert wall.hu_sd == UNCALIBRATED_SD_HU


def test_a_class_alone_gives_an_even_wall():
    from siteplan.measures import Measure

    wall = wall_from_class("D4", Measure(1.0, "mm", 0.5, 1.5), 12.0)
    assert wall.depth_mm[-1] == 12.0
    # Misch CE, Contemporary Implant Dentistry: D4 from 150 to 350 HU (confirmed).
    assert 150 <= wall.hu[0] <= 350


def floor(depth_mm):
    """A flat open floor across the axis, `depth_mm` below the bone entry."""
    corners = [(x, y, depth_mm) for x in (-12.0, 12.0) for y in (-12.0, 12.0)]
    triangles = np.array([[0, 1, 2], [1, 3, 2]])
    shape = Surface(np.array(corners), triangles, np.array([0.0, 0.0, 1.0]))
    return Structure(Kind.SINUS_FLOOR, "floor", shape, uncertainty_mm=0.0)


@pytest.mark.parametrize("planned", [False, True])
@pytest.mark.parametrize("depth", [6.0, 7.9, 8.1, 9.0, 9.9, 10.1, 11.9, 12.1, 14.0])
def test_a_margin_is_broken_when_the_plane_says_so(depth, planned):
    # A pin of 10 mm above a plane: the distance is depth - 10. Margin 2 mm, or up to 2 mm behind a planned contact.
    pin = Solid(np.array([0.0, 10.0]), np.array([1.5, 1.5]))
    names = frozenset({"floor"}) if planned else frozenset()
    around = Surroundings(np.zeros(3), np.array([0.0, 0.0, 1.0]), [floor(depth)], load_margins(), names)
    spare = depth - 10.0 + (2.0 if planned else -2.0)
    assert bool(around.speaks_against(pin)) == (spare < 0)
    assert around.keeps(around.fixture_clearances(pin)[0]) == (spare >= 0)
    # A drill is not granted the contact: its tip stays in front of the floor.
    drill = around.drill_clearances(pin)[0]
    assert drill.verdict.good == (depth - 10.0 >= (0.0 if planned else 2.0))
    assert drill.margin.value_mm == (0.0 if planned else 2.0)
