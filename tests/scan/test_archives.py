"""ZIP files as clinics mail them, other archives, and places that cannot be searched in full."""

import io
import os
import struct
import tarfile
import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make
from pydicom.fileset import FileSet

from siteplan.errors import ScanError
from siteplan.scan import list_series, read_scan

TODAY = date(2026, 7, 1)
VALUES = make.stored_values(make.Recipe())
FILES = {f"scan/{k}.dcm": data for k, data in enumerate(make.series_bytes(make.Recipe()))}


def zip_bytes(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return stream.getvalue()


def put(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def locked(data: bytes, *, method: int | None = None) -> bytes:
    """The same ZIP with the mark of a password (bit 0 of the flags, APPNOTE.TXT 4.4.4), or another packing method
    (4.4.5), in every local and central header."""
    out = bytearray(data)
    for mark, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = out.find(mark)
        while at >= 0:
            if method is None:
                out[at + flags] |= 1
            else:
                struct.pack_into("<H", out, at + flags + 2, method)
            at = out.find(mark, at + 4)
    return bytes(out)


def test_locked_zip_is_refused_with_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(ScanError, match=r"a\.zip: this ZIP file is locked with a password; unpack it"):
        read_scan(put(tmp_path / "a.zip", locked(zip_bytes(FILES))))


def test_unknown_packing_is_refused_with_a_sentence(tmp_path: Path) -> None:
    """Method 9 (Deflate64) is what Windows writes for members above 2 GB."""
    with pytest.raises(ScanError, match="packed by method 9, which is not read; unpack it"):
        read_scan(put(tmp_path / "a.zip", locked(zip_bytes(FILES), method=9)))


def test_zip_inside_a_zip_is_read(tmp_path: Path) -> None:
    data = zip_bytes({"read me.txt": b"hello", "images/scan.zip": zip_bytes(FILES)}, zipfile.ZIP_STORED)
    scan = read_scan(put(tmp_path / "mailed.zip", data), today=TODAY)
    np.testing.assert_array_equal(scan.voxels, VALUES)
    assert [path.name for path in tmp_path.iterdir()] == ["mailed.zip"]


def test_a_zip_in_a_zip_in_a_zip_is_not_opened(tmp_path: Path) -> None:
    data = zip_bytes({"b.zip": zip_bytes({"c.zip": zip_bytes(FILES)})})
    with pytest.raises(ScanError, match="no DICOM series"):
        read_scan(put(tmp_path / "a.zip", data))


@pytest.mark.parametrize(
    ("inner", "words"),
    [
        (zip_bytes(FILES)[:-200], "A ZIP file inside it is damaged"),
        (locked(zip_bytes(FILES)), "A ZIP file inside it is locked with a password"),
        (zip_bytes({"0": bytes(90_000_000)}), "A ZIP file inside it is one that unpacks to an absurd size"),
    ],
)
def test_what_is_wrong_with_an_inner_zip_is_told(inner: bytes, words: str, tmp_path: Path) -> None:
    listed = list_series(put(tmp_path / "a.zip", zip_bytes({**FILES, "more.zip": inner})), today=TODAY)
    assert [entry.size_kji for entry in listed.series] == [VALUES.shape]
    assert any(words in finding.what for finding in listed.findings if finding.code == "not-searched")


def test_zip_of_a_medium_tells_what_its_index_misses(tmp_path: Path) -> None:
    files = FileSet()
    for data in FILES.values():
        files.add(put(tmp_path / "one", data))
    files.write(tmp_path / "medium")
    members = {
        str(p.relative_to(tmp_path / "medium")): p.read_bytes() for p in (tmp_path / "medium").rglob("*") if p.is_file()
    }
    whole = read_scan(put(tmp_path / "whole.zip", zip_bytes(members)), today=TODAY)
    np.testing.assert_array_equal(whole.voxels, VALUES)
    assert [one.code for one in whole.findings] == ["motion-not-checked"]
    gone = next(name for name, data in members.items() if data.endswith(VALUES[11].tobytes()[-64:]))
    rest = {name: data for name, data in members.items() if name != gone}
    scan = read_scan(put(tmp_path / "rest.zip", zip_bytes(rest)), today=TODAY)
    (finding,) = [one for one in scan.findings if one.code == "missing-from-medium"]
    assert gone.rpartition("/")[2] in finding.where


def tar_bytes() -> bytes:
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w") as archive:
        info = tarfile.TarInfo("a.dcm")
        info.size = 4
        archive.addfile(info, io.BytesIO(b"abcd"))
    return stream.getvalue()


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("a.7z", b"7z\xbc\xaf\x27\x1c\x00\x04" + bytes(100), "a 7z archive"),
        ("a.rar", b"Rar!\x1a\x07\x01\x00" + bytes(100), "a RAR archive"),
        ("a.tar.gz", b"\x1f\x8b\x08" + bytes(100), "a gzip archive"),
        ("a.tar", tar_bytes(), "a tar archive"),
        ("a.iso", bytes(0x8001) + b"CD001" + bytes(100), "the image of a disc"),
    ],
)
def test_other_archives_are_refused_with_a_sentence(name: str, data: bytes, words: str, tmp_path: Path) -> None:
    for place in (name, "scan.dcm"):  # whatever the name says
        with pytest.raises(ScanError, match=f"this is {words}, which is not read; unpack it and give the folder"):
            read_scan(put(tmp_path / place, data))


def test_archives_beside_the_files_are_told(tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe())
    put(tmp_path / "QUIXANO.zip", zip_bytes(FILES))
    listed = list_series(tmp_path, today=TODAY)
    (note,) = [one for one in listed.findings if one.code == "not-searched"]
    assert "1 packed files" in note.what
    assert "QUIXANO" not in str(listed.as_json())


def test_a_folder_that_may_not_be_seen_is_passed_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sticks and media carry folders that the system keeps for itself (System Volume Information, .Trashes)."""
    make.write_series(tmp_path / "scan", make.Recipe())
    (tmp_path / "System Volume Information").mkdir()
    real = os.scandir

    def scandir(folder: str):
        if str(folder).endswith("Information"):
            raise PermissionError(13, "Permission denied")
        return real(folder)

    monkeypatch.setattr(os, "scandir", scandir)
    scan = read_scan(tmp_path, today=TODAY)
    np.testing.assert_array_equal(scan.voxels, VALUES)
    assert any("1 folders in it cannot be looked into" in one.what for one in scan.findings)
