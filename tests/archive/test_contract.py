"""What holds for every archive by every way: DICOMweb, C-GET and C-MOVE, small archives of ours and a real Orthanc.

Every comparison of content is between files on this side and on that, read by pydicom.
"""

import hashlib
import io
from pathlib import Path
from types import ModuleType

import pydicom
import pytest
from orthanc import Orthanc
from places import Place, opened

from siteplan.archive import Archive, Query, SeriesRow, fetch_series, send
from siteplan.errors import ArchiveError, OutputError
from siteplan.scan import read_scan


def put(place: Place, archive: Archive, folder: Path) -> None:
    """Into the archive: straight where it is ours, by sending where it is Orthanc."""
    if place.server is not None:
        place.server.shelf.add_folder(folder)
    else:
        assert send(archive, [folder]).complete


def row_of(archive: Archive, study_uid: str = "2.25.1000") -> SeriesRow:
    (row,) = archive.series(study_uid)
    return row


def pixel_sums(files: list[bytes]) -> dict[str, tuple[str, str]]:
    """Transfer syntax and SHA-256 of the stored pixels, by SOP Instance UID."""
    out = {}
    for data in files:
        ds = pydicom.dcmread(io.BytesIO(data))
        out[str(ds.SOPInstanceUID)] = (str(ds.file_meta.TransferSyntaxUID), hashlib.sha256(ds.PixelData).hexdigest())
    return out


def of_folder(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in sorted(folder.iterdir())]


def kept_by(place: Place, request: pytest.FixtureRequest, uids: list[str]) -> list[bytes]:
    """What the archive holds, past all of our code."""
    if place.server is not None:
        return [place.server.shelf.files[uid] for uid in uids]
    server: Orthanc = request.getfixturevalue("orthanc")
    return [server.file_of(uid) for uid in uids]


def test_it_answers(archive: Archive) -> None:
    archive.check()


def test_a_study_is_found_by_patient_date_and_modality(
    place: Place, archive: Archive, make: ModuleType, tmp_path: Path
) -> None:
    put(place, archive, make.write_series(tmp_path / "s", make.Recipe(count=9)))
    other = make.Recipe(count=2, study_uid="2.25.7", series_uid="2.25.71", patient="PANZA^SANCHO", patient_id="X-1")
    put(place, archive, make.write_series(tmp_path / "o", other))
    for query in (
        Query(patient_id=make.PATIENT_ID),
        Query(patient_name="QUIX*", date_from="20260601", date_to="20260601", modality="CT"),
        Query(patient_id=make.PATIENT_ID, date_from="20260101"),
        Query(study_uid="2.25.1000"),
    ):
        (study,) = archive.studies(query)
        assert (study.uid, study.date, study.modalities) == ("2.25.1000", "20260601", ("CT",))
        assert study.patient.identifier == make.PATIENT_ID
        assert make.PATIENT_ID not in repr(study)
    assert len(archive.studies(Query(modality="CT"))) == 2
    assert archive.studies(Query(date_from="20270101")) == []
    assert archive.studies(Query(modality="MR")) == []
    row = row_of(archive)
    assert (row.uid, row.modality, row.date, row.objects) == ("2.25.1001", "CT", "20260601", 9)
    assert len(archive.instances("2.25.1000", "2.25.1001")) == 9


@pytest.mark.parametrize("syntax", ["EXPLICIT", "JPEG_LS"])
def test_a_series_goes_there_and_comes_back_the_same(
    place: Place, archive: Archive, make: ModuleType, tmp_path: Path, request: pytest.FixtureRequest, syntax: str
) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=11, syntax=getattr(make, syntax)))
    before = pixel_sums(of_folder(folder))
    seen: list[float] = []
    done = send(archive, [folder], progress=lambda share, _what: seen.append(share))
    assert (done.sent, done.were_there, done.complete) == (11, 0, True)
    assert seen == sorted(seen)
    assert seen[-1] < 1
    assert pixel_sums(kept_by(place, request, sorted(before))) == before
    seen.clear()
    got = fetch_series(archive, row_of(archive), tmp_path / "got", progress=lambda share, _what: seen.append(share))
    assert (got.objects, got.was_there) == (11, False)
    assert seen == sorted(seen)
    assert pixel_sums(of_folder(tmp_path / "got")) == before
    assert sorted(path.name for path in (tmp_path / "got").iterdir()) == [f"{at:05d}.dcm" for at in range(1, 12)]
    assert (read_scan(tmp_path / "got").voxels == read_scan(folder).voxels).all()
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


def test_once_more_does_nothing(place: Place, archive: Archive, make: ModuleType, tmp_path: Path) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=5))
    put(place, archive, folder)
    again = send(archive, [folder])
    assert (again.sent, again.were_there, again.complete) == (0, 5, True)
    fetch_series(archive, row_of(archive), tmp_path / "got")
    stamps = {path: path.stat().st_mtime_ns for path in (tmp_path / "got").iterdir()}
    assert fetch_series(archive, row_of(archive), tmp_path / "got").was_there
    assert {path: path.stat().st_mtime_ns for path in (tmp_path / "got").iterdir()} == stamps


def test_a_folder_with_something_else_is_left_alone(
    place: Place, archive: Archive, make: ModuleType, tmp_path: Path
) -> None:
    put(place, archive, make.write_series(tmp_path / "s", make.Recipe(count=3)))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("mine")
    with pytest.raises(OutputError, match="holds something else; choose a folder that is new or empty"):
        fetch_series(archive, row_of(archive), tmp_path / "mine")
    assert of_folder(tmp_path / "mine") == [b"mine"]
    (tmp_path / "empty").mkdir()
    assert fetch_series(archive, row_of(archive), tmp_path / "empty").objects == 3


def test_an_interrupted_fetch_goes_on(place: Place, archive: Archive, make: ModuleType, tmp_path: Path) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=8))
    put(place, archive, folder)
    row, calls = row_of(archive), []

    def stop(share: float, what: str) -> None:
        if what.startswith("fetching") and len(calls) < 3:
            calls.append(share)
            if len(calls) == 3:
                raise KeyboardInterrupt

    if place.way == "move":  # there the objects come in by another thread, which no key reaches
        stopped = _spoilt_after(archive, row, tmp_path / "got", 3)
    else:
        with pytest.raises(KeyboardInterrupt):
            fetch_series(archive, row, tmp_path / "got", progress=stop)
        stopped = 3
    assert not (tmp_path / "got").exists()
    (left,) = [path for path in tmp_path.iterdir() if path.name.startswith(".got")]
    assert len(list(left.glob("*.dcm"))) == stopped
    (left / "00009.part").write_bytes(b"half an object")
    (first := sorted(left.glob("*.dcm"))[0]).write_bytes(b"spoilt since")
    got = fetch_series(archive, row, tmp_path / "got")
    assert (got.objects, got.taken_up) == (8, stopped - 1), first
    assert pixel_sums(of_folder(tmp_path / "got")) == pixel_sums(of_folder(folder))
    assert not left.exists()


def _spoilt_after(archive: Archive, row: SeriesRow, target: Path, count: int) -> int:
    """Stop a C-MOVE after some objects, by an error where they are taken in."""

    def stop(share: float, what: str) -> None:
        if what.startswith("fetching") and share >= count / 8:
            raise OutputError("the disk is full; make room")

    with pytest.raises(OutputError, match="disk is full"):
        fetch_series(archive, row, target, progress=stop)
    return count


def test_names_in_other_letters(place: Place, archive: Archive, make: ModuleType, tmp_path: Path) -> None:
    """Latin 1 (ISO_IR 100) as most European archives keep it; the listing must show the letters."""
    recipe = make.Recipe(count=1, patient="PEÑA^JOSÉ")

    def in_latin(ds: pydicom.Dataset, _k: int) -> None:
        ds.SpecificCharacterSet = "ISO_IR 100"

    put(place, archive, make.write_series(tmp_path / "s", recipe, in_latin))
    for query in (Query(patient_id=make.PATIENT_ID), Query(patient_name="PE*^JOS*"), Query(patient_name="PEÑA^JOSÉ")):
        (study,) = archive.studies(query)
        assert study.patient.name == "PEÑA^JOSÉ"


def test_a_study_that_is_not_there(archive: Archive, tmp_path: Path) -> None:
    assert archive.studies(Query(study_uid="2.25.404")) == []
    row = SeriesRow("2.25.405", "2.25.404", "CT", "", "", None)
    with pytest.raises(ArchiveError, match="no such s"):
        fetch_series(archive, row, tmp_path / "got")
    assert list(tmp_path.glob(".got*")) == []


def test_a_wrong_password_or_title_is_told_apart(
    place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make: ModuleType
) -> None:
    if place.way == "web":
        monkeypatch.setenv("SITEPLAN_TEST_SECRET", "Dapple-1606")
        with pytest.raises(ArchiveError, match="refuses our login"):
            opened(place, tmp_path).check()
        return
    with pytest.raises(ArchiveError, match="is not called 'TOBOSO'; correct the AE title"):
        opened(place, tmp_path, title="TOBOSO").check()
    if place.server is None:  # Orthanc knows only our title; it lets a stranger in and then does nothing for him
        with pytest.raises(ArchiveError, match=r"supports nothing of what is asked for|does not know our AE title"):
            opened(place, tmp_path, our_title="STRANGER").studies(Query(patient_id=make.PATIENT_ID))
