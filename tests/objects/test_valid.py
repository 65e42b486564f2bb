"""Every object against other people's checkers: dciodvfy (dicom3tools), dsrdump (dcmtk), pydicom."""

import io
import json
from collections.abc import Callable
from typing import Any

import pydicom
import pytest
from exports import QUICK, exported

from siteplan.report import Identity

Tool = Callable[..., Any]

IODS = {
    "report": "EncapsulatedPDF",
    "site": "SCImage",
    "measurements": "Comprehensive3DSR",
    "structures": "Segmentation",
    "surfaces": "SurfaceSegmentation",
    "fixture": "EncapsulatedSTL",
    "place": "SpatialRegistration",
}
"""What dciodvfy calls the object of a file; so a file that it does not know cannot pass."""


def kind_of(name: str) -> str:
    stem = name.removesuffix(".dcm")
    return "place" if stem.endswith("-place") else stem.split("-")[0]


def test_no_error_by_dciodvfy(each: Any, tool: Tool) -> None:
    seen = set()
    for name, path in each.files.items():
        said = tool("dciodvfy", str(path)).stderr
        assert IODS[kind_of(name)] in said.splitlines(), f"{name}: another object than meant"
        assert not [line for line in said.splitlines() if line.startswith("Error")], f"{name}:\n{said}"
        assert "not present in standard DICOM IOD" not in said, f"{name}:\n{said}"
        seen.add(kind_of(name))
    assert seen >= {"measurements", "structures", "surfaces", "fixture", "place"}


def test_every_kind_is_there(told: Any) -> None:
    assert {kind_of(name) for name in told.files} == set(IODS)


def test_the_checker_finds_a_fault(told: Any, tool: Tool, tmp_path: Any) -> None:
    for name, keyword in (("surfaces.dcm", "SurfaceSequence"), ("report.dcm", "MIMETypeOfEncapsulatedDocument")):
        ds = pydicom.dcmread(told.files[name])
        delattr(ds, keyword)
        ds.save_as(tmp_path / name)
        assert "Error - Missing attribute" in tool("dciodvfy", str(tmp_path / name)).stderr


def test_the_set_agrees_about_patient_and_study(each: Any, tool: Tool) -> None:
    said = tool("dcentvfy", *map(str, each.files.values()))
    assert "Error" not in said.stderr + said.stdout


def test_dsrdump_reads_the_report(each: Any, tool: Tool) -> None:
    said = tool("dsrdump", str(each.files["measurements.dcm"]))
    assert said.returncode == 0
    assert "Comprehensive 3D SR Document" in said.stdout
    assert "E:" not in said.stderr
    assert "F:" not in said.stderr
    assert said.stdout.count("<contains NUM:") > 50


def test_pydicom_reads_back_identically(each: Any) -> None:
    for path in each.files.values():
        ds = pydicom.dcmread(path)
        again = io.BytesIO()
        ds.save_as(again, enforce_file_format=True)
        assert again.getvalue() == path.read_bytes(), path.name


@pytest.mark.parametrize("folder", ["mandible_posterior", "maxilla_posterior"])
@pytest.mark.shared
def test_phantoms(folder: str, shared: Any, tmp_path: Any, tool: Tool) -> None:
    truth = json.loads((shared / "phantoms" / folder / "truth.json").read_text())
    fixture = "demo-compressive-3.5x8" if "maxilla" in folder else "demo-compressive-4.0x10"
    sites = [
        {"tooth": int(s["name"]), "crest_mm": s["crest_lps"], "axis": s["axis"], "buccal": s["buccal"]}
        | {"fixture": fixture}
        for s in truth["sites"]
    ]
    structures = []
    if truth.get("canal"):
        line, radius = truth["canal"]["centreline_lps"], truth["canal"]["lumen_radius_mm"]
        structures.append({"kind": "canal", "name": "canal", "points_mm": line, "radius_mm": radius})
    if truth.get("sinus"):
        surface = {"points_mm": truth["sinus"]["floor_patch_lps"], "behind": [0, 0, 1]}
        structures.append({"kind": "sinus-floor", "name": "sinus floor", "surface": surface})
    case = {"schema": "siteplan-case/1", "units": "mm", "series": str(shared / "phantoms" / folder / "series")}
    (tmp_path / "case.json").write_text(json.dumps(case | {"sites": sites, "structures": structures}))
    found = exported(tmp_path / "case.json", tmp_path / "out", Identity.NONE, QUICK)
    assert {"measurements.dcm", "structures.dcm", "surfaces.dcm"} <= found.files.keys()
    for path in found.files.values():
        said = tool("dciodvfy", str(path)).stderr
        assert "Error" not in said, said
