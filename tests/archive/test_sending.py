"""What an archive does not take, said object by object, and what is not offered to it at all."""

from pathlib import Path
from types import ModuleType
from typing import Any

import pydicom
import pytest
from places import dimse_place, opened, web_place

from siteplan.archive import Archive, send
from siteplan.archive import sending as sending_module
from siteplan.errors import ArchiveError

CT = "1.2.840.10008.5.1.4.1.1.2"


@pytest.mark.parametrize("way", ["web", "get"])
def test_objects_of_another_patient_are_not_put_into_a_study(way: str, tmp_path: Path, make: ModuleType) -> None:
    with web_place() if way == "web" else dimse_place(way) as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=2)))
        before = set(place.server.shelf.files)
        for other in ("MANCHA-1606", ""):
            recipe = make.Recipe(count=1, series_uid="2.25.5001", patient_id=other, patient="")
            objects = make.write_series(tmp_path / f"o{other}", recipe)
            with pytest.raises(ArchiveError, match="has under another patient's number; nothing was sent") as caught:
                send(opened(place, tmp_path), [objects])
            assert "MANCHA" not in str(caught.value)
        assert set(place.server.shelf.files) == before


def _object(folder: Path, make: ModuleType, name: str, **changes: Any) -> Path:
    """A small object: a slice with other elements."""
    ds = make.slice_dataset(make.Recipe(count=1, series_uid="2.25.55"), 0, make.stored_values(make.Recipe(count=1))[0])
    for keyword, value in changes.items():
        if value is None:
            delattr(ds, keyword)
        else:
            setattr(ds, keyword, value)
    ds.file_meta.MediaStorageSOPClassUID, ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPClassUID, ds.SOPInstanceUID
    folder.mkdir(exist_ok=True)
    ds.save_as(folder / name, enforce_file_format=True)
    return folder / name


PDF = "1.2.840.10008.5.1.4.1.1.104.1"
TEMPLATE = "1.2.840.10008.5.1.4.43.1"


@pytest.mark.parametrize("way", ["web", "get"])
def test_kinds_that_the_archive_refuses_are_named_with_the_reason(way: str, tmp_path: Path, make: ModuleType) -> None:
    """Status codes of PS3.4 table B.2-1, refused contexts of PS3.8, and what belongs to no study."""
    _object(tmp_path / "o", make, "a.dcm")
    _object(tmp_path / "o", make, "b.dcm", SOPClassUID=PDF, SOPInstanceUID="2.25.66", SeriesInstanceUID="2.25.56")
    none = {"StudyInstanceUID": None, "SeriesInstanceUID": None}
    _object(tmp_path / "o", make, "c.dcm", SOPClassUID=TEMPLATE, SOPInstanceUID="2.25.67", **none)
    (tmp_path / "o" / f"{make.PATIENT.title()} letter.txt").write_text("no object")
    with web_place() if way == "web" else dimse_place("get", classes=(CT,)) as place:
        if way == "web":
            place.server.refused_classes = {PDF: 0x0122}
        done = send(opened(place, tmp_path), [tmp_path / "o"])
        alone = send(opened(place, tmp_path), [tmp_path / "o" / "b.dcm"])
    assert [one.shown for one in alone.refused] == ["b.dcm"]
    assert (done.sent, done.complete, done.missing) == (1, False, ())
    (refused,) = done.refused
    assert (refused.shown, refused.kind) == ("b.dcm", "Encapsulated PDF Storage")
    assert "does not support objects of this kind" in refused.why
    left = {one.shown: one.why for one in done.left_out}
    assert "belongs to no study" in left["c.dcm"]
    assert left["***^*** letter.txt"] == "no DICOM file"


def test_statuses_are_put_into_words(tmp_path: Path, make: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sending_module, "_FIRST_WAIT_S", 0.01)
    folder = make.write_series(tmp_path / "s", make.Recipe(count=4))
    codes = {"2.25.1001.1": 0xA700, "2.25.1001.2": 0xA900, "2.25.1001.3": 0xC000, "2.25.1001.4": 0xB000}
    with dimse_place("get", status_of=lambda ds: codes[str(ds.SOPInstanceUID)]) as place:
        done = send(opened(place, tmp_path), [folder])
    said = " ".join(one.why for one in done.refused)
    for part in ("out of room or memory (status A700)", "not what it says it is", "cannot understand the object"):
        assert part in said
    assert done.sent == 1  # B000: stored, with a remark
    assert len(done.missing) == 1  # but this archive did not really keep it, and that is noticed
    assert not done.complete


def test_an_archive_that_takes_and_does_not_keep(
    tmp_path: Path, make: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sending_module, "_FIRST_WAIT_S", 0.01)
    with web_place() as place:

        def forget(handler: Any) -> bool:
            if handler.command == "POST":
                handler.send_json({})
                return True
            return False

        place.server.trick = forget
        done = send(opened(place, tmp_path), [make.write_series(tmp_path / "s", make.Recipe(count=2))])
    assert len(done.missing) == 2
    assert not done.complete


def test_an_archive_with_implicit_encoding_only(tmp_path: Path, make: ModuleType) -> None:
    """Every archive knows implicit VR little endian (PS3.5 section 10.1); explicit files are rewritten for it."""
    folder = make.write_series(tmp_path / "s", make.Recipe(count=3))
    packed = make.write_series(
        tmp_path / "p", make.Recipe(count=2, series_uid="2.25.2001", syntax=make.JPEG_LS), prefix="p"
    )
    with dimse_place("get", syntaxes=("1.2.840.10008.1.2",)) as place:
        done = send(opened(place, tmp_path), [folder, packed])
        kept = place.server.shelf.files
    assert (done.sent, len(done.refused)) == (3, 2)
    assert "but not in the encoding of this file" in done.refused[0].why
    for path in folder.iterdir():
        ours = pydicom.dcmread(path)
        theirs = pydicom.dcmread(pydicom.filebase.DicomBytesIO(kept[str(ours.SOPInstanceUID)]))
        assert theirs.file_meta.TransferSyntaxUID == "1.2.840.10008.1.2"
        assert theirs == ours


def test_nothing_to_send_and_files_that_contradict(tmp_path: Path, make: ModuleType) -> None:
    with web_place() as place:
        archive: Archive = opened(place, tmp_path)
        with pytest.raises(ArchiveError, match="there is no such file or folder"):
            send(archive, [tmp_path / "none"])
        (tmp_path / "empty").mkdir()
        with pytest.raises(ArchiveError, match="no DICOM object in what was given"):
            send(archive, [tmp_path / "empty"])
        _object(tmp_path / "o", make, "a.dcm", SOPInstanceUID="2.25.9")
        _object(tmp_path / "o", make, "b.dcm", SOPInstanceUID="2.25.9")
        done = send(archive, [tmp_path / "o"])
        assert done.left_out[0].why == "the same as a.dcm"
        _object(tmp_path / "o", make, "b.dcm", SOPInstanceUID="2.25.9", Manufacturer="SOMEBODY")
        with pytest.raises(ArchiveError, match=r"a.dcm and b.dcm differ and have one UID"):
            send(archive, [tmp_path / "o"])
