"""What an unsteady hand does to a traced canal, and the mental foramen, metal and the nose, on scans of known shape."""

import json
from dataclasses import replace

import numpy as np
import pytest

from siteplan.anatomy.canal import trace_canal
from siteplan.anatomy.foramen import find_foramen
from siteplan.anatomy.metal import trace_metal
from siteplan.anatomy.root import trace_root
from siteplan.anatomy.sinus import sinus_floor
from siteplan.anatomy.structure import Kind, MadeBy, Structure, Surface, Tube
from siteplan.errors import GeometryError
from siteplan.fixture.solid import Pose, Solid
from siteplan.placement.clearances import distances
from siteplan.placement.profile import Poses
from tests.validation.structures_cases import Case, draw_case
from tests.validation.structures_measure import Course
from tests.validation.structures_scan import scan_of

MEAN_MM, WORST_MM = 0.4, 1.0
"""What a traced canal must reach."""

FLOOR_MM = 0.25
"""What a sinus floor over the site must reach."""


def case_of(regime: str, seed: int, voxel_mm: float | None = None) -> Case:
    return draw_case(regime, np.random.default_rng([7, seed]), voxel_mm=voxel_mm)


@pytest.fixture(scope="module")
def lower() -> Case:
    return case_of("lower coarse, wall with gaps", 1)


@pytest.fixture(scope="module")
def upper() -> Case:
    return case_of("upper fine", 1, 0.3)


@pytest.fixture(scope="module")
def leaving() -> Case:
    return case_of("foramen coarse", 0)


@pytest.mark.parametrize("off_mm", [1.0, 2.5])
def test_clicks_beside_the_canal_still_find_it(lower: Case, off_mm: float) -> None:
    course = Course(lower)
    canal = trace_canal(lower.scan, course.clicks(np.random.default_rng(4), off_mm))
    away, _, _ = course.errors(canal)
    assert away.mean() < MEAN_MM
    assert away.max() < WORST_MM


def test_clicks_far_from_any_canal_are_not_believed(lower: Case) -> None:
    """Two clicks in plain marrow 6 mm above the canal: the line between them shows no lumen and says so."""
    course = Course(lower)
    up = lower.scene.place.rotation[:, 2]
    ends = course.line[[60, -60]] + 6.0 * up
    canal = trace_canal(lower.scan, ends)
    assert canal.confidence is not None
    away, _, _ = course.errors(canal)
    assert np.mean((canal.confidence >= 0.5) & (away > 2.0)) < 0.1
    assert "No lumen can be told" in canal.note


def test_foramen_and_loop_of_a_leaving_canal(leaving: Case) -> None:
    course, truth = Course(leaving), leaving.scene.canal
    assert truth is not None
    assert truth.foramen_suw is not None
    assert truth.loop_mm is not None
    canal = trace_canal(leaving.scan, course.clicks(np.random.default_rng(1)))
    found = find_foramen(leaving.scan, canal)
    assert isinstance(found.structure.shape, Tube)
    away = found.structure.shape.points_lps_mm[0] - leaving.scene.to_lps(truth.foramen_suw)
    assert np.linalg.norm(away) < 1.96 * found.structure.uncertainty_mm
    assert found.structure.kind is Kind.MENTAL_FORAMEN
    assert found.structure.made_by is MadeBy.FOUND
    assert found.confidence > 0.8
    assert found.loop is not None
    assert found.loop.low is not None
    assert found.loop.high is not None
    assert found.loop.low <= truth.loop_mm <= found.loop.high


def test_no_foramen_where_the_plate_is_closed(lower: Case) -> None:
    canal = trace_canal(lower.scan, Course(lower).clicks(np.random.default_rng(1)))
    with pytest.raises(GeometryError, match="no opening of the plate"):
        find_foramen(lower.scan, canal)


def test_no_foramen_of_a_canal_that_is_not_seen(leaving: Case) -> None:
    canal = trace_canal(leaving.scan, Course(leaving).clicks(np.random.default_rng(1)))
    assert canal.confidence is not None
    unseen = replace(canal, confidence=np.zeros(len(canal.confidence)))
    with pytest.raises(GeometryError, match="not seen near its front"):
        find_foramen(leaving.scan, unseen)


def test_foramen_needs_a_traced_canal(lower: Case) -> None:
    ball = Structure(Kind.CANAL, "canal", Tube(np.zeros((1, 3)), np.ones(1)))
    with pytest.raises(GeometryError, match="traced canal of several points"):
        find_foramen(lower.scan, ball)


def test_trace_foramen_prints_both_structures(
    leaving: Case, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import argparse

    from siteplan.case.model import StructureEntry
    from siteplan.commands import trace

    monkeypatch.setattr("siteplan.scan.read_scan", lambda *args, **kwargs: leaving.scan)
    parser = argparse.ArgumentParser()
    trace.add_parser(parser.add_subparsers())
    clicks = Course(leaving).clicks(np.random.default_rng(1))
    words = [f"--through={','.join(str(x) for x in p)}" for p in clicks]
    args = parser.parse_args(["trace", "anything", "foramen", *words, "--json"])
    assert args.run(args) == 0
    found = json.loads(capsys.readouterr().out)
    kinds = [StructureEntry.model_validate(s).kind for s in found["structures"]]
    assert kinds == [Kind.CANAL, Kind.MENTAL_FORAMEN]
    assert found["anterior_loop"]["unit"] == "mm"


@pytest.fixture(scope="module")
def with_metal() -> Case:
    """A fixture of titanium, 4 mm by 10 mm, in the ridge; its grey is cut off at the scale's end."""
    made = case_of("lower coarse", 2)
    scene = replace(made.scene, roots=())
    crest = scene.to_lps(np.array([-2.0, 0.0, scene.place.jaw.half_height - 0.5]))
    axis = -scene.place.rotation[:, 2] + 0.1 * scene.place.rotation[:, 1]
    axis /= np.linalg.norm(axis)
    scene = replace(scene, metal=(crest, axis, 2.0, 10.0))
    low = made.scan.index_to_lps([0, 0, 0])
    high = made.scan.index_to_lps([n - 1 for n in made.scan.shape])
    scan = scan_of(scene, made.scanner, low, high, np.random.default_rng(0))
    return Case("metal", scan, scene, made.scanner)


def test_metal_holds_the_whole_fixture(with_metal: Case) -> None:
    """The tube holds the true cylinder and is at most a voxel and the blur wider, so distances to it err short."""
    assert with_metal.scene.metal is not None
    platform, axis, radius, length = with_metal.scene.metal
    found = trace_metal(with_metal.scan, platform + 4.0 * axis + np.array([0.5, -0.5, 0.0]))
    assert isinstance(found.shape, Tube)
    assert found.kind is Kind.EXISTING_FIXTURE
    line = found.shape.points_lps_mm
    away = line[len(line) // 4 : -len(line) // 4] - platform
    off = np.linalg.norm(away - (away @ axis)[:, None] * axis, axis=1)
    assert off.max() < 0.3
    # A probe beside it, 3 mm away in truth.
    across = np.cross(axis, [1.0, 0.0, 0.0])
    across /= np.linalg.norm(across)
    probe = Solid(np.array([0.0, 6.0]), np.array([1.0, 1.0]))
    pose = Pose(platform + 2.0 * axis + (radius + 3.0 + 1.0) * across, axis)
    distance = float(distances(probe, Poses.of(pose), found.shape).value[0])
    blur = with_metal.scanner.blur_mm
    assert 3.0 - with_metal.scanner.voxel_mm - 2.0 * blur <= distance <= 3.0 + 1.96 * found.uncertainty_mm
    ends = (line[[0, -1]] - platform) @ axis
    assert min(ends) - found.shape.radius_mm.max() < 0.0
    assert max(ends) + found.shape.radius_mm.max() > length


def test_metal_is_not_bone(lower: Case) -> None:
    crest = lower.scene.to_lps(np.array([0.0, 0.0, lower.scene.place.jaw.half_height - 1.0]))
    with pytest.raises(GeometryError, match="no metal lies within"):
        trace_metal(lower.scan, crest)


def test_floor_of_the_nose_and_a_root_that_touches_the_plate() -> None:
    """The same cavity taken for a nose: kind, name and place; and a wide root beside thin plates, within 0.4 mm."""
    case = case_of("upper fine", 0, 0.35)
    cavity = case.scene.cavity
    assert cavity is not None
    up = case.scene.place.rotation[:, 2]
    floor = sinus_floor(case.scan, cavity.lowest() - 2.0 * up, kind=Kind.NASAL_FLOOR, up=up)
    assert floor.structure.kind is Kind.NASAL_FLOOR
    assert floor.structure.name == "floor of the nasal cavity"
    assert isinstance(floor.structure.shape, Surface)
    points = floor.structure.shape.points_lps_mm
    beside = points - cavity.lowest()
    over = np.linalg.norm(beside - (beside @ up)[:, None] * up, axis=1) < 5.0
    assert np.abs(cavity.signed_mm(points[over])).max() < 0.25
    true = case.scene.roots[0]
    root = trace_root(case.scan, 0.5 * (true.base + true.tip))
    assert isinstance(root.structure.shape, Surface)
    surface = root.structure.shape.points_lps_mm
    inside = case.scene.place.jaw.outer(*case.scene.place.to_jaw(surface)) < 1
    assert np.abs(true.signed_mm(surface[inside])).max() < 0.4


@pytest.fixture(scope="module")
def grown_in() -> Case:
    return draw_case("lower faint", np.random.default_rng([sum(map(ord, "lower faint")), 0]), voxel_mm=0.3)


@pytest.mark.parametrize("aside_mm", [0.0, 0.0001, -0.05, 0.2])
def test_a_root_grown_into_the_plate_is_not_lost_to_it(grown_in: Case, aside_mm: float) -> None:
    """A short root whose side touches the plate and whose top is closed in by the crest: its axis within 8 degrees.

    No hair's breadth of the click decides which of its ends is the tip.
    """
    case, true = grown_in, grown_in.scene.roots[0]
    root = trace_root(case.scan, 0.5 * (true.base + true.tip) + aside_mm)
    axis, real = root.apex_lps_mm - root.coronal_lps_mm, true.tip - true.base
    assert np.degrees(np.arccos(axis @ real / np.linalg.norm(axis) / np.linalg.norm(real))) < 8.0
    assert np.linalg.norm(axis) == pytest.approx(np.linalg.norm(real), abs=1.5)


@pytest.mark.parametrize("rise_mm", [-12.0, -5.0, 0.4, 3.0, 14.0])
def test_a_click_from_the_gum_to_the_cavity_s_roof_means_its_floor(upper: Case, rise_mm: float) -> None:
    """Heights over the true floor, against the ellipsoid that the cavity is made of; the mouth's air lies below."""
    cavity = upper.scene.cavity
    assert cavity is not None
    up = upper.scene.place.rotation[:, 2]
    floor = sinus_floor(upper.scan, cavity.lowest() + rise_mm * up, up=up).structure
    assert isinstance(floor.shape, Surface)
    beside = floor.shape.points_lps_mm - cavity.lowest()
    over = np.linalg.norm(beside - (beside @ up)[:, None] * up, axis=1) < 5.0
    assert over.sum() > 50
    assert np.abs(cavity.signed_mm(floor.shape.points_lps_mm[over])).max() < FLOOR_MM
