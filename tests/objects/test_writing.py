"""Identity, identifiers, and all or nothing."""

import re
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from exports import QUICK
from telling_patient import SECRETS

import siteplan
from siteplan.errors import OutputError
from siteplan.objects import ObjectKind, write_objects, writer
from siteplan.objects.context import context_of, mapped_uid
from siteplan.report import Identity

FIXTURES = (ObjectKind.FIXTURES,)


def readable(raw: bytes) -> bytes:
    """The bytes and those of every compressed stream in them (a PDF holds such)."""
    parts = [raw]
    for start in re.finditer(rb"stream\r?\n", raw):
        try:
            parts.append(zlib.decompressobj().decompress(raw[start.end() :]))
        except zlib.error:
            continue
    return b"\n".join(parts)


RANDOM_UID = re.compile(rb"2\.25\.\d{20,39}")
"""What random numbers and keyed hashes become; among thousands of their digits any short number turns up by chance."""


def test_not_one_byte_of_the_patient(told: Any) -> None:
    uids = {e.value for e in pydicom.dcmread(next(iter(told.series.iterdir()))) if e.VR == "UI"}
    own = {uid for uid in uids if not uid.startswith("1.2.840.10008.")}
    assert len(own) >= 4
    today = datetime.now(UTC).strftime("%Y%m%d").encode()
    for name, path in told.files.items():
        raw = path.read_bytes()
        content = RANDOM_UID.sub(b"", readable(raw))
        for secret in {*SECRETS, *own, "101112", str(told.findings.case.folder)}:
            for form in {secret, secret.lower(), secret.upper(), secret.title()}:
                for coding in ("utf-8", "utf-16-be", "utf-16-le"):
                    assert form.encode(coding) not in content, f"{name} holds {secret}"
            assert secret.lower() not in str(path.relative_to(path.parent.parent)).lower()
        if name != "report.dcm":  # the page itself says when it was printed; no header does
            assert today not in RANDOM_UID.sub(b"", raw), name


def test_what_the_basic_profile_asks_for(told: Any) -> None:
    for path in told.files.values():
        ds = pydicom.dcmread(path)
        assert ds.PatientIdentityRemoved == "YES"
        assert ds.DeidentificationMethodCodeSequence[0].CodeValue == "113100"  # CID 7050
        assert ds.PatientName == ds.PatientBirthDate == ds.PatientSex == ds.StudyDate == ds.AccessionNumber == ""
        assert not [e for e in ds.iterall() if e.tag.is_private]
        dates = {e.value for e in ds.iterall() if e.VR in ("DA", "DT") and e.value}
        assert dates <= {"19000101"}
        assert ds.get("BurnedInAnnotation", "NO") == "NO"


def test_as_given_says_who_it_is(lower: Any) -> None:
    source = pydicom.dcmread(next(iter(lower.series.iterdir())))
    for path in lower.files.values():
        ds = pydicom.dcmread(path)
        for keyword in ("PatientName", "PatientID", "PatientSex", "StudyInstanceUID", "StudyID"):
            assert ds[keyword].value == source[keyword].value
        assert "PatientIdentityRemoved" not in ds


def test_initials(upper: Any) -> None:
    for path in upper.files.values():
        ds = pydicom.dcmread(path)
        assert str(ds.PatientName) == "U.I."  # INVENTED^UNA: given name first
        assert ds.PatientBirthDate == ""
        assert ds.StudyInstanceUID != upper.findings.scan.series.study_uid


def test_one_study_one_frame_one_source(each: Any) -> None:
    sets = [pydicom.dcmread(path) for path in each.files.values()]
    assert len({ds.StudyInstanceUID for ds in sets}) == 1
    assert len({ds.PatientID for ds in sets}) == 1
    assert len({ds.SOPInstanceUID for ds in sets}) == len(sets)
    assert len({(ds.SeriesInstanceUID, ds.Modality) for ds in sets}) == len({ds.SeriesInstanceUID for ds in sets})
    frames = {ds.FrameOfReferenceUID for ds in sets if ds.Modality in ("SEG", "REG")}
    assert len(frames) == 1
    points = {e.value for ds in sets for e in ds.iterall() if e.keyword == "ReferencedFrameOfReferenceUID"}
    assert points == frames
    sources = {e.value for ds in sets for e in ds.iterall() if e.keyword == "ReferencedSOPInstanceUID"}
    own = {ds.SOPInstanceUID for ds in sets}
    assert len(sources - own) == len(each.findings.scan.voxels)


def test_two_exports_share_no_new_identifier(told: Any, tmp_path: Path) -> None:
    both = [write(told, tmp_path, kinds=FIXTURES), write(told, tmp_path, kinds=FIXTURES)]
    assert [paths[0].parent.name for paths in both] == ["dicom", "dicom-2"]
    new, studies = [], []
    for paths in both:
        sets = [pydicom.dcmread(path) for path in paths]
        new.append({ds.SOPInstanceUID for ds in sets} | {ds.SeriesInstanceUID for ds in sets})
        studies.append({ds.StudyInstanceUID for ds in sets})
    assert not new[0] & new[1]
    assert not studies[0] & studies[1], "without a key two exports cannot be joined"


def test_a_kept_key_joins_exports(told: Any) -> None:
    scan = told.findings.scan
    one, two, other = (context_of(scan, Identity.NONE, key=key) for key in (b"k" * 32, b"k" * 32, b"x" * 32))
    assert one.study_uid == two.study_uid != other.study_uid
    assert one.images == two.images
    assert one.patient == two.patient != other.patient
    # PS3.5 chapter 9: at most 64 characters, digits and dots; B.2: a UUID under the root 2.25.
    for uid in (one.study_uid, mapped_uid("1.2", b"k"), *(image.instance_uid for image in one.images)):
        assert re.fullmatch(r"2\.25\.[1-9]\d{0,38}", uid)
        assert len(uid) <= 64


def write(export: Any, out: Path, **more: Any) -> list[Path]:
    found = export.findings
    return write_objects(found, found.scan, found.case, out, **more)


def test_all_or_nothing(told: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []

    def failing(ds: Any, path: Path) -> None:
        calls.append(path)
        path.write_bytes(b"half")
        if len(calls) == 3:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(writer, "save", failing)
    with pytest.raises(OutputError, match=r"No space left.*nothing was left"):
        write(told, tmp_path, kinds=FIXTURES)
    assert len(calls) == 3
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written(told: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="choose another"):
        write(told, tmp_path / "file", kinds=FIXTURES)


def test_a_finished_report_never_goes_out_without_identity(told: Any, tmp_path: Path) -> None:
    (tmp_path / "r.pdf").write_bytes(b"%PDF-1.7 the patient is Quentino")
    with pytest.raises(OutputError, match="may name the patient"):
        write(told, tmp_path, report_pdf=tmp_path / "r.pdf", kinds=(ObjectKind.REPORT,))
    given = write(told, tmp_path, report_pdf=tmp_path / "r.pdf", kinds=(ObjectKind.REPORT,), identity=Identity.AS_GIVEN)
    ds = pydicom.dcmread(given[0])
    assert ds.EncapsulatedDocument[: ds.EncapsulatedDocumentLength] == (tmp_path / "r.pdf").read_bytes()
    assert ds.BurnedInAnnotation == "YES"
    assert ds.PatientName == told.findings.scan.patient.name


def test_text_burned_into_the_scan(told: Any, tmp_path: Path) -> None:
    """Burned In Annotation YES in a single slice stops pictures without identity; the rest may still go."""
    (tmp_path / "in").mkdir()
    for number, path in enumerate(sorted(told.series.iterdir())):
        ds = pydicom.dcmread(path)
        ds.BurnedInAnnotation = "YES" if number == 5 else "NO"
        ds.save_as(tmp_path / "in" / path.name)
    scan = siteplan.read_scan(tmp_path / "in")
    assert scan.source.burned_in == "YES"
    found = told.findings
    with pytest.raises(OutputError, match="burned into"):
        write_objects(found, scan, found.case, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert write_objects(found, scan, found.case, tmp_path / "out", kinds=FIXTURES)


def test_a_source_that_breaks_rules(told: Any, tmp_path: Path) -> None:
    """Identifiers that the standard does not allow are repeated as they are; another one would be another study."""
    wrong = {"StudyInstanceUID": "1.2.003.04", "PatientID": "P" * 70, "AccessionNumber": "A" * 20}
    (tmp_path / "in").mkdir()
    with pydicom.config.disable_value_validation():
        for path in told.series.iterdir():
            ds = pydicom.dcmread(path)
            for keyword, value in wrong.items():
                setattr(ds, keyword, value)
            ds.save_as(tmp_path / "in" / path.name)
        scan = siteplan.read_scan(tmp_path / "in")
        found = told.findings
        kinds = (ObjectKind.MEASUREMENTS, ObjectKind.SEGMENTATION, ObjectKind.FIXTURES)
    paths = write_objects(found, scan, found.case, tmp_path / "out", identity=Identity.AS_GIVEN, kinds=kinds)
    assert len(paths) >= 4
    with pydicom.config.disable_value_validation():
        for path in paths:
            again = pydicom.dcmread(path)
            assert {keyword: again[keyword].value for keyword in wrong} == wrong


def test_a_scan_without_stored_images(told: Any, tmp_path: Path) -> None:
    """A volume made in memory has nothing to refer to: no segmentation, no report of measures, the rest is written."""
    from dataclasses import replace

    from siteplan.scan.volume import SourceImages

    found = told.findings
    bare = replace(found.scan, source=SourceImages())
    names = {path.name for path in write_objects(found, bare, found.case, tmp_path, kinds=QUICK)}
    assert names == {"surfaces.dcm", *(n for n in told.files if n.startswith("fixture"))}


def test_the_report_comes_back_whole(told: Any, tool: Any, tmp_path: Path) -> None:
    ds = pydicom.dcmread(told.files["report.dcm"])
    pdf = tmp_path / "report.pdf"
    pdf.write_bytes(ds.EncapsulatedDocument[: ds.EncapsulatedDocumentLength])
    said = tool("pdftotext", str(pdf), "-").stdout
    assert "identity removed" in said
    for site in told.findings.sites:
        assert str(site.entry.tooth) in said
    assert "Quentino".lower() not in said.lower()


def test_pictures_are_what_was_drawn(told: Any) -> None:
    """Pixels of a capture, decoded by pydicom, hold the colours of the sheet: white ground and dark ink."""
    for site in told.findings.sites:
        ds = pydicom.dcmread(told.files[f"site-{site.entry.tooth}.dcm"])
        pixels = ds.pixel_array
        assert pixels.shape == (ds.Rows, ds.Columns, 3)
        assert (pixels[0, 0] == 255).all()
        assert (np.ptp(pixels.reshape(-1, 3), axis=0) > 200).all()
        assert "PixelSpacing" not in ds
