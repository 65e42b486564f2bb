"""How far a solid has gone behind a mesh along its axis: planes and a dome by their formulas, and a brute search."""

import numpy as np
import pytest

from siteplan.anatomy.structure import Kind, Structure, Surface
from siteplan.fixture import Pose, Solid
from siteplan.placement import Verdict, clearance, load_margins
from siteplan.placement.hand import hands, risk
from siteplan.placement.profile import Poses
from siteplan.placement.travel import ANGLES_MANY, travel_behind

PIN = Solid(np.array([0.0, 10.0]), np.array([1.5, 1.5]))
UPRIGHT = Pose(np.zeros(3), np.array([0.0, 0.0, 1.0]))


def sheet(height, half_mm=12.0, steps=25) -> Surface:
    """An open mesh z = height(x, y), its forbidden side above."""
    x, y = np.meshgrid(np.linspace(-half_mm, half_mm, steps), np.linspace(-half_mm, half_mm, steps))
    points = np.stack([x.ravel(), y.ravel(), height(x, y).ravel()], axis=1)
    n = np.arange(steps * steps).reshape(steps, steps)
    a, b, c, d = n[:-1, :-1].ravel(), n[:-1, 1:].ravel(), n[1:, :-1].ravel(), n[1:, 1:].ravel()
    triangles = np.concatenate([np.stack([a, b, c], axis=1), np.stack([b, d, c], axis=1)])
    return Surface(points, triangles, np.array([0.0, 0.0, 1.0]))


@pytest.mark.parametrize("slope_deg", [0.0, 15.0, 40.0])
@pytest.mark.parametrize("depth", [3.0, 7.5, 13.0])
def test_behind_a_plane(slope_deg: float, depth: float) -> None:
    slope = np.tan(np.radians(slope_deg))
    flat = sheet(lambda x, y: depth + slope * x)
    # The rim on the low side has gone furthest: 10 - (depth - 1.5 tan), if it has passed at all (plane geometry).
    assert travel_behind(PIN, Poses.of(UPRIGHT), flat)[0] == pytest.approx(max(0.0, 10 - depth + 1.5 * slope), abs=5e-3)


def test_a_tip_that_is_near_a_side_wall_again_has_still_gone_all_the_way() -> None:
    # A steep trough along y whose floor is at z = 3 on the axis and whose walls rise by 3 mm for 1 mm beside it.
    trough = sheet(lambda x, y: 3.0 + 3.0 * abs(x), steps=49)
    thin = Solid(np.array([0.0, 10.0]), np.array([0.5, 0.5]))
    floor = Structure(Kind.SINUS_FLOOR, "floor", trough, uncertainty_mm=0.0)
    found = clearance(thin, UPRIGHT, floor, load_margins(), planned_contact=True)
    assert found.behind_mm == pytest.approx(7.0, abs=1e-6)
    # The nearest way out of the tip's middle leads sideways: 7 / sqrt(1 + 9) = 2.21 mm (plane geometry).
    assert found.distance.value == pytest.approx(-7 / np.sqrt(10), abs=0.2)
    assert found.verdict is Verdict.TOO_DEEP
    assert found.spare_mm() == pytest.approx(2.0 - 7.0, abs=1e-6)
    assert found.as_json()["behind_mm"] == 7.0


def test_against_a_dense_search_over_the_outline() -> None:
    rng = np.random.default_rng(5)
    dome = sheet(lambda x, y: 6.0 + 0.05 * x * x + 0.08 * y * y, steps=33)
    body = Solid(np.array([0.0, 7.0, 10.0]), np.array([2.0, 1.6, 0.6]))
    for _ in range(5):
        axis = np.array([*rng.normal(0, 0.15, 2), 1.0])
        pose = Pose(np.array([*rng.normal(0, 1.0, 2), 0.0]), axis / np.linalg.norm(axis))
        found = float(travel_behind(body, Poses.of(pose), dome)[0])
        # Walk back along the axis from points of the outline until the formula of the dome is in front.
        side = np.cross(pose.axis, [0.0, 1.0, 0.0])
        side /= np.linalg.norm(side)
        other = np.cross(pose.axis, side)
        worst = 0.0
        for z, r in zip(np.linspace(7, 10, 16), np.linspace(1.6, 0.6, 16), strict=True):
            turn = np.linspace(0, 2 * np.pi, 60)
            rim = pose.point(z) + r * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other)
            back = np.arange(0.0, 10.0, 0.02)[:, None, None]
            walked = rim - back * pose.axis
            behind = walked[..., 2] > 6.0 + 0.05 * walked[..., 0] ** 2 + 0.08 * walked[..., 1] ** 2
            worst = max(worst, float((behind.cumprod(axis=0).sum(axis=0) * 0.02).max()))
        # The mesh bridges the dome's curve by up to 0.13 / 2 * 0.375^2 * 2 = 0.02 mm; the walk steps by 0.02 mm.
        assert found == pytest.approx(worst, abs=0.06)
        assert float(travel_behind(body, Poses.of(pose), dome, angles=ANGLES_MANY)[0]) <= found + 1e-9


def test_the_hand_at_a_planned_contact() -> None:
    floor = Structure(Kind.SINUS_FLOOR, "floor", sheet(lambda x, y: 0 * x + 9.0), uncertainty_mm=0.0)
    hand = hands()["free"]
    found = risk(PIN, UPRIGHT, floor, load_margins(), hand, planned_contact=True)
    assert (found.contact, found.margin_mm) == (True, 2.0)
    # The tip is 1 mm behind; tilt only adds, so at least the normal deviation of the entry decides: Phi(1 / sd) and
    # 1 - Phi(1 / sd) (any table of the normal distribution).
    from scipy.stats import norm

    assert found.touch.value >= norm.cdf(1.0 / hand.entry_sd_mm) - 0.03
    assert found.breach.value >= norm.sf(1.0 / hand.entry_sd_mm) - 0.03
    assert found.breach.value < found.touch.value
    assert found.as_json()["contact"] is True


def test_a_depth_that_is_not_sure_adds_to_the_chance() -> None:
    floor = Structure(Kind.SINUS_FLOOR, "floor", sheet(lambda x, y: 0 * x + 13.0), uncertainty_mm=0.0)
    hand = hands()["static-guide"]
    sure = risk(PIN, UPRIGHT, floor, load_margins(), hand)
    unsure = risk(PIN, UPRIGHT, floor, load_margins(), hand, depth_sd_mm=1.0)
    assert unsure.breach.value > sure.breach.value
