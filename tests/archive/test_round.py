"""The whole way: a scan into a real archive, found, fetched and planned, and what the plan makes stored beside it."""

from dataclasses import replace
from pathlib import Path

import pydicom
import pytest
from orthanc import Orthanc
from places import Place, opened

import siteplan
from siteplan.archive import Query, fetch_series, send
from siteplan.case import CaseFile
from siteplan.objects import ObjectKind, write_objects
from siteplan.report import Identity
from siteplan.scan import Scan, list_series

KINDS = (
    ObjectKind.MEASUREMENTS,
    ObjectKind.SEGMENTATION,
    ObjectKind.SURFACES,
    ObjectKind.FIXTURES,
)
"""All that draw no picture."""


@pytest.mark.parametrize(("there", "back"), [("web", "get"), ("get", "web")])
def test_a_plan_goes_round(orthanc: Orthanc, root: Path, tmp_path: Path, there: str, back: str) -> None:
    orthanc.clear()
    first, second = (
        opened(
            Place(orthanc.url, orthanc.dicom_port, orthanc.title, orthanc.receive_port, way),
            _folder(tmp_path / way),
            timeout_s=30,
        )
        for way in (there, back)
    )
    case = siteplan.load_case(root / "sample_volumes/lower_jaw/case.json")
    assert send(first, [case.series_path]).complete
    series = list_series(case.series_path).series[0]
    (study,) = second.studies(Query(patient_id=series.patient.identifier, modality="CT"))
    (row,) = second.series(study.uid)
    scan_uid = row.uid
    got = fetch_series(second, row, tmp_path / "scan")
    scan = siteplan.read_scan(got.folder)
    assert (scan.voxels == siteplan.read_scan(case.series_path).voxels).all()
    objects = made(scan, case, tmp_path) if there == "web" else made_small(got.folder, tmp_path)
    done = send(second, objects)
    assert done.complete
    assert done.sent == len(objects)
    stored = {
        one.uid for row in first.series(study.uid) if row.uid != scan_uid
        for one in first.instances(study.uid, row.uid)
    }  # fmt: skip
    assert stored == {str(pydicom.dcmread(path).SOPInstanceUID) for path in objects}
    for path in objects:
        ours = pydicom.dcmread(path)
        theirs = pydicom.dcmread(pydicom.filebase.DicomBytesIO(orthanc.file_of(str(ours.SOPInstanceUID))))
        assert theirs == ours
    rows = [row for row in second.series(study.uid) if row.uid != scan_uid]
    for at, row in enumerate(rows):
        fetched = fetch_series(second, row, tmp_path / f"object-{at}")
        for path in fetched.folder.iterdir():
            assert str(pydicom.dcmread(path).SOPInstanceUID) in stored


def made(scan: Scan, case: CaseFile, folder: Path) -> list[Path]:
    """Objects of the plan, from the scan as it came back."""
    one_site = case.case.model_copy(update={"sites": case.case.sites[:1]})
    case = replace(case, case=one_site)
    findings = siteplan.assess(scan, case)
    return write_objects(findings, scan, case, folder / "objects", identity=Identity.AS_GIVEN, kinds=KINDS)


KIND_UIDS = {
    "report": "1.2.840.10008.5.1.4.1.1.104.1",
    "picture": "1.2.840.10008.5.1.4.1.1.7",
    "model": "1.2.840.10008.5.1.4.1.1.104.3",
}


def made_small(series: Path, folder: Path) -> list[Path]:
    """Objects of kinds that the other run does not have, with little in them: an archive looks at headers only."""
    out = _folder(folder / "objects")
    slice_ = pydicom.dcmread(sorted(series.iterdir())[0])
    for at, (name, sop_class) in enumerate(KIND_UIDS.items(), 1):
        slice_.SOPClassUID = slice_.file_meta.MediaStorageSOPClassUID = sop_class
        slice_.SOPInstanceUID = slice_.file_meta.MediaStorageSOPInstanceUID = f"2.25.16050{at}"
        slice_.SeriesInstanceUID, slice_.Modality = f"2.25.16051{at}", "DOC"
        slice_.save_as(out / f"{name}.dcm")
    return sorted(out.iterdir())


def _folder(path: Path) -> Path:
    path.mkdir(exist_ok=True)
    return path
