"""Slips that a person makes with coordinates: refused or told by every command that works from a case, not by one."""

import json
import re
from pathlib import Path

import pytest

from siteplan import cli, load_case, read_scan
from siteplan.commands._shared import tell_directions


def changed(root: Path, folder: Path, **site: object) -> Path:
    """The lower-jaw sample with its first site (35) alone, and with these values in it."""
    sample = root / "sample_volumes" / "lower_jaw"
    content = json.loads((sample / "case.json").read_text(encoding="utf-8"))
    content["series"] = str(sample / content["series"])
    content["sites"] = [content["sites"][0] | site]
    path = folder / "case.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


@pytest.mark.parametrize("command", [["card"], ["propose", "--tooth", "35"], ["seat", "--tooth", "35"]])
def test_a_site_outside_the_scan_or_upside_down_is_refused_before_anything_is_measured(root, tmp_path, capsys, command):
    first = load_case(root / "sample_volumes" / "lower_jaw" / "case.json").case.sites[0]
    x, y, z = first.crest_mm
    for values, said in (
        ({"crest_mm": [y, x, z]}, r"sites\[0\]\.crest_mm: tooth 35 is planned at .* outside this scan, which reaches"),
        ({"axis": [-v for v in first.axis]}, r"sites\[0\]\.axis: Tooth 35 belongs to the lower jaw"),
    ):
        case = changed(root, tmp_path, **values)
        assert cli.main([command[0], str(case), *command[1:]]) == 1
        told = [line for line in capsys.readouterr().err.splitlines() if line.startswith("siteplan: ")]
        assert len(told) == 1
        assert re.search(said, told[0])


def test_a_reversed_buccal_direction_is_told_beside_proposals(root, tmp_path, capsys):
    sample = load_case(root / "sample_volumes" / "lower_jaw" / "case.json")
    scan = read_scan(sample.series_path)
    tell_directions(sample.case, sample.case.sites, scan)
    assert capsys.readouterr().err == ""
    first = sample.case.sites[0]
    turned = load_case(changed(root, tmp_path, buccal=[-v for v in first.buccal])).case
    tell_directions(turned, turned.sites, scan)
    assert "its buccal direction points away from there" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["report"], ["share"], ["export", "--as", "csv"]])
def test_a_file_in_the_place_of_the_results_is_told_before_minutes_are_spent(root, tmp_path, capsys, command):
    (tmp_path / "out").write_text("mine")
    case = root / "sample_volumes" / "lower_jaw" / "case.json"
    assert cli.main([*command, str(case), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "a file of this name is there" in said
    assert (tmp_path / "out").read_text() == "mine"


def test_share_and_export_call_identities_alike(capsys):
    for command in ("share", "export"):
        with pytest.raises(SystemExit):
            cli.main([command, "--help"])
        assert "--identity {none,initials,given}" in capsys.readouterr().out
