"""A whole jaw of eight sites proposed together, against the shapes that it was made of."""

from dataclasses import replace

import numpy as np
import pytest

from siteplan.commands.propose import jaw_lines
from siteplan.fixture import load_catalogue
from siteplan.placement import load_margins
from siteplan.placement.hand import hands, risk
from siteplan.placement.merit import Weights
from siteplan.placement.proposal import judged, propose
from siteplan.placement.reasons import beside_others
from siteplan.placement.rules import COMMON_WAY
from siteplan.placement.search import search
from siteplan.placement.together import Together, propose_together
from siteplan.placement.trial import Place, Reach
from tests.validation.structures_proposals import WholeJaw, against_random, check, places_of, whole_jaw

TEETH = (46, 44, 43, 41, 31, 33, 34, 36)
FEW = (
    "demo-compressive-3.0x8",
    "demo-compressive-3.5x8",
    "demo-two-piece-3.5x8",
    "demo-basal-3.6x12",
    "demo-compressive-4.0x10",
)


@pytest.fixture(scope="module")
def jaw() -> WholeJaw:
    return whole_jaw(41, TEETH, voxel_mm=0.5)  # wide enough for the fixtures below at every site


@pytest.fixture(scope="module")
def places(jaw: WholeJaw) -> dict[int, Place]:
    return places_of(jaw)


@pytest.fixture(scope="module")
def answer(places: dict[int, Place]) -> Together:
    return propose_together(
        places, [load_catalogue().get(name) for name in FEW if name in load_catalogue().names], load_margins(), most=3
    )


def test_no_chosen_place_breaks_a_margin_against_the_truth(
    jaw: WholeJaw, places: dict[int, Place], answer: Together
) -> None:
    """Bone on both sides and distance to the canal from the closed shapes, within the stated doubt."""
    assert answer.jaw is not None
    assert list(answer.jaw.chosen) == list(TEETH)
    for tooth, what, spare, doubt in check(jaw, answer, places):
        assert spare >= -doubt, f"{tooth} {what}"


def test_the_row_keeps_apart_and_goes_in_together(answer: Together) -> None:
    """3.0 mm between fixtures: Tarnow DP et al., 2000, J Periodontol 71:546-549; the cone by hand below."""
    assert answer.jaw is not None
    assert all(c.distance.value >= 3.0 for c in answer.jaw.spacing)
    axes = np.array([p.candidate.pose.axis for p in answer.jaw.chosen.values()])
    widest = np.degrees(np.arccos(np.clip(axes @ axes.T, -1, 1))).max()
    # A cone is at least half as wide as its widest pair and, in space, at most pair / sqrt(3) (Jung's theorem).
    assert widest / 2 - 1e-6 <= answer.jaw.way_in.half_angle_deg <= widest / np.sqrt(3) + 0.01
    assert answer.jaw.way_in.half_angle_deg <= 5.0
    assert answer.jaw.spread is not None
    assert answer.jaw.spread.spread_mm > 5.0
    assert not answer.short
    assert set(answer.why) == set(TEETH)


def test_a_random_search_finds_nothing_better(places: dict[int, Place]) -> None:
    fixtures = [load_catalogue().get("demo-compressive-3.5x8"), load_catalogue().get("demo-two-piece-3.5x8")]
    for tooth in (44, 33):
        found = propose(places[tooth], fixtures)
        mine, by_chance = against_random(places[tooth], found, fixtures, 2_000, 5)
        assert mine[0] >= by_chance[0]
        assert mine[1] >= by_chance[1]


def test_what_clashes_is_searched_again(places: dict[int, Place]) -> None:
    """Two sites that lean apart by 16 degrees: each alone follows its neighbours, together they are parallel."""
    fixture = [load_catalogue().get("demo-compressive-3.0x8")]
    pair = {}
    for tooth, lean in ((41, -8.0), (31, 8.0)):
        place = places[tooth]
        frame = place.bone.frame
        turned = Reach(tilt_deg=15.0)
        axis = frame.axis + np.tan(np.radians(lean)) * frame.buccal
        pair[tooth] = replace(place, reach=turned, neighbour_axes=(axis / np.linalg.norm(axis))[None, :])
    answer = propose_together(pair, fixture, load_margins(), most=1, limit_deg=4.0)
    assert answer.jaw is not None
    assert not answer.jaw.way_in.out
    assert answer.jaw.way_in.half_angle_deg <= 2.0


def test_an_axis_keeps_within_the_common_path(places: dict[int, Place]) -> None:
    place = places[41]
    frame = place.bone.frame
    leaning = frame.axis + np.tan(np.radians(9.0)) * frame.distal
    leaning /= np.linalg.norm(leaning)
    fixture = load_catalogue().get("demo-compressive-3.0x8")
    (found,) = search(replace(place, way_in=(leaning, 3.0)), [fixture], Weights())
    assert found.fits
    assert np.degrees(np.arccos(found.pose.axis @ leaning)) <= 3.0 + 1e-6
    impossible = replace(place, way_in=(frame.buccal, 3.0))
    (lacking,) = search(impossible, [fixture], Weights())
    assert not lacking.fits
    assert lacking.names[lacking.tightest] == COMMON_WAY
    assert "degrees out of the common path" in propose(impossible, [fixture]).short[0]


def test_reasons_name_what_differs_with_both_numbers(places: dict[int, Place]) -> None:
    fixtures = [load_catalogue().get(n) for n in ("demo-compressive-3.0x6", "demo-compressive-3.0x8")]
    good = [judged(places[33], c, Weights()) for c in search(places[33], fixtures, Weights()) if c.fits]
    assert len(good) == 2
    longer = next(j for j in good if j.candidate.fixture.length_mm == 8.0)
    shorter = next(j for j in good if j.candidate.fixture.length_mm == 6.0)
    (said,) = beside_others(places[33], good[0], 0, good, Weights())
    assert said.startswith("Ranks ")
    assert "before" in said
    # Frustum areas of a body grow with its length, so the longer one has the larger side; its words say so.
    mine = beside_others(places[33], longer, 0, [longer, shorter], Weights())[0]
    assert "a larger side in the bone (" in mine.split("Against it")[0]
    assert "mm2, against" in mine


def test_the_hand_counts_each_draw_once_and_a_guide_steadies(places: dict[int, Place]) -> None:
    """The chance of any of several events lies between the greatest of theirs and their sum (Frechet 1935); for one
    structure it is what `hand.risk` says, which `test_hand.py` holds to closed forms."""
    place = places[44]
    (found,) = search(place, [load_catalogue().get("demo-compressive-3.0x6")], Weights())
    assert found.fits
    told = {
        name: judged(replace(place, hand=hands()[name]), found, Weights()).steady for name in ("free", "static-guide")
    }
    for steady in told.values():
        assert max(steady.each.values()) <= steady.broken.value <= min(1.0, sum(steady.each.values()))
    assert set(told["free"].each) == {"canal left", "canal right", "buccal bone", "lingual bone"}
    assert told["static-guide"].broken.value < told["free"].broken.value
    for canal in place.structures:
        alone = risk(
            found.fixture.body,
            found.pose,
            canal,
            place.margins,
            place.hand,
            scan_sd_mm=place.scan_sd_mm,
            samples=told["free"].broken.samples,
        )
        assert told["free"].each[canal.name] == pytest.approx(alone.breach.value, abs=1e-4)


def test_a_steadier_place_goes_before_one_that_is_hardly_better_otherwise(places: dict[int, Place]) -> None:
    """Six weights that sum to one, and the order is by the whole sum, not by the five marks without the hand."""
    fixtures = [load_catalogue().get(n) for n in ("demo-compressive-3.0x8", "demo-compressive-3.5x8", FEW[2])]
    found = propose(places[41], fixtures)
    values = [sum(mark * weight for mark, weight in p.criteria.values()) for p in found.ranked]
    assert values == sorted(values, reverse=True)
    for p, value in zip(found.ranked, values, strict=True):
        assert p.value == pytest.approx(value)
        assert sum(weight for _, weight in p.criteria.values()) == pytest.approx(1.0)
        assert p.criteria["hand"][0] == pytest.approx(1.0 - p.steady.broken.value)
        assert any("With a free hand, " in said and " margin" in said for said in p.why)


def test_a_single_site_is_no_jaw(places: dict[int, Place]) -> None:
    fixture = [load_catalogue().get("demo-compressive-3.0x8")]
    answer = propose_together({41: places[41]}, fixture, load_margins())
    assert answer.jaw is None
    assert "Fewer than two sites" in answer.short[0]
    assert answer.sites[41].ranked
    told = jaw_lines("lower", answer)
    assert told[0] == "lower jaw: 1 site"
    assert any(line.startswith("1. demo-compressive-3.0x8") for line in told)


def test_each_chosen_place_is_told_with_what_is_tightest_and_what_the_hand_may_do(answer: Together) -> None:
    told = jaw_lines("lower", answer)
    for tooth in TEETH:
        start = next(n for n, line in enumerate(told) if line.startswith(f"tooth {tooth}: "))
        said = " ".join(told[start : start + 7])
        assert "Tightest at " in said
        assert "With a free hand, " in said
    assert any("it is no chance of success" in line for line in told)
    # The canals of this jaw stop short of its front: said of those teeth, not of "this site".
    assert any(line.startswith("tooth ") and "is not drawn beside this site" in line for line in told)
    assert not any(line.startswith("canal ") for line in told)
