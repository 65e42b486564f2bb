"""The seating record in findings and report: told whole, corrections as corrections, and silent about names."""

import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from made_case import SITE_36, SITE_37, made_case, made_plan, made_scan, site, with_record

import siteplan
from siteplan.assessment import with_seating
from siteplan.findings import Findings
from siteplan.report import Identity, write_report
from siteplan.report.outcome_figures import torque_depth_figure
from siteplan.report.seating_content import LEFT_OUT, seating_content
from siteplan.schemas import schema_of
from siteplan.surgery.entries import Entry, Kind
from siteplan.surgery.reasons import Reason
from siteplan.surgery.seating_plan import SeatingPlan

DAY = "2026-03-14"
SECRET = "Zoenira Quentino"


@pytest.fixture(scope="module")
def assessed() -> Findings:
    """Two sites with a fixture, without records."""
    sites = [site(36, SITE_36, fixture="demo-compressive-4.0x10", soft_tissue_mm=3.0, approach="flapless"),
             site(37, SITE_37, fixture="demo-two-piece-4.0x10")]  # fmt: skip
    return siteplan.assess(made_scan(), made_case(sites))


def story(plan: SeatingPlan) -> list[Entry]:
    """Too tight, opened, seated; one count corrected, one click undone."""
    top = plan.settings_Ncm[-1]
    hand = Entry(Kind.TURNED_BY_HAND, turns=2.0)
    left = (plan.apex_mm - plan.drop_in_mm) / plan.lead_mm
    return [
        Entry(Kind.STARTED, plan=plan),
        Entry(Kind.DRILLED, text=plan.planned_drills[0]),
        Entry(Kind.DRILLED, text=f"drill of {SECRET}"),
        Entry(Kind.FELT, text="D2"),
        hand,
        Entry(Kind.CLICKED, turns=1.0, torque_Ncm=top),
        Entry(Kind.BACKED_OUT, turns=2.0),
        Entry(Kind.CLICKED, turns=2.0, torque_Ncm=top),
        Entry(Kind.TAKEN_OUT),
        Entry(Kind.OPENED, text=plan.tighter[0].drill),
        hand,
        Entry(Kind.CLICKED, turns=1.0, torque_Ncm=20.0),
        Entry(Kind.CORRECTION, of=12, turns=1.5),
        Entry(Kind.CLICKED, turns=1.0, torque_Ncm=25.0),
        Entry(Kind.UNDO, of=14),
        Entry(Kind.MARK_AT_GUM, turns=round(left - 3.5, 2), torque_Ncm=40.0),
        Entry(Kind.LOT, text=f"LOT 4711 {SECRET}"),
        Entry(Kind.NOTE, text=f"{SECRET} felt nothing"),
    ]


@pytest.fixture(scope="module")
def recorded(assessed: Findings, tmp_path_factory: pytest.TempPathFactory) -> Findings:
    return with_record(assessed, tmp_path_factory.mktemp("record"), story(made_plan(assessed)), DAY)


def test_the_summary_in_findings_follows_from_the_entries_and_fits_the_schema(recorded: Findings) -> None:
    content = recorded.as_json()
    Draft202012Validator(schema_of("findings")).validate(content)
    told, plan = content["sites"][0]["seating"], made_plan(recorded)
    assert content["sites"][1]["seating"] is None
    assert (told["complete"], told["phase"], told["final_torque_Ncm"]) == (True, "seated", 40.0)
    assert told["lot"] == [f"LOT 4711 {SECRET}"]
    assert told["drills_after_first_try"] == [plan.tighter[0].drill]
    assert told["undone_or_corrected"] == 2
    # Depth is drop-in plus turns times lead (a screw's advance); at the mark it is the planned depth.
    at = [plan.drop_in_mm + turns * plan.lead_mm for turns in (3.0, 3.0, 3.5)] + [plan.apex_mm]
    top = plan.settings_Ncm[-1]
    points = told["torque_against_depth"]
    assert [p["run"] for p in points] == [1, 1, 2, 2]
    assert [p["torque_Ncm"] for p in points] == [top, top, 20.0, 40.0]
    assert [p["depth_mm"] for p in points] == pytest.approx(at, abs=1e-3)


def test_the_page_shows_every_entry_and_corrections_as_corrections(recorded: Findings, tmp_path: Path) -> None:
    write_report(recorded, recorded.scan, recorded.case, tmp_path)
    html = (tmp_path / "report.html").read_text("utf-8")
    page = html.split('id="record-36"')[1].split("</section>")[0]
    assert "Depth read, mm" not in page, "a blank page is for sites without a record"
    assert "Depth read, mm" in html.split('id="record-37"')[1]
    assert page.count("<tr") >= len(story(made_plan(recorded)))
    assert "corrected by entry 13" in page
    assert "entry 12 should have been this" in page
    assert "<s>clicked</s>" in page
    assert "undone by entry 15" in page
    assert "LOT 4711" in page
    assert f"{DAY} 09:00 +0100" in page
    assert re.search(r"Final torque</td><td>40\W*N·cm", page)
    assert 'src="data:image/png' in page
    assert (tmp_path / "site-36-seating.png").exists()


def test_readings_and_forecast_are_drawn_where_they_are(recorded: Findings) -> None:
    told = recorded.sites[0].seating
    assert told is not None
    sheet = torque_depth_figure(
        told.plan.forecast_curve, told.runs[-1].points, 50.0, 32.0, earlier=[r.points for r in told.runs[:-1]]
    )
    drawn = [line.get_xydata().tolist() for line in sheet.figure.axes[0].lines]
    assert [list(point) for point in told.runs[-1].points] in drawn
    assert [list(point) for point in told.runs[0].points] in drawn
    curve = told.plan.forecast_curve
    assert [list(pair) for pair in zip(curve["depth_mm"], curve["middle"], strict=True)] in drawn


@pytest.mark.parametrize("identity", [Identity.NONE, Identity.INITIALS])
def test_typed_text_and_the_day_stay_behind(recorded: Findings, tmp_path: Path, identity: Identity) -> None:
    write_report(recorded, recorded.scan, recorded.case, tmp_path / "report", identity=identity)
    texts = [path.read_text("utf-8") for path in tmp_path.rglob("*.*") if path.suffix in (".html", ".json")]
    texts += [words_of(path) for path in tmp_path.rglob("*.pdf")]
    assert len(texts) >= 3
    for text in texts:
        for secret in (SECRET, *SECRET.split(), "LOT 4711", DAY, "09:00", "T09:", "2026-03"):
            assert secret.lower() not in text.lower()
    content = json.loads((tmp_path / "report" / "findings.json").read_text("utf-8"))
    Draft202012Validator(schema_of("findings")).validate(content)
    told = content["sites"][0]["seating"]
    assert told["lot"] == [LEFT_OUT]
    assert told["minutes"] == 17.0
    # Words that the plan itself holds tell nothing of a patient and stay.
    assert told["drills_used"] == [made_plan(recorded).planned_drills[0], LEFT_OUT]
    assert told["felt"] == ["D2"]
    html = (tmp_path / "report" / "report.html").read_text("utf-8")
    assert "17.0\u00a0min" in html or "17.0 min" in html
    assert LEFT_OUT in html


def words_of(pdf: Path) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    return subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout


def test_an_interrupted_record_is_told_as_interrupted(assessed: Findings, tmp_path: Path) -> None:
    with_record(assessed, tmp_path, story(made_plan(assessed))[:6], DAY)
    path = tmp_path / "case.seating.jsonl"
    with path.open("ab") as file:
        file.write(b'{"tooth": 36, "ki')
    page = seating_content(with_seating(assessed.sites, path)[0][0], Identity.AS_GIVEN)
    assert page is not None
    assert page["status"] == {"word": "record interrupted", "shape": "cross"}
    said = " ".join(page["warnings"])
    assert "waited for 'back out'" in said
    assert "Line 7" in said


def test_a_loose_fixture_and_another_fixture_are_warned_about(assessed: Findings, tmp_path: Path) -> None:
    plan = made_plan(assessed)
    other = replace(plan, fixture="demo-compressive-4.5x10")
    left = round((plan.apex_mm - plan.drop_in_mm) / plan.lead_mm, 2)
    entries = [
        Entry(Kind.STARTED, plan=replace(plan, apex_mm=plan.apex_mm + 1)),
        Entry(Kind.TAKEN_OUT),
        Entry(Kind.REPLACED, plan=other),
        Entry(Kind.TURNED_BY_HAND, turns=left),
        Entry(Kind.MARK_AT_GUM, torque_Ncm=12.0),
        Entry(Kind.KEPT),
    ]
    page = seating_content(with_record(assessed, tmp_path, entries, DAY).sites[0], Identity.AS_GIVEN)
    assert page is not None
    assert page["status"]["word"] == "seated, not to be loaded"
    said = " ".join(page["warnings"])
    assert "Another fixture was placed: demo-compressive-4.5x10" in said
    assert "do not load early" in said
    assert "The plan was changed after the record began" in said


def test_a_record_that_makes_no_sense_is_remarked_upon_and_stops_nothing(assessed: Findings, tmp_path: Path) -> None:
    with_record(assessed, tmp_path, story(made_plan(assessed))[:3], DAY)
    path = tmp_path / "case.seating.jsonl"
    odd = {"tooth": 36, "sequence": 4, "time": "", "kind": "clicked", "turns": 1.0, "torque_Ncm": 20.0}
    stray = {"tooth": 46, "sequence": 1, "time": "", "kind": "note", "text": "x"}
    with path.open("a") as file:
        file.write(json.dumps(odd) + "\n" + json.dumps(stray) + "\n")
    sites, remarks = with_seating(assessed.sites, path)
    assert sites[0].seating is None
    assert any("tooth 36 cannot be told" in remark for remark in remarks)
    assert any("does not plan: 46" in remark for remark in remarks)


def test_without_a_record_the_page_is_blank_and_without_a_fixture_there_is_none(findings: Findings) -> None:
    blank = seating_content(findings.sites[0], Identity.AS_GIVEN)
    assert blank is not None
    assert blank["blank"] is True
    assert seating_content(findings.sites[1], Identity.AS_GIVEN) is None


def test_a_page_to_fill_in_says_that_a_plan_with_a_problem_must_not_be_followed(assessed: Findings) -> None:
    """The page may lie at the chair without the card that says why."""
    site = assessed.sites[0]
    assert site.placed is not None
    for problems in ((Reason("the fixture breaks a margin", "made for this test"),), ()):
        preparation = replace(site.placed.preparation, problems=problems)
        blank = seating_content(replace(site, placed=replace(site.placed, preparation=preparation)), Identity.AS_GIVEN)
        assert blank is not None
        assert ("Do not follow" in blank["stop"]) is bool(problems)


def test_a_site_without_a_fixture_says_that_only_its_bone_was_assessed(findings: Findings, tmp_path: Path) -> None:
    content = findings.as_json()["sites"]
    assert [s["assessed_for"] for s in content] == ["bone and fixture", "bone only"]
    assert content[1]["ridge_width"][0]["value"] is not None
    write_report(findings, findings.scan, findings.case, tmp_path)
    page = (tmp_path / "report.html").read_text("utf-8").split('id="site-37"')[1].split("</section>")[0]
    assert "bone only" in page
    assert "This page is about the bone alone." in page
