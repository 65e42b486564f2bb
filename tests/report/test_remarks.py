"""What is said beside a verdict: a planned contact, a roof nearer than the drawn lumen, the free hand, the rim."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from siteplan.anatomy import Surface
from siteplan.commands._table import site_tables
from siteplan.findings import Findings
from siteplan.flags import Flag
from siteplan.measures import Measure, distance_words, limits_words, rounded_outwards, safely_rounded
from siteplan.placement import Clearance, Verdict, load_margins
from siteplan.placement.verdict import contact_verdict
from siteplan.report import palette, remarks
from siteplan.report.cuts import cut_shape
from siteplan.report.document import document
from siteplan.report.identity import Identity
from siteplan.report.plane import flat_plane

FLOOR = "floor of the sinus"


def contact(value: float, *, spread: float = 0.6) -> Clearance:
    """A planned contact with the floor, `value` mm before it."""
    limit = load_margins().contact("sinus-floor")
    assert limit is not None
    said = contact_verdict(value - spread, value + spread, limit.value_mm)
    measure = Measure(value, "mm", value - spread, value + spread, "made")
    return Clearance(FLOOR, "sinus-floor", measure, None, limit, said, contact=True)


def changed(findings: Findings, **parts: Any) -> Findings:
    """The findings with the first site's fixture or bone changed."""
    first = findings.sites[0]
    assert first.placed is not None
    bone = replace(first.bone, **parts.pop("bone", {}))
    site = replace(first, bone=bone, placed=replace(first.placed, **parts))
    return replace(findings, sites=(site, *findings.sites[1:]))


def kept(findings: Findings) -> tuple[Clearance, ...]:
    """The first site's clearances, all of them as if they were kept."""
    return tuple(replace(c, verdict=Verdict.KEEPS) for c in findings.sites[0].clearances)


def test_a_planned_contact_is_the_headline_among_kept_margins(findings: Findings) -> None:
    case = changed(findings, clearances=(*kept(findings), contact(0.23)))
    row = document(case, Identity.AS_GIVEN)["summary"][0]
    assert row["tightest_about"] == f"planned contact with the {FLOOR}"
    assert row["tightest"]["value"] == "0.23\u00a0mm"
    assert row["demand"] == "may pass the floor by at most 2.0\u00a0mm"
    assert row["verdict"] == {"word": "planned contact", "shape": "diamond", "about": FLOOR}
    assert palette.PLANNED.shape not in {m.shape for m in palette.MARKS if m is not palette.PLANNED}


def test_a_planned_contact_is_named_beside_a_graver_verdict(findings: Findings) -> None:
    first, *others = kept(findings)
    case = changed(findings, clearances=(replace(first, verdict=Verdict.BREAKS), *others, contact(0.23)))
    row = document(case, Identity.AS_GIVEN)["summary"][0]
    assert row["verdict"]["word"] == "breaks the margin"
    assert any(f"planned contact with the {FLOOR}: 0.23" in line for line in row["also"])
    assert f"planned contact with the {FLOOR}: 0.23 mm (-0.37 to 0.83)" in site_tables(case)


def test_no_margin_and_nothing_to_spare_stands_beside_a_planned_contact(findings: Findings) -> None:
    case = changed(findings, clearances=(*kept(findings), contact(0.23)))
    rows = document(case, Identity.AS_GIVEN)["sites"][0]["page"]["clearances"]
    (row,) = [r for r in rows if r["name"] == FLOOR]
    assert row["room"] == ""
    assert "margin" not in row["demand"]
    table = site_tables(case)
    (line,) = [x for x in table.splitlines() if x.strip().startswith(FLOOR)]
    assert "margin" not in line
    assert "may pass the floor by at most 2.0 mm: planned contact" in line


def test_a_contact_that_goes_too_deep_says_by_how_much(findings: Findings) -> None:
    case = changed(findings, clearances=(*kept(findings), contact(-3.0)))
    page = document(case, Identity.AS_GIVEN)["sites"][0]["page"]
    (row,) = [r for r in page["clearances"] if r["name"] == FLOOR]
    assert row["verdict"] == {"word": "deeper than planned contact allows", "shape": "cross"}
    assert row["room"] == "1.00\u00a0mm too deep"


def test_the_limit_of_a_contact_lies_behind_the_floor() -> None:
    # A flat floor at z = 0, forbidden above: a margin of 2 mm lies at -2, the limit of a contact at +2.
    corners = np.array([[-9.0, -9, 0], [9, -9, 0], [9, 9, 0], [-9, 9, 0]])
    floor = Surface(corners, np.array([[0, 1, 2], [0, 2, 3]]), np.array([0.0, 0, 1]))
    plane = replace(flat_plane(np.zeros(3)), up=np.array([0.0, 0, 1]), right=np.array([1.0, 0, 0]))
    for grow, at in ((2.0, -2.0), (-2.0, 2.0)):
        points = np.concatenate(cut_shape(floor, plane, (-4, 4, -4, 4), grow))
        assert points[:, 1] == pytest.approx(at, abs=0.02)


@pytest.mark.parametrize(("left", "said"), [(0.456, "0.45\u00a0mm (0.30 to 0.61)"), (-0.5, "0.50\u00a0mm below")])
def test_a_roof_nearer_than_the_drawn_lumen_is_said(findings: Findings, left: float, said: str) -> None:
    placed = findings.sites[0].placed
    assert placed is not None
    apex = placed.apex_depth_mm
    roof = Measure(apex + left, "mm", apex + left - 0.15, apex + left + 0.15, "made")
    case = changed(findings, bone={"canal_roof_depth": roof})
    (row,) = [r for r in document(case, Identity.AS_GIVEN)["sites"][0]["page"]["clearances"] if "canal" in r["name"]]
    assert said in row["remark"]
    assert "its lumen, as drawn" in row["made_by"]
    assert said.replace("\u00a0", " ") in site_tables(case)


def test_a_roof_further_than_the_lumen_is_not_said(findings: Findings) -> None:
    placed = findings.sites[0].placed
    assert placed is not None
    (near,) = [c for c in placed.clearances if c.kind == "canal"]
    far = Measure(placed.apex_depth_mm + (near.distance.value or 0) + 0.1, "mm", method="made")
    assert remarks.site_roof_words(changed(findings, bone={"canal_roof_depth": far}).sites[0]) == {}


@pytest.mark.parametrize(("chance", "said"), [(0.28, True), (0.09, False)])
def test_a_free_hand_that_often_breaks_a_margin_is_said(findings: Findings, chance: float, said: bool) -> None:
    site = findings.sites[0]
    assert site.placed is not None
    about = site.headline_clearances[0].structure
    odds = SimpleNamespace(value=chance, low=chance, high=chance)
    risk = SimpleNamespace(structure=about, breach=odds, touch=odds)
    case = changed(findings, risks=(risk,))
    words = remarks.hand_words(case.sites[0])
    assert (f"28\u00a0% chance of breaking the margin to {about}" in words) is said
    assert bool(words) is said


@pytest.mark.parametrize(
    ("ridge", "said"), [(2.45, "the ridge is 2.4\u00a0mm wide"), (9.0, ""), (None, "not measured")]
)
def test_a_rim_outside_bone_is_said(findings: Findings, ridge: float | None, said: str) -> None:
    placed = findings.sites[0].placed
    assert placed is not None
    width = Measure.absent("mm", Flag.NOT_GIVEN) if ridge is None else Measure(ridge, "mm", method="made")
    levels = tuple(replace(x, ridge_width=width, depth_mm=0.0) if x.name == "platform" else x for x in placed.levels)
    words = remarks.rim_words(changed(findings, levels=levels).sites[0])
    assert (said in words) if said else (words == "")


def test_a_distance_is_never_printed_larger_than_it_is() -> None:
    short = Measure(1.9999, "mm", 1.2351, 2.7649)
    assert safely_rounded(short) == (1.99, 1.23, 2.77)
    assert distance_words(short) == "1.99 mm (1.23 to 2.77)"
    assert distance_words(Measure(0.29, "mm")) == "0.29 mm"  # 0.29 is not held exactly in binary
    assert distance_words(Measure(-0.001, "mm")) == "-0.01 mm"


@pytest.mark.parametrize(
    ("low", "high", "digits", "said"),
    [
        (11.162, 11.237, 1, "11.1 to 11.3"),
        (11.2, 11.2, 1, "11.2 to 11.2"),
        (0.07, 0.29, 2, "0.07 to 0.29"),  # binary numbers add less than counts
        (-0.04, 0.04, 1, "-0.1 to 0.1"),
        (-0.0, 0.0, 1, "0.0 to 0.0"),
        (None, 0.81, 1, "no lower limit to 0.9"),
        (311.5, 488.5, 0, "311 to 489"),
    ],
)
def test_printed_limits_are_rounded_outwards(low: float | None, high: float, digits: int, said: str) -> None:
    # Closed form: the printed interval must hold the measured one. Nearest rounding made "11.2 (11.2 to 11.2)" of it.
    assert limits_words(low, high, digits) == said


@pytest.mark.parametrize("seed", range(20))
def test_printed_limits_hold_the_interval_and_the_printed_value(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for digits in range(4):
        low, value, high = sorted(rng.normal(0, 10, 3) * 10.0 ** -rng.integers(0, 4))
        down, up = rounded_outwards(low, high, digits)
        assert down is not None
        assert up is not None
        assert down <= low <= high <= up
        assert down <= round(value, digits) <= up
        assert rounded_outwards(down, up, digits) == (down, up)


def test_a_verdict_that_rests_on_an_unconfirmed_structure_says_so_wherever_it_is_summed_up(findings: Findings) -> None:
    # The one picture of a message shows a green verdict alone: what nobody has confirmed must stand under it.
    placed = findings.sites[0].placed
    assert placed is not None
    canal, *rest = placed.clearances
    found = replace(canal, distance=canal.distance.flagged(Flag.NOT_CONFIRMED))
    words = f"{canal.structure}: found by the program and not confirmed by a person yet"
    for clearances, said in (((found, *rest), True), (placed.clearances, False)):
        told = changed(findings, clearances=clearances)
        assert (words in remarks.beside_verdict(told.sites[0], None)) is said
        assert (
            any("not confirmed by a person" in x for x in document(told, Identity.NONE)["summary"][0]["also"]) is said
        )
        assert ("not confirmed by a person" in site_tables(told)) is said


def test_how_well_a_structure_is_known_is_not_rounded_to_nothing(findings: Findings) -> None:
    known = replace(findings, structures=tuple(replace(s, uncertainty_mm=0.04) for s in findings.structures))
    assert {row["uncertainty"] for row in document(known, Identity.NONE)["structures"]} == {"0.04\u00a0mm"}
