"""The command line: points with a leading minus, and one sentence for each wrong use."""

import json
from pathlib import Path

import pytest

from siteplan.cli import joined, main

ROOT = Path(__file__).resolve().parents[2]
UPPER = ROOT / "sample_volumes" / "upper_jaw"


def test_a_point_with_a_leading_minus_is_a_value_and_nothing_else_is_joined():
    assert joined(["measure", "x", "--crest", "-34.4,-15.5,-40.7", "--axis", "0,0,1"]) == [
        "measure", "x", "--crest=-34.4,-15.5,-40.7", "--axis", "0,0,1"]  # fmt: skip
    assert joined(["--calibration", "-1.5e0,.5"]) == ["--calibration=-1.5e0,.5"]
    for untouched in (["--json", "-v"], ["-1,2,3"], ["--", "-1,2,3"], ["--a=1", "-1,2,3"], ["--tilt", "-5"]):
        assert joined(untouched) == untouched


def test_measure_takes_negative_coordinates_both_ways(capsys):
    site = json.loads((UPPER / "case.json").read_text())["sites"][0]
    assert site["crest_mm"][0] < 0
    values = [(f"--{name}", ",".join(map(str, site[key]))) for name, key in
              (("crest", "crest_mm"), ("axis", "axis"), ("buccal", "buccal"))]  # fmt: skip
    said = []
    for options in ([w for pair in values for w in pair], [f"{name}={value}" for name, value in values]):
        assert main(["measure", str(UPPER / "series"), *options, "--tooth", "15", "--quick", "--json"]) == 0
        said.append(json.loads(capsys.readouterr().out))
    assert said[0] == said[1]
    assert said[0]["remarks"] == []
    options = [f"{name}={value}" for name, value in values]
    assert (
        main(["measure", str(UPPER / "series"), *options, "--tooth", "25", "--quick", "--calibration", "1000,1"]) == 0
    )
    out = capsys.readouterr().out
    assert "WARNING: At tooth 25 cheek or lip lies towards the patient's left" in out
    assert "WARNING: The calibration grey = 1000 x HU + 1 is implausible" in out


@pytest.mark.parametrize(
    ("argv", "says"),
    [
        (["reprot"], "did you mean report"),
        ([], "COMMAND must be given"),
        (["report"], "CASE, --out must be given"),
        (["report", "a", "--out"], "--out: its value is missing"),
        (["measure", "x", "--crest", "1,2"], "three numbers as X,Y,Z are needed, not '1,2'"),
        (["measure", "x", "--tooth", "a"], "a whole number is needed, not 'a'"),
    ],
)
def test_a_wrong_use_is_one_sentence(argv, says, capsys):
    with pytest.raises(SystemExit) as left:
        main(argv)
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert says in said
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize(
    ("argv", "says"),
    [
        (["outcomes", "nothere.json"], "nothere.json: there is no such case file"),
        (["trace", "x", "canal", "--through", "-1,2,3"], "1 point came with --through"),
        (["trace", "x", "foramen"], "no points came with --through"),
        (["report", str(UPPER / "series" / "001.dcm"), "--out", "x"], "this is a DICOM file and no case"),
    ],
)
def test_a_wrong_input_is_one_sentence(argv, says, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(argv) == 1
    said = capsys.readouterr().err.strip()
    assert says in said
    assert len(said.splitlines()) == 1


def test_an_empty_folder_is_named_with_what_to_do(tmp_path, capsys):
    assert main(["inspect", str(tmp_path)]) == 1
    assert f"{tmp_path}: no DICOM series was found here; name the folder" in capsys.readouterr().out
