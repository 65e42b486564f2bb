"""Sites that plain jaws do not have: the truth is the shape's own, read along lines and by scipy's convex hull."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from siteplan.bone import Calibration, below, measure_bone
from siteplan.bone.shell_surface import Shell
from siteplan.flags import Flag
from siteplan.frame import site_frame
from tests.validation.harder import draw_harder
from tests.validation.jaw import LEVELS, Jaw, Placing, site_truth
from tests.validation.scanner import Scanner, scan_of
from tests.validation.undercut_truth import undercuts_of

DOWN, BUCCAL = np.array([0.0, 0.0, -1.0]), np.array([1.0, 0.0, 0.0])


def test_an_axis_that_leaves_through_an_undercut_is_called_out():
    # A lingual hollow of 4 mm, 8 mm below the crest, and an axis 1.7 mm lingual of the middle of the ridge.
    rng = np.random.default_rng(5)
    place = Placing(np.eye(3), np.array([30.0, -20.0, 0.0]), Jaw(hollow=4.0, hollow_depth=8.0, wave=0.0), 1.0)
    point = place.centre + np.array([-1.7, 0.0, place.jaw.half_height + 1.0])
    truth = site_truth(place, point, DOWN, BUCCAL, rng)
    corners = np.array([[x, y, z] for x in (-12.5, 12.5) for y in (-4.0, 4.0) for z in (-24.0, 5.5)]) + truth.crest
    scan = scan_of(place, Scanner(0.25, 0.12, 50), corners.min(0), corners.max(0), rng)
    bone = measure_bone(scan, site_frame(truth.crest, DOWN, BUCCAL))
    _, true = undercuts_of(truth.edges)
    (found,) = bone.undercuts
    assert (found.side, true.side) == ("lingual", "lingual")
    assert found.depth.value == pytest.approx(true.depth, abs=0.15)
    assert found.position.value == pytest.approx(true.position, abs=0.5)
    assert found.angle.value == pytest.approx(true.angle, abs=5)
    leaves = found.path_leaves_bone_at
    assert leaves.value is not None
    assert leaves.low <= true.leaves <= leaves.high
    # Where the axis is outside, there is no width, and no plate to rely on.
    outside = [k for k, depth in enumerate(LEVELS) if depth not in truth.width]
    assert outside
    assert all(bone.ridge_width[k].value is None for k in outside)


@pytest.mark.parametrize("number", [12007, 12010])
def test_plates_beside_a_hollow_are_no_less_exact_than_elsewhere(number: int):
    # Along the normals of a hollow outline thickness changes within a millimetre; knots too far apart for that bent
    # both surfaces by turns, up to 0.12 mm at these lines. 0.06 mm is the bar for plates in fine scans.
    case = draw_harder("undercut", "fine", np.random.default_rng([104, number]))
    levels = measure_bone(case.scan, case.frame, levels_mm=LEVELS).levels
    for true, found, most in (
        (case.truth.width, levels.ridge_width, 0.03),
        (case.truth.buccal_plate, levels.buccal_plate, 0.06),
        (case.truth.lingual_plate, levels.lingual_plate, 0.06),
    ):
        told = [(true.get(m.depth_mm), m.value) for m in found if m.value is not None]
        assert len(told) >= 4
        assert max(abs(value - at) for at, value in told if at is not None) < most


def test_a_floor_is_found_where_the_scan_ends_just_above_the_crest_and_missing_it_leaves_no_mean_of_air(monkeypatch):
    # The field ends 5 mm beyond the crest; what the shape says of floor, height and spongy bone holds all the same.
    case = draw_harder("sinus", "coarse", np.random.default_rng([109, 14001]))
    scale = Calibration(case.scanner.slope, case.scanner.intercept)
    bone = measure_bone(case.scan, case.frame, levels_mm=LEVELS, calibration=scale)
    truth = case.truth
    for found, true in (
        (bone.available_height, truth.sinus_plate),
        (bone.second_cortex, truth.sinus_cavity - truth.sinus_plate),
        (bone.trabecular_hu, truth.trabecular_hu),
    ):
        assert found.value is not None
        assert found.low <= true <= found.high
    # A floor that is not told: no number of bone is made of the air above it, 100 HU in the place of 290.
    monkeypatch.setattr(below, "find_layers", lambda *_: [])
    blind = measure_bone(case.scan, case.frame, levels_mm=LEVELS, calibration=scale)
    assert blind.available_height.value is None
    assert blind.trabecular_hu.value is None


@pytest.fixture(scope="module")
def gap():
    case = draw_harder("gap", "fine", np.random.default_rng(4))
    return case, measure_bone(case.scan, case.frame, levels_mm=LEVELS)


def test_a_gap_between_roots_has_its_width(gap):
    case, bone = gap
    checked = 0
    for depth, found in zip(LEVELS, bone.mesiodistal_width, strict=True):
        true = case.truth.mesiodistal[depth]
        if true is None or found.value is None:
            continue
        assert found.low <= true <= found.high
        assert abs(found.value - true) < 0.4 or found.flags
        checked += 1
    assert checked >= 2


def test_a_line_within_the_crestal_cortex_gives_no_width_along_the_arch(gap):
    case, bone = gap
    (found,) = bone.more_levels([case.truth.crestal_cortex / 2]).mesiodistal_width
    assert found.value is None
    assert found.flags == (Flag.WITHIN_CORTEX,)


@dataclass
class _Answer:
    """Stands for the fit of a line where another layer joins: a thickness and how sure it is."""

    sd_mm: float

    def thickness(self, line: object, starts_mm: list[float]) -> tuple[float, float]:
        return 1.0, self.sd_mm


def test_a_plate_that_another_layer_joins_gives_a_reason_rather_than_a_guess(gap):
    reader = gap[1].reader._reader
    fit = replace(reader.shell.fit, local_misfit=np.full_like(reader.shell.fit.local_misfit, 9.0))
    for sd_mm, told in ((0.15, True), (0.8, False)):
        doubtful = replace(reader, shell=Shell(fit), junctions=_Answer(sd_mm), apex=None)
        plate = doubtful.line(5.0).buccal
        assert plate.outer.at_mm is not None
        assert (plate.thickness.at_mm is not None) == told
        assert told or plate.thickness.flags == plate.inner.flags == (Flag.JOINED_LAYER,)


def test_bone_without_a_told_canal_never_reads_as_bone_without_one(gap):
    # A lower jaw whose far cortex may be seen: the height then says that a canal could still be there.
    _, bone = gap
    assert bone.canal_roof_depth.value is None
    assert Flag.NO_CANAL_TOLD in bone.canal_roof_depth.flags
    assert Flag.NO_CANAL_TOLD in bone.available_height.flags


def test_cortex_under_a_narrow_crest_is_not_cut_short_by_its_flanks():
    # Points at cortex thickness below both flanks fold over each other: the axis leaves cortex only beyond the fold.
    case = draw_harder("knife edge", "fine", np.random.default_rng([102, 1]))
    bone = measure_bone(case.scan, case.frame, levels_mm=LEVELS)
    assert bone.crestal_cortex.value == pytest.approx(case.truth.crestal_cortex, abs=0.15)
    assert bone.ridge_width[1].value == pytest.approx(case.truth.width[3.0], abs=0.15)
    # Blur rounds such a crest off, so that levels are counted from an entry read too deep: the interval says so.
    for depth, width in zip(LEVELS, bone.ridge_width, strict=True):
        assert width.low <= case.truth.width[depth] <= width.high
        assert width.high - width.low < 0.4
