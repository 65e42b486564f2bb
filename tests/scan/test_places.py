"""Where scans come from: nested folders, other files, ZIP files, media with an index, and traps."""

import os
import warnings
import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make
from pydicom.fileset import FileSet

from siteplan.errors import ScanError
from siteplan.scan import ScanRefused, list_series, read_scan

TODAY = date(2026, 7, 1)
VALUES = make.stored_values(make.Recipe())


def test_nested_folders_among_other_files(tmp_path: Path) -> None:
    make.write_series(tmp_path / "a" / "b", make.Recipe())
    (tmp_path / "a" / "readme.txt").write_text("hello")
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "picture.jpg").write_bytes(b"\xff\xd8\xff\xe0")
    (tmp_path / "loop").symlink_to(tmp_path)
    scan = read_scan(tmp_path, today=TODAY)
    np.testing.assert_array_equal(scan.voxels, VALUES)
    (finding,) = [one for one in scan.findings if one.code == "not-dicom"]
    assert "3 files passed over" in finding.what


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes on this system")
def test_pipes_are_not_opened(tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe())
    os.mkfifo(tmp_path / "pipe")
    assert read_scan(tmp_path, today=TODAY).shape == (12, 18, 22)


def zipped(folder: Path, path: Path, extra: dict[str, bytes] | None = None) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in folder.rglob("*"):
            archive.write(file, str(file.relative_to(folder)))
        for name, data in (extra or {}).items():
            archive.writestr(name, data)
    return path


@pytest.mark.parametrize("syntax", [make.EXPLICIT, make.JPEG_LS, make.DEFLATED])
def test_zip_file_is_read_in_place_and_nothing_is_unpacked(syntax: str, tmp_path: Path) -> None:
    make.write_series(tmp_path / "in", make.Recipe(syntax=syntax))
    place = tmp_path / "sent"
    place.mkdir()
    path = zipped(tmp_path / "in", place / "scan.zip", {"../../escape.dcm": b"x" * 200})
    np.testing.assert_array_equal(read_scan(path, today=TODAY).voxels, VALUES)
    assert [file.name for file in place.iterdir()] == ["scan.zip"]
    assert not (tmp_path / "escape.dcm").exists()


def test_zip_bomb_is_refused_without_unpacking(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for at in range(20):
            archive.writestr(str(at), bytes(20_000_000))
    with pytest.raises(ScanError, match="far more than a scan of its size can hold"):
        read_scan(path)


def test_damaged_zip(tmp_path: Path) -> None:
    make.write_series(tmp_path / "in", make.Recipe())
    path = zipped(tmp_path / "in", tmp_path / "scan.zip")
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(ScanError, match="damaged ZIP"):
        read_scan(path)


def test_damaged_member_of_a_zip(tmp_path: Path) -> None:
    make.write_series(tmp_path / "in", make.Recipe())
    path = zipped(tmp_path / "in", tmp_path / "scan.zip")
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 50] = bytes(50)
    path.write_bytes(bytes(data))
    with pytest.raises(ScanRefused) as caught:
        read_scan(path, today=TODAY)
    assert {one.code for one in caught.value.findings} & {"corrupt-pixels", "unreadable-file", "missing-slice"}


def medium(folder: Path) -> Path:
    files = FileSet()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for at, data in enumerate(make.series_bytes(make.Recipe())):
            path = folder / f"source{at}"
            path.write_bytes(data)
            files.add(path)
        files.write(folder / "medium")
    return folder / "medium"


def test_medium_with_an_index(tmp_path: Path) -> None:
    scan = read_scan(medium(tmp_path), today=TODAY)
    np.testing.assert_array_equal(scan.voxels, VALUES)
    assert [one.code for one in scan.findings] == ["motion-not-checked"]


def test_the_index_itself_may_be_given(tmp_path: Path) -> None:
    place = medium(tmp_path)
    np.testing.assert_array_equal(read_scan(place / "DICOMDIR", today=TODAY).voxels, VALUES)


def test_file_missing_from_a_medium_is_told_even_at_the_end(tmp_path: Path) -> None:
    place = medium(tmp_path)
    last = next(path for path in place.rglob("*") if path.is_file() and path.read_bytes().endswith(_tail(11)))
    last.unlink()
    scan = read_scan(place, today=TODAY)
    (finding,) = [one for one in scan.findings if one.code == "missing-from-medium"]
    assert last.name in finding.where
    assert scan.shape[0] == 11


def _tail(k: int) -> bytes:
    return VALUES[k].tobytes()[-64:]


def test_broken_index_does_not_hide_the_files(tmp_path: Path) -> None:
    place = medium(tmp_path)
    index = place / "DICOMDIR"
    index.write_bytes(index.read_bytes()[:400])
    scan = read_scan(place, today=TODAY)
    np.testing.assert_array_equal(scan.voxels, VALUES)
    assert {one.code for one in scan.findings} & {"broken-index", "unreadable-file"}


def test_two_series_must_be_chosen_from(tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe())
    make.write_series(tmp_path, make.Recipe(series_uid="2.25.77", seed=3), prefix="t")
    with pytest.raises(ScanError, match="2 series could be meant"):
        read_scan(tmp_path, today=TODAY)
    listed = list_series(tmp_path, today=TODAY)
    assert [entry.number for entry in listed.series] == [1, 2]
    for entry in listed.series:
        by_uid = read_scan(tmp_path, series=entry.facts.series_uid, today=TODAY)
        by_number = read_scan(tmp_path, series=str(entry.number), today=TODAY)
        assert by_uid.digest == by_number.digest
        assert by_uid.series.series_uid == entry.facts.series_uid
    with pytest.raises(ScanError, match="no series '9'"):
        read_scan(tmp_path, series="9")


def test_two_patients_are_told(tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe())
    other = make.Recipe(series_uid="2.25.77", patient="PANZA^SANCHO", patient_id="OTHER")
    make.write_series(tmp_path, other, prefix="t")
    assert [one.code for one in list_series(tmp_path, today=TODAY).findings] == ["several-patients"]


def test_nothing_there(tmp_path: Path) -> None:
    with pytest.raises(ScanError, match="no such folder"):
        read_scan(tmp_path / "absent")
    with pytest.raises(ScanError, match="no DICOM series"):
        read_scan(tmp_path)
    (tmp_path / "a.txt").write_text("x")
    with pytest.raises(ScanError, match="no DICOM series"):
        read_scan(tmp_path)


def test_small_file_cannot_ask_for_all_memory(tmp_path: Path) -> None:
    """A header that claims a huge volume of compressed pixels is refused before anything is made."""
    recipe = make.Recipe(syntax=make.RLE)

    def tweak(ds, _: int) -> None:
        ds.Rows = ds.Columns = 8000

    make.write_series(tmp_path, recipe, tweak)
    with pytest.raises(ScanRefused) as caught:
        read_scan(tmp_path, today=TODAY)
    assert caught.value.findings[0].code == "too-large"


def test_progress_ends_at_one_and_never_goes_back(tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe(count=40))
    seen: list[float] = []
    read_scan(tmp_path, progress=lambda share, _: seen.append(share))
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
