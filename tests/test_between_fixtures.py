"""Two neighbouring fixtures, both placed by a hand that deviates: the chance stands wherever the distance stands.

Its size is held against draws and distances made here, without any of the package's own.
"""

from dataclasses import replace

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

import siteplan
from siteplan.case.store import CaseFile
from siteplan.commands._table import site_tables
from siteplan.findings import Findings, PlacedFixture
from siteplan.fixture import Pose
from siteplan.placement import Verdict
from siteplan.placement.hand import hands
from siteplan.report.document import document
from siteplan.report.identity import Identity
from siteplan.schemas import schema_of
from tests.placement._brute import surface_samples
from tests.report.made_case import CENTRE_X, CREST_Z, made_case, made_scan, site

FIXTURE = "demo-compressive-3.0x10"


def planned(*along_mm: float) -> CaseFile:
    """Fixtures in a row; teeth from 35 backwards."""
    return made_case(
        [site(35 + n, (CENTRE_X, y, CREST_Z), fixture=FIXTURE) for n, y in enumerate(along_mm)],
        [],
    )


@pytest.fixture(scope="module")
def findings() -> Findings:
    """36 is 5.2 mm behind 35 (bodies 2.2 mm apart: less than the spacing); 37 keeps it."""
    return siteplan.assess(made_scan(), planned(-6.0, -0.8, 7.0))


def moved(pose: Pose, rng: np.random.Generator, count: int) -> list[Pose]:
    """A hand of our own from the published means and spreads (Schnutenhaus S et al., 2021, Dent J 9:54): 1.62 mm
    (sd 0.87) at the entry in three directions, 8.7 degrees in two (sd as in the file)."""
    hand = hands()["free"]
    out = []
    for _ in range(count):
        tilt = np.radians(rng.normal(0, hand.angle_sd_deg, 3))
        tilt -= (tilt @ pose.axis) * pose.axis
        axis = Rotation.from_rotvec(tilt).apply(pose.axis)
        out.append(Pose(pose.platform_lps_mm + rng.normal(0, hand.entry_sd_mm, 3), axis / np.linalg.norm(axis)))
    return out


def by_brute_force(one: PlacedFixture, other: PlacedFixture, margin_mm: float, count: int = 400) -> float:
    """Share of draws in which sampled surfaces come nearer than the margin."""
    rng = np.random.default_rng(99)
    near = 0
    pairs = zip(moved(one.pose, rng, count), moved(other.pose, rng, count), strict=True)
    for a, b in pairs:
        mine = surface_samples(one.fixture.body, a, along=6, around=36)
        theirs = surface_samples(other.fixture.body, b, along=6, around=36)
        near += float(cKDTree(mine).query(theirs)[0].min()) < margin_mm
    return near / count


def test_the_published_hand_is_met() -> None:
    """Root mean square of entry and angle as published: 1.62 (0.87) mm, over three and two directions."""
    hand = hands()["free"]
    assert np.sqrt(3) * hand.entry_sd_mm == pytest.approx(np.hypot(1.62, 0.87), abs=0.01)


def test_the_chance_is_that_of_draws_made_without_the_package(findings: Findings) -> None:
    for pair in (0, 2):
        found = findings.between_fixtures[pair]
        risk = findings.risk_between(found)
        assert risk is not None
        one, other = (next(s for s in findings.sites if s.entry.tooth == int(t)) for t in found.structure.split(" to "))
        assert one.placed is not None
        assert other.placed is not None
        slow = by_brute_force(one.placed, other.placed, risk.margin_mm)
        # Two shares of 1000 and 400 draws: three standard deviations of their difference.
        sd = np.sqrt(max(slow * (1 - slow), 0.01) * (1 / 1000 + 1 / 400))
        assert risk.breach.value == pytest.approx(slow, abs=3 * sd)
        assert risk.breach.low <= risk.breach.value <= risk.breach.high
        assert risk.breach.samples == 1000


def test_both_sites_and_the_pair_say_the_same(findings: Findings) -> None:
    data = findings.as_json()
    Draft202012Validator(schema_of("findings")).validate(data)
    for entry in data["between_fixtures"]:
        one, other = entry["structure"].split(" to ")
        assert {"value", "low", "high", "samples", "seed"} == set(entry["risk"]["breach"])
        for mine, its in ((one, other), (other, one)):
            placed = next(s for s in findings.sites if s.entry.tooth == int(mine)).placed
            assert placed is not None
            risk = next(r for r in placed.beside_risks if r.structure == f"fixture {its}")
            assert risk.as_json() | {"structure": entry["structure"]} == entry["risk"]


def test_a_fixture_that_meets_its_neighbour_is_not_called_well_placed(findings: Findings) -> None:
    assert findings.between_fixtures[0].verdict is Verdict.BREAKS
    chance = next(r for r in findings.between_risks if r.structure == "35 to 36").breach.value
    text = site_tables(findings)
    assert "fixture 36" in text
    assert f"{100 * chance:.0f} % chance of breaking the margin to fixture 36, where both fixtures deviate" in text
    told = document(findings, Identity.AS_GIVEN)
    for row in told["summary"][:2]:
        assert row["verdict"]["word"] == "breaks the margin"
        assert "fixture" in row["verdict"]["about"]
    first = told["between"][0]
    assert first["hand"].startswith(f"{100 * chance:.0f}")
    assert first["hand_note"] is not None
    page = told["sites"][0]["page"]
    assert any(row["name"] == "fixture 36" and row["hand"] for row in page["clearances"])
    assert any("each fixture on its own" in note for note in (str(n) for n in page["notes"]))


def test_the_card_says_it_before_any_drill_and_offers_nothing_that_breaks_it(findings: Findings) -> None:
    placed = findings.sites[0].placed
    assert placed is not None
    assert any("fixture 36" in problem.text for problem in placed.preparation.problems)


def test_a_quick_answer_knows_the_distance_and_no_chance(findings: Findings) -> None:
    from siteplan.assessment import assess_site, load_library

    case = planned(-6.0, -0.8)
    library = load_library(findings.scan, case)
    quick = assess_site(findings.scan, case.case.sites[0], library, quick=True)
    assert quick.placed is not None
    assert [c.structure for c in quick.beside] == ["fixture 36"]
    assert quick.placed.beside_risks == ()
    alone = assess_site(findings.scan, case.case.sites[0], replace(library, sites=()), quick=True)
    assert alone.beside == ()
