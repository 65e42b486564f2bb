"""`siteplan trace` end to end: JSON that a case file takes, and one sentence for bad input."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from siteplan.anatomy.naming import named
from siteplan.anatomy.structure import Cone, Kind, Structure
from siteplan.case.by_hand import ArchEntry
from siteplan.case.store import parse_case
from siteplan.cli import main

SITE = {"tooth": 36, "crest_mm": [0, 0, 0], "axis": [0, 0, -1], "buccal": [1, 0, 0]}


@pytest.mark.shared
def test_canal_as_json(shared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shared / "phantoms" / "mandible_posterior"
    line = json.loads((folder / "truth.json").read_text())["canal"]["centreline_lps"]
    through = [f"--through={','.join(map(str, line[n]))}" for n in (10, -10)]
    assert main(["trace", str(folder / "series"), "canal", *through, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["kind"] == "canal"
    assert found["made_by"] == "found"
    assert len(found["points_mm"]) == len(found["radius_mm"]) == len(found["confidence"]) > 40
    assert np.abs(np.array(found["radius_mm"]) - 1.5).max() < 0.4
    assert 0 < found["uncertainty_mm"] < 0.3


@pytest.mark.shared
def test_root_as_json_and_in_words(shared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shared / "phantoms" / "mandible_posterior"
    assert main(["trace", str(folder / "series"), "root", "--near=34.5,-36,-38", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["kind"] == "root"
    assert found["surface"]["closed"] is True
    assert main(["trace", str(folder / "series"), "root", "--near=34.5,-36,-38"]) == 0
    assert "To be confirmed by a person" in capsys.readouterr().out


@pytest.mark.shared
def test_sinus_and_arch_as_json(shared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    series = str(shared / "phantoms" / "maxilla_posterior" / "series")
    assert main(["trace", series, "sinus", "--near=-33.15,-20.95,3.59", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["kind"] == "sinus-floor"
    assert np.array(found["surface"]["behind"])[2] > 0.9
    assert np.array(found["surface"]["triangles"]).max() < len(found["surface"]["points_mm"])
    assert main(["trace", series, "arch", "--near=-33.15,-20.95,7.0", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["control_points_mm"]) >= 4
    assert main(["trace", series, "arch", "--near=-33.15,-20.95,7.0", "--jaw=upper", "--json"]) == 0
    (arch,) = json.loads(capsys.readouterr().out)["arches"]
    assert ArchEntry.model_validate(arch).jaw == "upper"


@pytest.mark.shared
@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["canal", "--through=30,-30,-50"], "a canal needs two or more"),
        (["canal", "--through=33.3,-38.2,-50.6", "--through=18,-46,-68"], "point 2 lies in air"),
        (["arch", "--near=500,0,0"], "outside the scan"),
        (["root", "--near=0,0,0"], "outside the scan"),
        (["sinus", "--near=39,-24,-48"], "no air cavity"),
    ],
)
def test_bad_input_gets_one_sentence(
    shared: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    series = str(shared / "phantoms" / "mandible_posterior" / "series")
    assert main(["trace", series, *words, "--json"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert says in err
    assert len(err.strip().splitlines()) == 1


def test_two_roots_of_one_scan_go_into_one_case(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each with a name of its own, as it is printed; the case file's own reader refuses two of one name."""
    one = Cone(np.array([10.2, 0.0, 0.0]), np.array([10.2, 0.0, -12.0]), 2.0, 1.0)
    roots = [
        Structure(Kind.ROOT, "tooth root", replace(one, base_lps_mm=one.base_lps_mm + np.array([n, 0, 0])))
        for n in (0, 4)
    ]
    monkeypatch.setattr("siteplan.scan.read_scan", lambda *args, **kwargs: None)
    monkeypatch.setattr("siteplan.commands.trace._structures", lambda scan, args: [roots.pop()])
    monkeypatch.setattr("siteplan.commands.trace.tell_doubts", lambda scan: None)
    found = []
    for words in (["--near=10,0,-6"], ["--near=14,0,-6", "--near=14,0,-3"]):
        assert main(["trace", "anything", "root", *words, "--json"]) == 0
        found.append(json.loads(capsys.readouterr().out))
    names = [s["name"] for s in found]
    assert len(set(names)) == 2
    case = {"schema": "siteplan-case/1", "units": "mm", "series": ".", "sites": [SITE], "structures": found}
    assert [s.name for s in parse_case(json.dumps(case).encode()).structures] == names


@pytest.mark.parametrize(
    ("kind", "side", "given", "name"),
    [
        (Kind.CANAL, "left", {}, "thing, left"),
        (Kind.CANAL, "", {}, "thing at 12, 0, -6 mm"),
        (Kind.ROOT, "left", {}, "thing at 12, 0, -6 mm"),
        (Kind.ROOT, "left", {"tooth": 36}, "thing, tooth 36"),
        (Kind.ROOT, "left", {"tooth": 36, "name": "mesial root"}, "mesial root"),
    ],
)
def test_what_a_traced_structure_is_called(kind: Kind, side: str, given: dict[str, Any], name: str) -> None:
    shape = Cone(np.array([12.2, 0.0, 0.0]), np.array([12.2, 0.0, -12.0]), 2.0, 1.0)
    assert named(Structure(kind, "thing", shape, side), **given).name == name


def test_a_tooth_that_does_not_exist_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["trace", "anything", "root", "--near=1,2,3", "--tooth=39"])
    assert "no tooth 39" in capsys.readouterr().err


@pytest.mark.shared
def test_the_canals_of_both_sides_go_into_one_case(shared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The case file's own reader refuses two structures of one name."""
    assert main(["trace", str(shared / "scans" / "cadaver_head"), "canal", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {s["side"] for s in found} == {"left", "right"}
    case = {"schema": "siteplan-case/1", "units": "mm", "series": ".", "sites": [SITE], "structures": found}
    assert len(parse_case(json.dumps(case).encode()).structures) == 2
