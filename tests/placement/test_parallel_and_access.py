"""Common path of insertion against brute force, spread in closed form, and access of head and drill."""

import numpy as np
import pytest

from siteplan.anatomy.structure import Cone, Kind, Structure
from siteplan.errors import GeometryError
from siteplan.fixture import Pose
from siteplan.placement.access import DrillReach, Fit, Handpiece, Opening, access, opening_remarks
from siteplan.placement.parallel import common_way_in, front_to_back, smallest_cone


def leaning(deg, towards):
    t, a = np.radians(deg), np.radians(towards)
    return np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])


def brute_half_angle(axes: np.ndarray) -> float:
    """Smallest half angle over a grid of directions that is refined around its best point."""
    centre, reach = np.mean(axes, axis=0), 0.6
    for _ in range(12):
        centre /= np.linalg.norm(centre)
        e1 = np.cross(centre, [1.0, 0.3, 0.2])
        e1 /= np.linalg.norm(e1)
        e2 = np.cross(centre, e1)
        g = np.linspace(-reach, reach, 41)
        x, y = np.meshgrid(g, g)
        tried = centre + x.reshape(-1, 1) * e1 + y.reshape(-1, 1) * e2
        tried /= np.linalg.norm(tried, axis=1, keepdims=True)
        worst = np.degrees(np.arccos(np.clip(tried @ axes.T, -1, 1))).max(axis=1)
        centre, reach = tried[worst.argmin()], reach * 0.35
    return float(worst.min())


@pytest.mark.parametrize("count", [2, 3, 5, 9])
def test_smallest_cone_against_a_search(count: int) -> None:
    rng = np.random.default_rng(count)
    for _ in range(8):
        axes = np.array([0, 0, 1.0]) + rng.normal(0, 0.25, (count, 3))
        axes /= np.linalg.norm(axes, axis=1, keepdims=True)
        direction, half = smallest_cone(axes)
        assert np.degrees(np.arccos(np.clip(axes @ direction, -1, 1))).max() == pytest.approx(half, abs=1e-5)
        assert half == pytest.approx(brute_half_angle(axes), abs=1e-3)


def test_two_axes_share_the_angle() -> None:
    _, half = smallest_cone(np.array([leaning(0, 0), leaning(14, 90)]))
    assert half == pytest.approx(7.0, abs=1e-9)


def test_axes_turned_around_are_an_error() -> None:
    with pytest.raises(GeometryError, match="turned around"):
        smallest_cone(np.array([leaning(0, 0), leaning(180, 0)]))


def test_the_one_that_is_out_is_named_with_its_excess() -> None:
    axes = np.array([leaning(2, 0), leaning(2, 120), leaning(2, 240), leaning(19, 60)])
    way = common_way_in(axes, limit_deg=10.0)
    assert way.out == (3,)
    # The other three lean 2 degrees around z; the fourth leans 19, the cone allows 5.
    assert way.beyond_deg[0] == pytest.approx(14.0, abs=1e-6)
    assert way.half_angle_deg == pytest.approx(2.0, abs=1e-6)
    assert common_way_in(axes[:3]).out == ()


def test_spread_of_a_symmetric_row() -> None:
    # Centres on a rectangle-like row: hindmost at y = 20, foremost at y = 0; distal sides 2 mm further back.
    up = np.array([0.0, 0.0, 1.0])
    places = [(-20.0, 20.0), (-12.0, 6.0), (0.0, 0.0), (12.0, 6.0), (20.0, 20.0)]
    found = front_to_back([Pose(np.array([x, y, 0.0]), up) for x, y in places], [4.0] * 5)
    assert found.spread_mm == pytest.approx(22.0)
    assert found.longest_cantilever_mm == pytest.approx(33.0)  # English 1990: 1.5 times
    with pytest.raises(GeometryError, match="three fixtures"):
        front_to_back([Pose(np.zeros(3), up)], [4.0])


HEAD = Handpiece(head_diameter_mm=9.0, head_height_mm=13.0, extender_mm=8.0)
DRILL = DrillReach("demo drill 2.0", free_length_mm=22.0, diameter_mm=2.0, depth_mm=12.0)
SITE = Pose(np.zeros(3), np.array([0.0, 0.0, 1.0]))


def crown(x: float, height: float) -> Structure:
    return Structure(Kind.CROWN, f"crown at {x}", Cone(np.array([x, 0, 0.0]), np.array([x, 0, -height]), 2.5, 2.5))


def test_head_between_crowns() -> None:
    # The head's lower face stands 22 - 12 = 10 mm above the bone: an 8 mm crown passes beneath it.
    low = access(DRILL, SITE, HEAD, [crown(5.0, 8.0)], opening=Opening(45.0))
    assert low.fit is Fit.FITS
    # Least distance is from the crown's top rim to the head's lower face, straight up: 2 mm; the drill stands 1.5 away.
    assert low.crown_gap_mm == pytest.approx(1.5, abs=1e-3)
    tall = access(DRILL, SITE, HEAD, [crown(5.5, 12.0)], opening=Opening(45.0))
    assert tall.fit is Fit.NEEDS_EXTENDER
    assert "needs the extender" in tall.why
    assert tall.opening_needed_mm == pytest.approx(13 + 22 + 8)
    stuck = access(DRILL, SITE, HEAD, [crown(5.5, 12.0)], opening=Opening(40.0))
    assert stuck.fit is Fit.DOES_NOT_FIT
    assert "43 mm of opening" in stuck.why


def test_opening_alone_can_forbid_it() -> None:
    found = access(DRILL, SITE, HEAD, [], opening=Opening(30.0))
    assert found.fit is Fit.DOES_NOT_FIT
    assert "35 mm of opening and 30 mm are there" in found.why
    assert "not checked" in access(DRILL, SITE, HEAD, []).why
    bare = Handpiece(9.0, 13.0)
    assert "no extender" in access(DRILL, SITE, bare, [crown(5.5, 12.0)], opening=Opening(60.0)).why


def test_what_was_not_looked_at_is_said_where_it_fits() -> None:
    nothing = access(DRILL, SITE, HEAD, []).why
    assert "as far as drawn (no neighbouring crown is)" in nothing
    assert "The mouth opening was not given and not checked." in nothing
    crown_only = access(DRILL, SITE, HEAD, [crown(9.0, 8.0)]).why
    assert "as far as drawn" not in crown_only
    assert "The mouth opening was not given and not checked." in crown_only
    both = access(DRILL, SITE, HEAD, [crown(9.0, 8.0)], opening=Opening(45.0)).why
    assert "not checked" not in both


def test_sizes_that_make_no_sense() -> None:
    with pytest.raises(GeometryError, match="handpiece"):
        Handpiece(0.0, 13.0)
    with pytest.raises(GeometryError, match="longer than it goes deep"):
        DrillReach("x", 10.0, 2.0, 12.0)


def test_an_opening_between_the_front_teeth_is_not_sold_as_room_at_the_site() -> None:
    # Head 13 mm and drill 22 mm need 35 mm (sum of the two lengths, tip on the bone).
    here = access(DRILL, SITE, HEAD, [], opening=Opening(40.0))
    front = access(DRILL, SITE, HEAD, [], opening=Opening(40.0, at_site=False))
    assert here.fit is front.fit is Fit.FITS
    assert here.why.endswith("it needs 35 mm of opening and 40 mm are there.")
    assert "between the front teeth. Further back there is less" in front.why
    assert front.as_json()["opening_measured"] == "between the front teeth"
    assert access(DRILL, SITE, HEAD, [], opening=Opening(34.9, at_site=False)).fit is Fit.DOES_NOT_FIT


@pytest.mark.parametrize(("opening", "says"), [(20.0, "less than"), (75.0, "more than")])
def test_an_unusual_opening_is_remarked_upon(opening: float, says: str) -> None:
    # 894 Indian adults without complaint: 36 to 70 mm (PMC3428458).
    assert says in opening_remarks(opening)[0]
    assert "36 to 70 mm" in opening_remarks(opening)[0]
    # Means of men and women there, and of 140 students (Zawawi KH et al., 2003, J Can Dent Assoc 69:737-741).
    assert [opening_remarks(usual) for usual in (51.3, 44.3, 48.8, None)] == [()] * 4
