"""Chance between two fixtures that are both placed by hand, against closed forms."""

import numpy as np
import pytest
from scipy.stats import norm, rice

from siteplan.fixture import Pose, Solid
from siteplan.placement import fixture_to_fixture_risk, load_margins
from siteplan.placement.hand import Hand

DOWN = np.array([0.0, 0.0, -1.0])
BODY = Solid(np.array([0.0, 10.0]), np.array([2.0, 2.0]))
MARGINS = load_margins()


def beside(distance_mm: float) -> tuple[Pose, Pose]:
    return Pose(np.zeros(3), DOWN), Pose(np.array([distance_mm, 0.0, 0.0]), DOWN)


def test_two_upright_cylinders_and_hands_that_only_shift() -> None:
    """The distance of two axes that both shift by normals is Rice distributed with both variances (any table)."""
    sd = 0.8
    one, other = beside(8.0)
    risk = fixture_to_fixture_risk(BODY, one, BODY, other, MARGINS, Hand("free", sd, 0.0, "invented"), samples=3000)
    both = sd * np.sqrt(2)
    for chance, gap in ((risk.touch, 0.0), (risk.breach, risk.margin_mm)):
        assert chance.value == pytest.approx(rice(8.0 / both, scale=both).cdf(4.0 + gap), abs=0.02)
        assert chance.low <= chance.value <= chance.high


def test_two_hands_that_only_tilt() -> None:
    """Both tips move towards each other by 10 sin t; of a small tilt the difference of two normals is normal."""
    sd = 2.0
    one, other = beside(7.5)
    risk = fixture_to_fixture_risk(BODY, one, BODY, other, MARGINS, Hand("free", 0.0, sd, "invented"), samples=3000)
    # Of two tilts a and b in one plane the tips come 10 (a + b) nearer; apart from the least distance at the platforms
    # (3.5 mm, never below the margin by more than the tilt of the rims) the tips decide.
    nearer = 10 * np.radians(sd) * np.sqrt(2)
    assert risk.breach.value == pytest.approx(norm.sf(0.5 / nearer), abs=0.08)


def test_it_is_the_same_from_the_other_side() -> None:
    one, other = beside(7.0)
    hand = Hand("free", 1.0, 5.0, "invented")
    slim = Solid(np.array([0.0, 8.0]), np.array([1.5, 1.0]))
    there = fixture_to_fixture_risk(BODY, one, slim, other, MARGINS, hand)
    back = fixture_to_fixture_risk(slim, other, BODY, one, MARGINS, hand)
    assert there.breach.value == pytest.approx(back.breach.value, abs=0.06)
