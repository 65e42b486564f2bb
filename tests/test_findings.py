"""`findings.json`: only one member depends on the day, and every part of the published schema is kept."""

from dataclasses import replace
from datetime import date

import pytest
from jsonschema import Draft202012Validator

import siteplan
from siteplan.assessment import load_library
from siteplan.bone import Calibration, calibration_file
from siteplan.case import CaseFile, load_case
from siteplan.findings import Findings
from siteplan.report.identity import Identity, finding_words
from siteplan.report.naming import Naming, without_identity
from siteplan.scan import remarks
from siteplan.schemas import schema_of


@pytest.fixture(scope="module")
def upper(root) -> Findings:
    """One site of the sample of an upper jaw, with a mouth opening."""
    file = load_case(root / "sample_volumes" / "upper_jaw" / "case.json")
    case = file.case.model_copy(update={"sites": file.case.sites[:1], "mouth_opening_mm": 30.0})
    used = CaseFile(case, file.path, file.digest)
    return siteplan.assess(siteplan.read_scan(file.series_path), used)


def test_the_age_of_the_scan_changes_one_member_only(upper):
    def on(day: int) -> dict:
        scan = replace(upper.scan, findings=(*upper.scan.findings, remarks.old_scan("2020-01-01", day)))
        return replace(upper, scan=scan).as_json()

    first, later = on(2000), on(2001)
    assert first != later
    only = first.pop("on_day_of_assessment"), later.pop("on_day_of_assessment")
    assert first == later
    assert [found["code"] for found in only[0]["scan_findings"]] == ["old-scan"]
    assert "2000 days ago" in only[0]["scan_findings"][0]["what"]


def test_the_age_of_the_calibration_changes_one_member_only(upper, tmp_path, monkeypatch):
    path = tmp_path / "calibration.toml"
    calibration_file.add_calibration(path, Calibration(1.0, 0.0, source="a phantom"), upper.scan, date(2026, 1, 1))

    class Later(date):
        @classmethod
        def today(cls) -> date:
            return date(2026, 1, 11)

    case = upper.case.case.model_copy(update={"calibration": str(path)})
    monkeypatch.setattr(calibration_file, "date", Later)
    library = load_library(upper.scan, CaseFile(case, upper.case.path, upper.case.digest))
    assert library.calibration is not None
    assert library.day_remarks == ("The calibration was made on 2026-01-01, 10 days ago.",)
    told = replace(upper, remarks=library.remarks, day_remarks=library.day_remarks).as_json()
    assert told["on_day_of_assessment"]["remarks"] == list(library.day_remarks)
    assert not any("days ago" in remark for remark in told["remarks"])


def test_the_schema_holds_with_chances_seating_and_handpiece(upper):
    content = upper.as_json()
    Draft202012Validator(schema_of("findings")).validate(content)
    site = content["sites"][0]
    assert site["inner_side"] == "palatal"
    inner = [c for c in site["clearances"] if c["kind"] == "lingual-bone"]
    assert inner
    assert {c["side_name"] for c in inner} == {"palatal"}
    for found in site["clearances"]:
        if found["value"] is not None and found["verdict"] != "planned contact":
            assert found["risk"]["structure"] == found["structure"]
            assert found["risk"]["touch"]["value"] <= found["risk"]["breach"]["value"]
    step = site["preparation"]["steps"][0]["handpiece"]
    # Opening needed = head and free length of the demo kit's pilot (14 + 30 mm), more than 30 mm.
    assert (step["fit"], step["opening_measured"]) == ("does not fit", "between the front teeth")
    assert step["opening_needed_mm"] == pytest.approx(44.0)
    # The narrowest of 894 adults opened 36 mm (PMC3428458).
    assert any("The mouth opens 30 mm" in remark for remark in content["remarks"])


def test_the_date_of_an_old_scan_is_not_told_without_identity(upper):
    scan = replace(upper.scan, findings=(remarks.old_scan("2020-01-01", 2000), remarks.future_scan("2031-07-08")))
    found = replace(upper, scan=scan)
    text = str(without_identity(found.as_json(), Naming.of(found.structures, Identity.NONE)))
    assert "2020-01-01" not in text
    assert "2031-07-08" not in text
    assert "The scan is old" in text
    assert finding_words("old-scan", "made on 2020-01-01", Identity.AS_GIVEN) == "made on 2020-01-01"
