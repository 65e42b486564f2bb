"""A canal that stops before a site, or was hardly seen there, is not called a kept margin. Lengths are closed forms."""

import numpy as np
import pytest

from siteplan.anatomy import Kind, MadeBy, Structure, Tube
from siteplan.case.surroundings import missing_structure
from siteplan.fixture import Pose, Solid
from siteplan.flags import Flag
from siteplan.measures import Measure
from siteplan.placement import Verdict, load_margins
from siteplan.placement.drawn_beside import seen_badly, stops_short_mm, to_structures

DOWN = np.array([0.0, 0.0, -1.0])
BODY = Solid(np.array([0.0, 10.0]), np.array([2.0, 2.0]))
AT = Pose(np.zeros(3), DOWN)
NOT_SEEN = Measure.absent("mm", Flag.NO_CANAL_TOLD)


def canal(*y_mm: float, depth_mm: float = 16.0, confidence: list[float] | None = None) -> Structure:
    """A straight canal along y, 16 mm below the platform."""
    points = np.array([[0.0, y, -depth_mm] for y in y_mm])
    seen = None if confidence is None else np.array(confidence)
    shape = Tube(points, np.full(len(points), 1.4))
    return Structure(Kind.CANAL, "canal", shape, "left", MadeBy.DRAWN, 0.3, seen)


def foramen(y_mm: float) -> Structure:
    point = np.array([[3.0, y_mm, -14.0]])
    return Structure(Kind.MENTAL_FORAMEN, "foramen", Tube(point, np.array([1.5])), "left")


@pytest.mark.parametrize(
    ("ys", "short"),
    [
        ((6.0, 10.0, 20.0), 6.0),  # it ends 6 mm behind the axis
        ((-20.0, -10.0, -4.0), 4.0),  # and 4 mm in front of it
        ((0.8, 10.0, 20.0), 0.0),  # within what clicks are off by
        ((-10.0, 10.0), 0.0),  # two points far apart, one on each side
        ((-20.0, 0.0, 20.0), 0.0),
        ((-0.5, 30.0), 0.0),
    ],
)
def test_how_far_a_canal_ends_before_the_body(ys: tuple[float, ...], short: float) -> None:
    found = canal(*ys)
    assert stops_short_mm(found, AT.point(0.0), AT.point(10.0), [found]) == pytest.approx(short)
    turned = canal(*ys[::-1])
    assert stops_short_mm(turned, AT.point(0.0), AT.point(10.0), [turned]) == pytest.approx(short)


@pytest.mark.parametrize(
    ("away_mm", "short"),
    [
        ((0.0, 0.0), 6.0),
        ((12.0, 0.0), 6.0),  # beside it, as a bending canal may be
        ((40.0, 0.0), 0.0),  # the canal of the other side: rows of lower molars stand about 40 to 50 mm apart (memory)
        ((0.0, 40.0), 0.0),  # that of the lower jaw, asked about at an upper site
    ],
)
def test_a_canal_of_the_other_side_or_jaw_does_not_stop_short(away_mm: tuple[float, float], short: float) -> None:
    own = canal(6.0, 10.0, 20.0)
    assert isinstance(own.shape, Tube)
    moved = Tube(own.shape.points_lps_mm - np.array([away_mm[0], 0.0, away_mm[1]]), own.shape.radius_mm)
    other = Structure(Kind.CANAL, "canal", moved, "right", MadeBy.DRAWN, 0.3)
    assert stops_short_mm(other, AT.point(0.0), AT.point(10.0), [other]) == pytest.approx(short)


def test_a_margin_to_a_loose_end_is_not_kept() -> None:
    """From the rim of the tip (y = 2, z = -10) to the end's ball of 1.4 mm at (8, -16): sqrt(72) - 1.4 = 7.09 mm."""
    short, whole = canal(8.0, 20.0), canal(-20.0, 20.0)
    (found,) = to_structures(BODY, AT, [short], load_margins())
    assert found.distance.value == pytest.approx(np.sqrt(72) - 1.4, abs=1e-3)
    assert found.verdict is Verdict.CANNOT_BE_TOLD
    assert Flag.STOPS_SHORT in found.distance.flags
    (kept,) = to_structures(BODY, AT, [whole], load_margins())
    assert kept.distance.value == pytest.approx(6.0 - 1.4, abs=1e-3)
    assert kept.verdict is Verdict.KEEPS
    assert not kept.distance.flags


def test_a_broken_margin_stays_broken() -> None:
    (found,) = to_structures(BODY, AT, [canal(3.0, 20.0, depth_mm=9.0)], load_margins())
    assert found.verdict in (Verdict.BREAKS, Verdict.TOUCHES)


def test_in_front_of_the_foramen_there_is_no_canal() -> None:
    drawn = canal(6.0, 20.0)
    assert stops_short_mm(drawn, AT.point(0.0), AT.point(10.0), [drawn, foramen(4.0)]) == 0.0
    assert stops_short_mm(drawn, AT.point(0.0), AT.point(10.0), [drawn, foramen(-20.0)]) > 0
    # A foramen at the other end explains nothing.
    assert stops_short_mm(drawn, AT.point(0.0), AT.point(10.0), [drawn, foramen(22.0)]) > 0


def test_confidence_counts_beside_the_site_alone() -> None:
    ys = tuple(float(y) for y in range(-20, 21, 2))
    start, end = AT.point(0.0), AT.point(10.0)
    faint_far = [0.1 if y > 8 else 0.9 for y in ys]
    faint_here = [0.1 if abs(y) < 3 else 0.9 for y in ys]
    assert seen_badly(canal(*ys, confidence=faint_far), start, end) is None
    assert seen_badly(canal(*ys, confidence=faint_here), start, end) == pytest.approx(0.1)
    assert seen_badly(canal(*ys), start, end) is None
    (found,) = to_structures(BODY, AT, [canal(*ys, confidence=faint_here)], load_margins())
    assert Flag.HARDLY_SEEN in found.distance.flags


@pytest.mark.parametrize(
    ("structures", "code"),
    [
        ([canal(6.0, 20.0)], "canal-stops-short"),
        ([canal(6.0, 20.0), canal(-20.0, -6.0)], "canal-stops-short"),
        ([canal(6.0, 20.0), canal(-20.0, 7.0)], ""),  # the other piece runs beside the site
        ([canal(-20.0, 20.0)], ""),
        ([canal(-20.0, 0.0, 20.0, confidence=[0.9, 0.2, 0.9])], "canal-hardly-seen"),
        ([canal(40.0, 60.0)], "no-canal-drawn"),
    ],
)
def test_it_is_said_beside_the_site(structures: list[Structure], code: str) -> None:
    found = missing_structure(36, AT.point(0.0), AT.point(10.0), structures, seen=NOT_SEEN, apex_depth_mm=10.0)
    assert [f.code for f in found] == ([code] if code else [])


@pytest.mark.parametrize(("sd_mm", "told"), [(0.3, False), (0.76, False), (0.81, True), (5.0, True)])
def test_a_structure_known_only_roughly_says_so_at_its_distance(sd_mm: float, told: bool) -> None:
    """Two answers of a trace that lie 1.6 mm apart and more, 1.96 standard deviations to each side."""
    shape = Tube(np.array([[6.0, 0.0, 0.0], [6.0, 0.0, -12.0]]), np.full(2, 1.5))
    root = Structure(Kind.ROOT, "root", shape, "left", MadeBy.FOUND, sd_mm)
    (found,) = to_structures(BODY, AT, [root], load_margins())
    assert (Flag.PLACE_IN_DOUBT in found.distance.flags) is told
