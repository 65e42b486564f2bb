"""Tables, read back by Python's csv module, say what findings.json says."""

import csv
import io
import json
from typing import Any

import jsonschema
import pytest

from siteplan.findings import Findings
from siteplan.handover.shareable import findings_content
from siteplan.handover.tables import csv_files
from siteplan.report.identity import Identity
from siteplan.schemas import schema_of


def read(raw: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(raw.decode("utf-8"), newline=""), strict=True))


def at(content: Any, path: str) -> Any:
    """The member of findings.json that a row's `item` names."""
    for step in path.replace("[", ".").replace("]", "").split("."):
        content = content[int(step)] if isinstance(content, list) else content[step]
    return content


@pytest.fixture(scope="module", params=[Identity.AS_GIVEN, Identity.NONE])
def content(request: pytest.FixtureRequest, findings: Findings) -> dict[str, Any]:
    return json.loads(json.dumps(findings_content(findings, request.param)))


def number(text: str) -> float | None:
    return float(text) if text else None


def test_every_measure_is_there_and_equal(content: dict[str, Any]) -> None:
    rows = read(csv_files(content)["measures.csv"])
    # Counted in the text, independently of how the table walks: whatever has a unit and may have a value is a measure.
    said = json.dumps([content["sites"], content["between_fixtures"]])
    forecasts = sum(1 for site in content["sites"] if (site["preparation"] or {}).get("forecast"))
    assert len(rows) == said.count('"unit":') - forecasts
    sites = {str(site["tooth"]): site for site in content["sites"]}
    for row in rows:
        measure = at(sites[row["tooth"]] if row["tooth"] else content, row["item"])
        for column, key in (("value", "value"), ("low_95", "low"), ("high_95", "high"), ("sd", "sd")):
            assert number(row[column]) == measure.get(key), (row["item"], column)
        assert number(row["depth_mm"]) == measure.get("depth_mm")
        assert number(row["margin_mm"]) == measure.get("margin")
        assert row["unit"] == measure["unit"]
        assert row["flags"].split() == measure["flags"]
        assert row["method"].removeprefix("'") == measure["method"]
        assert row["verdict"] == measure.get("verdict", "")
        assert row["structure"].removeprefix("'") == measure.get("structure", "")
        if row["value"] == "":
            assert row["flag_meanings"], "a value that is absent says why"


def test_fixtures_and_steps_are_equal(content: dict[str, Any]) -> None:
    files = csv_files(content)
    fixtures = read(files["fixtures.csv"])
    assert [int(row["tooth"]) for row in fixtures] == [36, 37]
    for row, site in zip(fixtures, content["sites"], strict=True):
        fixture = site["fixture"]
        assert row["fixture"] == fixture["name"]
        for end in ("platform", "apex"):
            assert [float(row[f"{end}_{way}_lps_mm"]) for way in "xyz"] == fixture[f"{end}_mm"]
        assert float(row["length_mm"]) == fixture["length_mm"]
    steps = read(files["drilling.csv"])
    for row in steps:
        site = next(s for s in content["sites"] if str(s["tooth"]) == row["tooth"])
        step = site["preparation"]["steps"][int(row["step"]) - 1]
        assert row["drill"] == step["drill"]
        assert [number(row[k]) for k in ("diameter_mm", "mark_mm", "tip_depth_mm", "tip_below_bone_mm")] == [
            step[k] for k in ("diameter_mm", "mark_mm", "tip_depth_mm", "tip_below_bone_mm")
        ]
        assert [float(row["speed_low_per_min"]), float(row["speed_high_per_min"])] == step["speed_per_min"]
    assert len(steps) == sum(len(site["preparation"]["steps"]) for site in content["sites"])


def test_no_cell_is_run_as_a_formula(findings: Findings) -> None:
    """OWASP, CSV injection: text that begins with = + - @ is run by spreadsheets; one structure is called "=root"."""
    rows = read(csv_files(findings_content(findings, Identity.AS_GIVEN))["measures.csv"])
    assert any(row["structure"].startswith("'=root") for row in rows)
    texts = ("item", "structure", "kind", "verdict", "flags", "method", "margin_source")
    assert not any(row[name].startswith(("=", "+", "-", "@")) for row in rows for name in texts)


def test_json_fits_the_published_schema(content: dict[str, Any]) -> None:
    """By the jsonschema library, which is not ours."""
    jsonschema.validate(content, schema_of("findings"))
