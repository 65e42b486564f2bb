"""`siteplan export`, `unpack` and `catalogue` as a person or a script runs them, on the sample patient."""

import csv
import json
import sys
from pathlib import Path

import pytest
import trimesh

from siteplan.cli import main

# The import mode of the suite would not find a module that only tests share.
sys.path.insert(0, str(Path(__file__).parent.parent / "handover"))

import bundle_maker  # found by the line above


@pytest.fixture(scope="module")
def out(root, tmp_path_factory):
    """What one run writes: tables, meshes and templates."""
    folder = tmp_path_factory.mktemp("export") / "made" / "here"
    case = str(root / "sample_volumes" / "upper_jaw" / "case.json")
    kinds = ("csv", "json", "glb", "templates")
    assert main(["export", case, *(word for kind in kinds for word in ("--as", kind)), "--out", str(folder)]) == 0
    return folder


def test_kinds_are_written_together_and_fit_each_other(out):
    findings = json.loads((out / "findings.json").read_text("utf-8"))
    with (out / "fixtures.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["tooth"]) for row in rows] == [site["tooth"] for site in findings["sites"]]
    scene = trimesh.load(out / "plan.glb")
    for row in rows:
        matrix, name = scene.graph[f"site-{row['tooth']}-fixture"]
        points = trimesh.transform_points(scene.geometry[name].vertices, matrix)
        x, y, z = (float(row[f"apex_{way}_lps_mm"]) / 1000 for way in "xyz")
        # the apex is the middle of the lowest disc; tables are rounded to 0.1 micrometre, coordinates to float32
        assert ((points - (x, z, -y)) ** 2).sum(axis=1).min() ** 0.5 < 1e-6


def test_templates_become_a_catalogue_again(out, tmp_path, capsys):
    templates = sorted(str(path) for path in (out / "templates").iterdir())
    assert main(["catalogue", *templates, "--out", str(tmp_path / "own.toml")]) == 0
    assert "Check every size against the maker's instructions" in capsys.readouterr().out
    assert main(["catalogue", *templates, "--out", str(tmp_path / "own.toml")]) == 1
    assert "nothing was overwritten" in capsys.readouterr().err


def test_json_lists_files_and_nothing_else(root, tmp_path, capsys):
    case = str(root / "sample_volumes" / "upper_jaw" / "case.json")
    assert main(["export", case, "--as", "csv", "--out", str(tmp_path), "--json"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    content = json.loads(said.out)
    assert content["identity"] == "none"
    assert sorted(content["files"]) == sorted(str(path) for path in tmp_path.iterdir())


def test_wrong_words_are_told(root, tmp_path, capsys):
    case = str(root / "sample_volumes" / "upper_jaw" / "case.json")
    for wrong in (["--as", "painting"], ["--as", "csv", "--with-scan"], []):
        with pytest.raises(SystemExit) as stopped:
            main(["export", case, *wrong, "--out", str(tmp_path)])
        assert stopped.value.code == 2
        assert "Traceback" not in capsys.readouterr().err


def test_unpack_says_what_is_wrong_in_one_sentence(tmp_path, capsys):
    (tmp_path / "b.zip").write_bytes(b"no zip")
    for words in (["--check"], ["--out", str(tmp_path / "out")]):
        assert main(["unpack", str(tmp_path / "b.zip"), *words]) == 1
        said = capsys.readouterr().err
        assert said.startswith("siteplan: ")
        assert said.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_unpack_checks_opens_and_says_what_is_missing(tmp_path, capsys):
    bundle = bundle_maker.write(tmp_path / "b.zip", bundle_maker.members())
    assert main(["unpack", str(bundle), "--check"]) == 0
    assert "every hash agrees" in capsys.readouterr().out
    assert main(["unpack", str(bundle), "--out", str(tmp_path / "a"), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["case"] == str(tmp_path / "a" / "case.json")
    assert said["has_scan"] is False
    assert said["manifest"]["schema"] == "siteplan-bundle/1"
    assert main(["unpack", str(bundle), "--out", str(tmp_path / "b")]) == 0
    said = capsys.readouterr().out
    assert "The scan is not in it" in said
    assert "--scan SERIES" in said
    assert main(["unpack", str(bundle), "--out", str(tmp_path / "b")]) == 1
    assert "this place is in use" in capsys.readouterr().err
