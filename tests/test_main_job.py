"""The main job end to end on the invented patients: assess, report, command line."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pydicom
import pytest
from jsonschema import Draft202012Validator

import siteplan
from siteplan.cli import main
from siteplan.schemas import NAMES, schema_of


@pytest.fixture(scope="module", params=["lower_jaw", "upper_jaw"])
def sample(request, root) -> Path:
    return root / "sample_volumes" / request.param


@pytest.fixture(scope="module")
def content(sample, assessed) -> dict:
    return assessed(sample.name).as_json()


@pytest.mark.parametrize("name", NAMES)
def test_every_published_schema_is_a_valid_one(name):
    # JSON Schema draft 2020-12, meta-schema of an independent validator.
    Draft202012Validator.check_schema(schema_of(name))


def test_findings_keep_the_published_schema(content):
    Draft202012Validator(schema_of("findings")).validate(content)


def test_findings_hold_what_other_programs_rely_on(content):
    for site in content["sites"]:
        for name in ("crestal_cortex", "second_cortex_depth", "mean_grey", "mean_hu"):
            assert {"value", "low", "high", "unit", "flags"} <= site[name].keys()
        assert {"sd", "samples"} <= site["mean_grey"].keys()
        for name in ("ridge_width", "buccal_plate", "lingual_plate"):
            assert [m["depth_mm"] for m in site[name]] == [1, 3, 5, 7, 10]
        assert {"table", "class", "probabilities", "calibrated"} <= site["density"].keys()
        for found in site["clearances"]:
            assert {"structure", "value", "low", "high", "margin", "verdict", "at_mm"} <= found.keys()
        for step in site["preparation"]["steps"]:
            assert {"drill", "diameter_mm", "reference", "mark_mm", "tip_depth_mm", "clearances"} <= step.keys()


def test_every_absent_value_says_why_and_every_code_has_a_sentence(content):
    used = set()

    def walk(node):
        if isinstance(node, dict):
            if isinstance(node.get("flags"), list):
                used.update(node["flags"])
                assert node.get("value", 0) is not None or node["flags"], node
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(content)
    assert used <= content["flag_meanings"].keys()


def test_numbers_are_near_the_closed_form_truth(sample, content):
    # The invented patients' shapes are closed-form functions, so their truths are exact. The bounds are those that
    # the project asks of fine scans: 0.3 mm for widths and distances, 0.4 mm for cortex thicker than 1 mm.
    truth = {site["tooth"]: site for site in json.loads((sample / "truth.json").read_text())["sites"]}
    for site in content["sites"]:
        exact = truth[site["tooth"]]
        for name, bound in (("ridge_width", 0.3), ("buccal_plate", 0.4), ("lingual_plate", 0.4)):
            for measure, true in zip(site[name], exact[name], strict=True):
                assert measure["depth_mm"] == true["depth_mm"]
                if true["value"] is not None and (name == "ridge_width" or true["value"] > 1):
                    assert measure["value"] == pytest.approx(true["value"], abs=bound), (site["tooth"], name, true)
        if exact["crestal_cortex"]["value"] > 1:
            assert site["crestal_cortex"]["value"] == pytest.approx(exact["crestal_cortex"]["value"], abs=0.4)
        hu = exact["mean_hu"]["value"]
        assert site["mean_hu"]["value"] == pytest.approx(hu, abs=max(40, 0.05 * abs(hu)))


def test_file_names_and_order_change_nothing(sample, content, tmp_path):
    files = sorted((sample / "series").iterdir())
    order = np.random.default_rng(7).permutation(len(files))
    series = tmp_path / "series"
    series.mkdir()
    for number, file in zip(order, files, strict=True):
        shutil.copy(file, series / f"x{number:04d}")
    shutil.copy(sample / "case.json", tmp_path / "case.json")
    case = siteplan.load_case(tmp_path / "case.json")
    again = siteplan.assess(siteplan.read_scan(case.series_path), case).as_json()
    assert again == content


def test_a_turned_patient_gives_the_same_numbers(sample, content, tmp_path):
    # DICOM PS3.3 C.7.6.2.1.1: position and orientation alone place the voxels, so turning both and the case by one
    # rigid motion must not change a length.
    turn, shift = _motion()
    series = tmp_path / "series"
    series.mkdir()
    for file in (sample / "series").iterdir():
        slice_ = pydicom.dcmread(file)
        slice_.ImagePositionPatient = [float(f"{x:.10g}") for x in turn @ slice_.ImagePositionPatient + shift]
        rows = np.asarray(slice_.ImageOrientationPatient, float).reshape(2, 3) @ turn.T
        slice_.ImageOrientationPatient = [float(f"{x:.10g}") for x in rows.ravel()]
        slice_.save_as(series / file.name)
    case = json.loads((sample / "case.json").read_text())
    _move_case(case, turn, shift)
    (tmp_path / "case.json").write_text(json.dumps(case))
    loaded = siteplan.load_case(tmp_path / "case.json")
    again = siteplan.assess(siteplan.read_scan(loaded.series_path), loaded).as_json()
    for one, other in zip(content["sites"], again["sites"], strict=True):
        for name in ("ridge_width", "buccal_plate", "lingual_plate", "clearances"):
            for a, b in zip(one[name], other[name], strict=True):
                assert b["value"] == pytest.approx(a["value"], abs=0.02), (name, a)
        assert other["crestal_cortex"]["value"] == pytest.approx(one["crestal_cortex"]["value"], abs=0.02)
        assert other["mean_grey"]["value"] == pytest.approx(one["mean_grey"]["value"], abs=2)


def _motion():
    from scipy.spatial.transform import Rotation

    return Rotation.from_euler("xyz", [25, -40, 110], degrees=True).as_matrix(), np.array([12.5, -80.25, 311.0])


def _move_case(node, turn, shift):
    """Turn every direction and move every point of a case, in place."""
    directions = {"axis", "buccal", "behind"}
    for key, value in node.items() if isinstance(node, dict) else enumerate(node):
        if isinstance(value, list) and len(value) == 3 and all(isinstance(x, int | float) for x in value):
            if key != "triangles" and not all(isinstance(x, int) for x in value):
                moved = turn @ np.asarray(value, float)
                node[key] = list(moved if key in directions else moved + shift)
        elif isinstance(value, dict | list) and key != "triangles":
            _move_case(value, turn, shift)


def test_the_command_writes_a_report_and_prints_a_table(sample, tmp_path, capsys):
    assert main(["report", str(sample / "case.json"), "--out", str(tmp_path / "new" / "report")]) == 0
    said = capsys.readouterr()
    written = {path.name for path in (tmp_path / "new" / "report").iterdir()}
    assert {"findings.json", "report.html"} <= written
    assert any(name.endswith(".png") for name in written)
    assert "ridge width" in said.out
    assert "100%" in said.err
    stored = json.loads((tmp_path / "new" / "report" / "findings.json").read_text())
    Draft202012Validator(schema_of("findings")).validate(stored)


def test_json_is_the_only_thing_on_standard_output(root, tmp_path):
    case = root / "sample_volumes" / "upper_jaw" / "case.json"
    command = [sys.executable, "-m", "siteplan", "report", str(case), "--out", str(tmp_path), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300)
    assert json.loads(done.stdout) == json.loads((tmp_path / "findings.json").read_text())
    assert done.stderr == ""


def test_measure_gives_the_same_numbers_as_the_report(root, content, sample, capsys):
    site = content["sites"][0]
    case = json.loads((sample / "case.json").read_text())
    entry, scale = case["sites"][0], case["calibration"]
    options = [f"--{name}=" + ",".join(map(str, entry[key])) for name, key in
               (("crest", "crest_mm"), ("axis", "axis"), ("buccal", "buccal"))]  # fmt: skip
    assert main(["measure", str(sample / "series"), *options, f"--tooth={entry['tooth']}",
                 f"--calibration={scale['slope']},{scale['intercept']}", "--json"]) == 0  # fmt: skip
    alone = json.loads(capsys.readouterr().out)
    for name in ("crest_mm", "ridge_width", "buccal_plate", "lingual_plate", "crestal_cortex", "second_cortex_depth",
                 "mean_grey"):  # fmt: skip
        assert alone[name] == site[name]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"fixture": "demo-nothing"}, "is in no catalogue file"),
        ({"crest_mm": [400.0, 0.0, 0.0]}, r"sites[0].crest_mm: tooth"),
        ({"tooth": 99}, "no tooth 99"),
    ],
)
def test_a_mistake_ends_with_one_sentence_and_writes_nothing(root, tmp_path, capsys, change, says):
    sample = root / "sample_volumes" / "upper_jaw"
    case = json.loads((sample / "case.json").read_text())
    case["sites"][0].update(change)
    case["sites"][0].pop("side", None)
    case["series"] = str(sample / "series")
    (tmp_path / "case.json").write_text(json.dumps(case))
    assert main(["report", str(tmp_path / "case.json"), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err.splitlines()
    assert says in said[-1]
    assert said[-1].startswith("siteplan: ")
    assert not (tmp_path / "out").exists()
