"""Margins against the published values, replacement by a user's file, and what the words mean."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from siteplan.anatomy.structure import Kind, MadeBy, Structure, Tube
from siteplan.errors import LibraryFileError
from siteplan.fixture import Pose, Solid
from siteplan.flags import Flag
from siteplan.placement import Verdict, clearance, fixture_to_fixture, load_margins, platform_distance_mm
from siteplan.placement.between import divergence_deg
from siteplan.placement.verdict import contact_verdict, verdict

CYLINDER = Solid(np.array([0.0, 10.0]), np.array([2.0, 2.0]))
UPRIGHT = Pose(np.zeros(3), np.array([0.0, 0.0, 1.0]))


def ball(gap_mm: float, sd_mm: float, **more) -> Structure:
    shape = Tube(np.array([[0.0, 0.0, 10.0 + gap_mm + 1.0]]), np.array([1.0]))
    return Structure(more.pop("kind", Kind.CANAL), "canal", shape, uncertainty_mm=sd_mm, **more)


def test_every_kind_has_a_margin_with_source_and_reason() -> None:
    margins = load_margins()
    for key in (*Kind, "buccal-bone", "lingual-bone", "fixture"):
        margin = margins.of(key)
        assert margin.source
        assert margin.rationale
        assert margin.status in ("confirmed", "disputed", "memory")
        assert ("memory" in margin.source) or margin.status != "memory"
        assert margin.others or margin.status != "disputed"


@pytest.mark.shared
def test_margins_are_the_published_ones(shared) -> None:
    """clearance.* of the reference values: value, and whether it is confirmed, disputed or from memory."""
    table = tomllib.loads((shared / "reference/reference_values.toml").read_text())["clearance"]
    margins = load_margins()
    same = {
        "canal": ("inferior_alveolar_canal", lambda v: v),
        "mental-foramen": ("mental_foramen", lambda v: v),
        "root": ("fixture_tooth", lambda v: v),
        "crown": ("fixture_tooth", lambda v: v),
        "existing-fixture": ("fixture_fixture", lambda v: v),
        "fixture": ("fixture_fixture", lambda v: v),
        "nasal-floor": ("planning_margin_cbct", lambda v: v),
        "other": ("planning_margin_cbct", lambda v: v),
        "sinus-floor": ("sinus_floor", lambda v: v["chapter"]),
        "buccal-bone": ("side_bone_per_side", lambda v: v["min_chapter"]),
        "lingual-bone": ("side_bone_per_side", lambda v: v["min_common"]),
    }
    for key, (name, pick) in same.items():
        assert margins.of(key).value_mm == pick(table[name]["value"])
        assert margins.of(key).status == table[name]["status"]


def test_a_users_file_replaces_what_it_names(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    text = 'format = 1\n[margin.canal]\nvalue = 3.0\nunit = "mm"\nsource = "our clinic"\nrationale = "caution"\n'
    own.write_text(text)
    margins = load_margins(own)
    assert (margins.of(Kind.CANAL).value_mm, margins.of(Kind.CANAL).status) == (3.0, "user")
    assert margins.of(Kind.ROOT) == load_margins().of(Kind.ROOT)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[margin.canl]\nvalue = 2.0\nunit = "mm"\nsource = "x"\nrationale = "y"', r"margin\.canl: no such structure"),
        ('[margin.canal]\nvalue = 2.0\nunit = "mm"\nrationale = "y"', r"margin\.canal\.source: this key is missing"),
        ('[margin.canal]\nvalue = 2.0\nunit = "cm"\nsource = "x"\nrationale = "y"', r"margin\.canal\.unit"),
        (
            '[margin.canal]\nvalue = -1.0\nunit = "mm"\nsource = "x"\nrationale = "y"',
            "-1 is no distance",
        ),
        (
            '[margin.canal]\nvalue = 0\nunit = "mm"\nsource = "x"\nrationale = "y"',
            "a margin must be above",
        ),
        (
            '[margin.canal]\nvalue = true\nunit = "mm"\nsource = "x"\nrationale = "y"',
            "needed, not True",
        ),
        ('[margin.canal]\nvalue = 200\nunit = "mm"\nsource = "x"\nrationale = "y"', "200 mm is more than any margin"),
        ("margin = 3", "margin: a table is needed here"),
        (
            '[planned-contact.sinus-floor]\nvalue = -1\nunit = "mm"\nsource = "x"\nrationale = "y"',
            "-1 is no way to go behind a surface",
        ),
        ('[planned-contact.canal]\nvalue = 1.0\nunit = "mm"\nsource = "x"\nrationale = "y"', "no such structure"),
        ("[margin", "not valid TOML"),
    ],
)
def test_faults_in_a_margins_file(tmp_path: Path, text: str, said: str) -> None:
    own = tmp_path / "own.toml"
    own.write_text("format = 1\n" + text)
    with pytest.raises(LibraryFileError, match=said):
        load_margins(own)


@pytest.mark.parametrize(
    ("gap", "sd", "word"),
    [
        (2.5, 0.1, Verdict.KEEPS),  # 2.5 - 1.96 * 0.1 > 2.0
        (2.1, 0.1, Verdict.CANNOT_BE_TOLD),  # the interval holds 2.0
        (1.9, 0.1, Verdict.CANNOT_BE_TOLD),
        (1.5, 0.1, Verdict.BREAKS),
        (-0.2, 0.5, Verdict.TOUCHES),
        (2.0 + 1e-4, 0.0, Verdict.KEEPS),
        (2.0 - 1e-4, 0.0, Verdict.BREAKS),
    ],
)
def test_verdict_follows_interval_and_margin(gap: float, sd: float, word: Verdict) -> None:
    found = clearance(CYLINDER, UPRIGHT, ball(gap, sd), load_margins())
    assert found.verdict is word
    assert found.distance.value == pytest.approx(gap, abs=2e-5)
    # Two-sided 95 % of a normal distribution: 1.96 standard deviations (any table).
    assert found.distance.high - found.distance.value == pytest.approx(1.96 * sd, abs=1e-3)
    np.testing.assert_allclose(found.at_lps_mm, [0, 0, 10 + gap], atol=1e-6)


def test_planned_contact_has_its_own_limit() -> None:
    margins = load_margins()
    limit = margins.contact(Kind.SINUS_FLOOR).value_mm
    for depth, word in ((0.5, Verdict.PLANNED_CONTACT), (limit + 0.5, Verdict.TOO_DEEP)):
        floor = ball(-depth, 0.0, kind=Kind.SINUS_FLOOR)
        assert clearance(CYLINDER, UPRIGHT, floor, margins, planned_contact=True).verdict is (
            word if depth < 1.0 else Verdict.TOO_DEEP
        )
    # A nerve canal can never be a planned contact.
    assert clearance(CYLINDER, UPRIGHT, ball(-0.5, 0.0), margins, planned_contact=True).verdict is Verdict.TOUCHES
    assert contact_verdict(-3.0, -1.0, 2.0) is Verdict.CANNOT_BE_TOLD
    assert verdict(1.0, 0.5, 1.5, 1.2) is Verdict.CANNOT_BE_TOLD


def test_a_found_structure_says_that_nobody_confirmed_it() -> None:
    found = clearance(CYLINDER, UPRIGHT, ball(5, 0.1, made_by=MadeBy.FOUND), load_margins())
    assert Flag.NOT_CONFIRMED in found.distance.flags
    assert found.as_json()["flags"] == ["not-confirmed"]


def test_between_two_fixtures() -> None:
    tilt = np.radians(7.0)
    other = Pose(np.array([6.5, 0.0, 0.0]), np.array([np.sin(tilt), 0.0, np.cos(tilt)]))
    found = fixture_to_fixture(CYLINDER, UPRIGHT, CYLINDER, other, load_margins(), name="35 to 36")
    # The upper rims are nearest: the tilted rim lies r cos t inward and r sin t lower (plane geometry).
    assert found.distance.value == pytest.approx(6.5 - 2 - 2 * np.cos(tilt), abs=1e-3)
    assert found.verdict is Verdict.BREAKS
    assert platform_distance_mm(UPRIGHT, other) == pytest.approx(6.5)
    assert divergence_deg(UPRIGHT, other) == pytest.approx(7.0, abs=1e-9)
