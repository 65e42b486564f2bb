"""Chance of leaving too little bone, against closed forms on a synthetic ridge."""

from dataclasses import replace
from math import erf, sqrt

import numpy as np
import pytest

from siteplan.fixture import Pose, Solid
from siteplan.frame import SiteFrame
from siteplan.measures import Measure
from siteplan.placement import load_margins
from siteplan.placement.clearances import Clearance
from siteplan.placement.hand import Hand
from siteplan.placement.hand_cover import cover_risks
from siteplan.placement.ridge import Ridge
from siteplan.placement.verdict import Verdict

FRAME = SiteFrame(np.zeros(3), np.array([0, 0, -1.0]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
DEPTH = np.arange(-3, 25, 0.25)
DISTAL = np.arange(-4.0, 4.5, 1.0)
BODY = Solid(np.array([0.0, 10.0]), np.array([2.0, 2.0]))
POSE = Pose(np.zeros(3), FRAME.axis)
SHIFTED = Hand("free", 0.4, 0.0, "invented for this test")
MARGINS = load_margins()


def walls(buccal_mm: float, lingual_mm: float, sd_mm: float = 0.0) -> Ridge:
    shape = (len(DEPTH), len(DISTAL))
    return Ridge(FRAME, DEPTH, DISTAL, np.full(shape, buccal_mm), np.full(shape, -lingual_mm), sd_mm)


def found(kind: str, name: str, depth_mm: float | None = None) -> Clearance:
    measure = Measure(1.0, "mm", 0.9, 1.1, depth_mm=depth_mm)
    return Clearance(name, kind, measure, np.zeros(3), MARGINS.of(kind), Verdict.KEEPS)


BUCCAL = found("buccal-bone", "buccal bone, from 1 mm below the crest")
LINGUAL = found("lingual-bone", "lingual bone, from 1 mm below the crest")


def below(value: float, mean: float, sd: float) -> float:
    """Normal distribution function (any table)."""
    return 0.5 * (1 + erf((value - mean) / (sd * sqrt(2))))


@pytest.mark.parametrize("sd_mm", [0.0, 0.3])
def test_upright_walls_and_a_hand_that_only_shifts(sd_mm: float) -> None:
    # Cover = wall - radius -/+ shift; shift and wall are normal, so the chance is a normal tail.
    ridge = walls(4.2, 3.6, sd_mm)
    buccal, lingual = cover_risks(ridge, BODY, POSE, [BUCCAL, LINGUAL], SHIFTED, samples=8000)
    spread = float(np.hypot(0.4, sd_mm))
    for risk, cover in ((buccal, 2.2), (lingual, 1.6)):
        assert risk.breach.value == pytest.approx(below(risk.margin_mm, cover, spread), abs=0.01)
        assert risk.touch.value == pytest.approx(below(0.0, cover, spread), abs=0.01)
        assert risk.breach.low <= risk.breach.value <= risk.breach.high


def test_tilt_matters_at_the_apex() -> None:
    # A tilt t about the distal axis moves the apex 10 sin t towards the wall: cover is (4.2 - 10 sin t) / cos t - 2.
    tilting = Hand("free", 0.0, 3.0, "invented for this test")
    (risk,) = cover_risks(walls(4.2, 9.0), BODY, POSE, [BUCCAL], tilting, samples=8000)
    margin = MARGINS.of("buccal-bone").value_mm
    sin = (4.2 - 2.0 - margin) / 10.0  # first guess, then two rounds for the cosine
    for _ in range(3):
        sin = (4.2 - (2.0 + margin) * sqrt(1 - sin * sin)) / 10.0
    expected = 1 - below(np.degrees(np.arcsin(sin)), 0.0, 3.0)
    assert risk.breach.value == pytest.approx(expected, abs=0.01)


def test_a_level_that_the_body_has_left_is_not_broken() -> None:
    # At 0.1 mm depth a body that is pushed in by more than that is not there any more; nothing is wrong then.
    ridge = walls(9.0, 9.0)
    level = found("buccal-bone", "buccal bone, 0.1 mm below the crest", 0.1)
    (risk,) = cover_risks(ridge, BODY, POSE, [level], SHIFTED, samples=2000)
    assert risk.breach.value == 0


def test_no_surface_beside_the_body_counts_as_outside() -> None:
    empty = replace(walls(9.0, 9.0), buccal_mm=np.full((len(DEPTH), len(DISTAL)), np.nan))
    (risk,) = cover_risks(empty, BODY, POSE, [BUCCAL], SHIFTED, samples=200)
    assert risk.touch.value == 1


def test_what_was_not_measured_has_no_chance() -> None:
    from siteplan.flags import Flag

    gone = replace(BUCCAL, distance=Measure.absent("mm", Flag.BEYOND_BONE))
    assert cover_risks(walls(9.0, 9.0), BODY, POSE, [gone], SHIFTED) == ()


def chances(
    ridge: Ridge, depths_mm: list[float], hand: Hand, kind: str = "buccal-bone"
) -> dict[str, tuple[float, float]]:
    """Touch and breach by name, for ranges from 1, 2 and 3 mm and for levels."""
    ranges = [found(kind, f"{kind}, from {start} mm below the crest") for start in (1, 2, 3)]
    levels = [found(kind, f"{kind}, {depth:g} mm below the crest", depth) for depth in depths_mm]
    risks = cover_risks(ridge, BODY, POSE, [*ranges, *levels], hand, samples=1000)
    return {risk.structure: (risk.touch.value, risk.breach.value) for risk in risks}


WAVERING = Hand("free", 1.06, 7.0, "invented for this test")


@pytest.mark.parametrize("gap", [None, (6.0, 6.5), (9.5, 25.0)])
@pytest.mark.parametrize("kind", ["buccal-bone", "lingual-bone"])
def test_a_range_is_never_safer_than_a_depth_within_it(kind: str, gap: tuple[float, float] | None) -> None:
    """The body leaves at the range whenever it leaves at a depth of it: one event holds the other (set inclusion)."""
    ridge = walls(4.4, 4.0, 0.1)
    if gap is not None:
        missing = np.abs(DEPTH - 0.5 * sum(gap)) <= 0.5 * (gap[1] - gap[0])
        sheet = "buccal_mm" if kind == "buccal-bone" else "lingual_mm"
        holed = getattr(ridge, sheet).copy()
        holed[missing] = np.nan
        ridge = replace(ridge, **{sheet: holed})
    told = chances(ridge, [3.0, 5.0, 6.25, 8.0, 9.75], WAVERING, kind)
    for start in (1, 2, 3):
        whole = told[f"{kind}, from {start} mm below the crest"]
        for name, single in told.items():
            if "from" not in name:
                assert whole[0] >= single[0], (start, name)
                assert whole[1] >= single[1], (start, name)
    assert told[f"{kind}, from 1 mm below the crest"] >= told[f"{kind}, from 2 mm below the crest"]
    if gap is not None:
        # Missing on one side only: the body lies beside no surface there in most draws.
        assert told[f"{kind}, from 1 mm below the crest"][0] > 0.5


def test_the_far_end_of_the_bone_is_no_lost_plate() -> None:
    # Both walls end at 10.25 mm, 7 mm beside the axis: a tilted plane that passes below that end is no touch.
    ridge = walls(7.0, 7.0)
    ended = {
        side: np.where(DEPTH[:, None] > 10.25, np.nan, getattr(ridge, side)) for side in ("buccal_mm", "lingual_mm")
    }
    told = chances(replace(ridge, **ended), [9.9], WAVERING)
    assert told["buccal-bone, 9.9 mm below the crest"][0] == pytest.approx(0.0, abs=0.005)
