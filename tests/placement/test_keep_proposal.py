"""`siteplan propose --keep`: the place in the list is the place in the file, and nothing is replaced unasked."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import siteplan
from siteplan.assessment import assess_site, load_library
from siteplan.case import load_case
from siteplan.case.keeping import entry_at, replace_case, with_entries
from siteplan.commands import _keep
from siteplan.errors import CaseError
from siteplan.fixture import Pose, load_catalogue
from siteplan.placed import pose_of
from siteplan.surgery.record import record_path
from tests.placement.test_propose_command import parsed

WORDS = ("--tooth", "37", "--most", "2", "--design", "two-piece", "--json")


@pytest.fixture
def case_file(root: Path, tmp_path: Path) -> Path:
    """A copy of the sample's case with nothing planned at 37; the series stays where it is."""
    sample = root / "sample_volumes/lower_jaw"
    if not sample.is_dir():
        pytest.skip("the sample volumes are not there")
    content = json.loads((sample / "case.json").read_text())
    content["series"] = str(sample / content["series"])
    for site in content["sites"]:
        if site["tooth"] == 37:
            del site["fixture"]
    file = tmp_path / "plan.json"
    file.write_text(json.dumps(content))
    return file


def run(case_file: Path, *words: str) -> None:
    args = parsed(str(case_file), *words)
    assert args.run(args) == 0


def test_the_report_shows_the_numbers_of_the_list(case_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    former = case_file.read_bytes()
    run(case_file, *WORDS, "--keep", "2")
    told = json.loads(capsys.readouterr().out)
    taken = told["proposals"][1]
    assert told["kept"]["fixtures"] == {"37": taken["fixture"]}
    assert (case_file.parent / told["kept"]["former_version"]).read_bytes() == former

    case = load_case(case_file)
    entry = next(site for site in case.case.sites if site.tooth == 37)
    assert entry.fixture == taken["fixture"]
    pose = pose_of(entry)
    assert pose.platform_lps_mm == pytest.approx(taken["platform_mm"], abs=1e-4)
    assert pose.axis == pytest.approx(taken["axis"], abs=1e-6)
    scan = siteplan.read_scan(case.series_path)
    site = assess_site(scan, entry, load_library(scan, case))
    listed = {c["structure"]: c for c in taken["clearances"]}
    for found in site.headline_clearances:
        if found.kind == "fixture":
            assert found.verdict.good
            continue
        # A structure's distance depends on the place alone. Bone is measured anew along the fixture's own axis.
        beside = found.kind.endswith("bone")
        assert found.distance.value == pytest.approx(listed[found.structure]["value"], abs=0.15 if beside else 2e-4)
    before = json.loads(former)
    after = json.loads(case_file.read_text())
    assert [s for s in after["sites"] if s["tooth"] != 37] == [
        {k: v for k, v in s.items() if k in next(a for a in after["sites"] if a["tooth"] == s["tooth"])}
        for s in before["sites"]
        if s["tooth"] != 37
    ]


def test_a_planned_fixture_is_replaced_only_on_demand(root: Path, case_file: Path) -> None:
    tooth = next(site.tooth for site in load_case(case_file).case.sites if site.fixture)
    former = case_file.read_bytes()
    with pytest.raises(CaseError, match=f"tooth {tooth} has a planned fixture already.*--replace"):
        run(case_file, "--tooth", str(tooth), "--keep", "1")
    assert case_file.read_bytes() == former
    assert [p.name for p in case_file.parent.iterdir()] == [case_file.name]


def test_a_site_with_a_seating_record_stays(case_file: Path) -> None:
    record_path(case_file).write_text(
        '{"tooth": 37, "kind": "note", "time": "2026-01-01T09:00:00+00:00", "text": "x"}\n'
    )
    with pytest.raises(CaseError, match="seating of tooth 37 is already on record"):
        run(case_file, "--tooth", "37", "--keep", "1", "--replace")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--tooth", "37", "--keep"), "say which place by its number"),
        (("--tooth", "37", "--keep", "9"), "a number from 1 to 8"),
        (("--all", "--keep", "1"), "give --keep without a number"),
        (("--tooth", "37", "--replace"), "it belongs to --keep"),
    ],
)
def test_one_sentence_for_each_mistake(case_file: Path, words: tuple[str, ...], said: str) -> None:
    with pytest.raises(CaseError, match=said):
        run(case_file, *words)


def test_a_rank_that_is_not_there() -> None:
    with pytest.raises(CaseError, match="no proposal 3 for tooth 37: the list has 2"):
        _keep.chosen_one(SimpleNamespace(keep=3, tooth=37), SimpleNamespace(ranked=(1, 2)))  # type: ignore[arg-type]


def test_a_row_that_breaks_a_rule_is_not_kept() -> None:
    answer: Any = SimpleNamespace(jaw=object(), short=("35 to 36: 2.0 mm apart, 1.0 mm less than 3.0 mm.",))
    with pytest.raises(CaseError, match="the lower jaw is not satisfied: 35 to 36"):
        _keep.chosen_rows({"lower": answer})


def test_a_file_changed_meanwhile_is_left_alone(case_file: Path) -> None:
    case = load_case(case_file)
    case_file.write_bytes(case_file.read_bytes() + b"\n")
    with pytest.raises(CaseError, match="changed meanwhile"):
        replace_case(case, case.case)
    assert [p.name for p in case_file.parent.iterdir()] == [case_file.name]


def test_every_former_version_has_a_name_of_its_own(case_file: Path) -> None:
    first = case_file.read_bytes()
    names = []
    for _ in range(3):
        case = load_case(case_file)
        names.append(replace_case(case, case.case).name)
    assert names == ["plan.before-1.json", "plan.before-2.json", "plan.before-3.json"]
    assert (case_file.parent / names[0]).read_bytes() == first


def test_a_planned_contact_goes_with_the_design_that_wanted_it(case_file: Path) -> None:
    """Closed form: the pose comes back from the entry; only a design for a second cortex keeps the intent."""
    case = load_case(case_file).case
    name = case.structures[0].name
    entry = case.sites[0].model_copy(update={"planned_contacts": [name]})
    axis = np.array([0.2, -0.1, -1.0])
    pose = Pose(np.array([10.123456789, -20.2, 30.3]), axis / np.linalg.norm(axis))
    catalogue = load_catalogue()
    two_piece, basal = (
        next(f for f in catalogue.fixtures if f.design.value == design) for design in ("two-piece", "one-piece basal")
    )
    for fixture, contacts in ((two_piece, []), (basal, [name])):
        moved = entry_at(entry, fixture, pose, sink_mm=0.7)
        assert moved.planned_contacts == contacts
        assert np.abs(pose_of(moved).point(18.0) - pose.point(18.0)).max() < 1e-5
        assert with_entries(case, {entry.tooth: moved}).sites[0] == moved
