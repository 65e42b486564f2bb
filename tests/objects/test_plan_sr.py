"""The Implantation Plan SR against dcmtk's rules and the standard's own dental example."""

import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

import siteplan
from siteplan.findings import Findings
from siteplan.fixture import load_catalogue
from siteplan.objects import ObjectKind, write_objects
from siteplan.objects.template_write import template_uid
from siteplan.report import Identity

QUICK = (ObjectKind.MEASUREMENTS, ObjectKind.SEGMENTATION, ObjectKind.SURFACES, ObjectKind.FIXTURES)


@pytest.fixture(scope="module")
def folder(assessed: Callable[[str], Findings], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The upper sample's objects with the plan, identity removed."""
    findings = assessed("upper_jaw")
    out = tmp_path_factory.mktemp("plan")
    written = write_objects(
        findings, findings.scan, findings.case, out, identity=Identity.NONE, kinds=QUICK, with_plan=True
    )
    return written[0].parent


@pytest.fixture(scope="module")
def plan(folder: Path) -> Dataset:
    return pydicom.dcmread(folder / "plan.dcm")


def tree(item: Dataset, depth: int = 0) -> Iterator[tuple[int, str, str, Dataset]]:
    """(depth, concept, value type, item) of an item and all below it."""
    yield depth, item.ConceptNameCodeSequence[0].CodeMeaning, item.ValueType, item
    for inside in item.get("ContentSequence", ()):
        yield from tree(inside, depth + 1)


def below(plan: Dataset, heading: str) -> list[tuple[str, str]]:
    """(concept, value type) of what stands directly below the first heading of this name."""
    found = next(item for _, concept, _, item in tree(plan) if concept == heading)
    return [(inside.ConceptNameCodeSequence[0].CodeMeaning, inside.ValueType) for inside in found.ContentSequence]


def test_headings_are_those_of_the_dental_example(plan: Dataset) -> None:
    """PS3.17 table AAA.3-2, nodes 1, 1.3, 1.4, 1.5, in this order."""
    headings = [concept for _, concept, kind, _ in tree(plan) if kind == "CONTAINER"]
    assert [h for h in headings if h != "Selected Implant Component"] == [
        "Implantation Plan", "Implant Component List", "Information used for planning",
        "Planning Information for Intraoperative Usage",
    ]  # fmt: skip
    assert plan.ContentTemplateSequence[0].TemplateIdentifier == "7000"
    assert plan.ContentTemplateSequence[0].MappingResource == "DCMR"


def test_each_component_says_what_the_example_says(plan: Dataset) -> None:
    """Nodes 1.3.1.1 to 1.3.1.4 of PS3.17 table AAA.3-2, and the tooth and name that it does not have."""
    wanted = [
        ("Component ID", "TEXT"), ("Component Type", "CODE"), ("Implant Template", "COMPOSITE"),
        ("Frame of Reference UID", "UIDREF"), ("Name of the fixture in the catalogue", "TEXT"),
        ("Finding Site", "CODE"),
    ]  # fmt: skip
    assert below(plan, "Selected Implant Component") == wanted
    assert len(below(plan, "Implant Component List")) == 2


def test_references_lead_to_the_objects_beside_it(plan: Dataset, folder: Path, root: Path) -> None:
    others = {ds.SOPInstanceUID: ds for ds in map(pydicom.dcmread, folder.glob("*.dcm")) if ds != plan}
    listed = {
        one.ReferencedSOPInstanceUID
        for study in plan.CurrentRequestedProcedureEvidenceSequence
        for series in study.ReferencedSeriesSequence
        for one in series.ReferencedSOPSequence
    }
    case = siteplan.load_case(root / "sample_volumes" / "upper_jaw" / "case.json")
    templates = {template_uid(load_catalogue().get(site.fixture or "")) for site in case.case.sites}
    images = 0
    for _, concept, kind, item in tree(plan):
        if kind not in ("COMPOSITE", "IMAGE"):
            continue
        uid = item.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
        if concept == "Implant Template":
            assert uid not in listed  # a template has no study, so it cannot be evidence
            assert uid in templates
            continue
        assert uid in listed, f"{concept} is no evidence"
        if concept == "Patient Image":
            images += 1
        else:
            assert others[uid].SOPClassUID == item.ReferencedSOPSequence[0].ReferencedSOPClassUID
            assert others[uid].StudyInstanceUID == plan.StudyInstanceUID
    assert images == len(list(case.series_path.glob("*.dcm")))


def test_each_component_is_placed_by_its_registration(plan: Dataset, folder: Path) -> None:
    others = {ds.SOPInstanceUID: ds for ds in map(pydicom.dcmread, folder.glob("*.dcm"))}
    frames = [item.UID for _, concept, kind, item in tree(plan) if kind == "UIDREF" and "Frame" in concept]
    registered = {
        part.FrameOfReferenceUID
        for _, concept, _, item in tree(plan)
        if concept == "Spatial Registration"
        for part in others[item.ReferencedSOPSequence[0].ReferencedSOPInstanceUID].RegistrationSequence
    }
    assert len(set(frames)) == 2
    assert set(frames) < registered


def test_dsrdump_accepts_value_types_and_relationships(folder: Path) -> None:
    """dcmtk holds table A.35.12-2 of PS3.3: what may stand below what. It says itself that rows are not checked."""
    if shutil.which("dsrdump") is None:
        pytest.skip("dsrdump is not installed")
    said = subprocess.run(["dsrdump", str(folder / "plan.dcm")], capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stderr
    assert "Implantation Plan SR Document" in said.stdout
    assert not [line for line in said.stderr.splitlines() if line.startswith(("E:", "F:"))]
    assert said.stdout.count("Selected Implant Component") == 2


def test_dsrdump_finds_a_fault(plan: Dataset, tmp_path: Path) -> None:
    if shutil.which("dsrdump") is None:
        pytest.skip("dsrdump is not installed")
    broken = pydicom.dcmread(plan.filename)
    broken.ContentSequence[-1].RelationshipType = "HAS PROPERTIES"  # not allowed below a heading
    broken.save_as(tmp_path / "plan.dcm")
    said = subprocess.run(["dsrdump", str(tmp_path / "plan.dcm")], capture_output=True, text=True, check=False)
    assert said.returncode != 0


def test_dciodvfy_says_only_what_is_known(folder: Path) -> None:
    """It does not know this document; what it checks of any report is evidence, and templates cannot be that."""
    if shutil.which("dciodvfy") is None:
        pytest.skip("dciodvfy (dicom3tools) is not installed")
    said = subprocess.run(["dciodvfy", str(folder / "plan.dcm")], capture_output=True, text=True, check=False).stderr
    errors = [line for line in said.splitlines() if line.startswith("Error")]
    known = [line for line in errors if "Information Object Not found" in line or "is not listed in" in line]
    assert errors == known
    assert len(errors) <= 1 + 2


def test_no_text_of_the_case_is_in_it(plan: Dataset, root: Path) -> None:
    raw = Path(plan.filename).read_bytes()
    case = siteplan.load_case(root / "sample_volumes" / "upper_jaw" / "case.json").case
    typed = [case.title, case.patient_label, case.notes, *(site.notes for site in case.sites)]
    assert not [words for words in typed if words and words.encode() in raw]


def test_reads_back_identically(folder: Path, tmp_path: Path) -> None:
    pydicom.dcmread(folder / "plan.dcm").save_as(tmp_path / "again.dcm", enforce_file_format=True)
    assert (tmp_path / "again.dcm").read_bytes() == (folder / "plan.dcm").read_bytes()
