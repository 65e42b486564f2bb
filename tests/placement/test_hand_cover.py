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
