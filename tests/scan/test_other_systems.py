"""What Windows and macOS lack or do otherwise, tried by taking it away here."""

import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make
from pydicom.fileset import FileSet

from siteplan.scan import read_scan
from siteplan.scan.medium import missing_files
from siteplan.scan.preview import preview
from siteplan.scan.source import DiskFile

TODAY = date(2026, 7, 1)
UNIX_ONLY = ("preadv", "pread", "sched_getaffinity", "mkfifo", "getuid", "posix_fadvise")
"""Names of Python's os module that its documentation gives for Unix or for some systems only."""


@pytest.mark.parametrize("syntax", [make.EXPLICIT, make.BIG_ENDIAN, make.DEFLATED, make.RLE, make.JPEG_LS])
def test_scans_are_read_without_what_only_unix_has(
    syntax: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recipe = make.Recipe(syntax=syntax)
    make.write_series(tmp_path, recipe)
    for name in UNIX_ONLY:
        monkeypatch.delattr(os, name, raising=False)
    np.testing.assert_array_equal(read_scan(tmp_path, today=TODAY).voxels, make.stored_values(recipe))
    assert len(preview(tmp_path).values) == 4


def test_short_reads_are_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A read may give less than was asked for (network drives); the rest must follow."""
    recipe = make.Recipe()
    make.write_series(tmp_path, recipe)
    real = os.read
    monkeypatch.setattr(os, "read", lambda handle, count: real(handle, min(count, 100)))
    if hasattr(os, "preadv"):
        whole = os.preadv
        monkeypatch.setattr(os, "preadv", lambda handle, views, at: whole(handle, [views[0][:100]], at))
    np.testing.assert_array_equal(read_scan(tmp_path, today=TODAY).voxels, make.stored_values(recipe))


def test_nothing_of_unix_is_imported() -> None:
    """Modules that Windows does not have must not be needed for reading a scan."""
    script = (
        "import sys\n"
        "for name in ('fcntl', 'resource', 'pwd', 'grp', 'termios'): sys.modules[name] = None\n"
        "import siteplan.scan.read, siteplan.scan.preview, siteplan.scan.decode, siteplan.scan.by_pydicom\n"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr


def test_names_of_a_medium_match_whatever_the_case_and_the_slash(tmp_path: Path) -> None:
    """PS3.10 8.2: file IDs are upper case; systems may show lower case, a version, or backslashes between the parts."""
    files = FileSet()
    for k, data in enumerate(make.series_bytes(make.Recipe(count=3))):
        (tmp_path / f"{k}").write_bytes(data)
        files.add(tmp_path / f"{k}")
    files.write(tmp_path / "medium")
    found = []
    for path in sorted((tmp_path / "medium").rglob("*")):
        if path.is_file():
            shown = str(path.relative_to(tmp_path / "medium")).replace("/", "\\")
            shown = shown if path.name == "DICOMDIR" else f"{shown.lower()};1"
            found.append(DiskFile(str(path), shown, path.stat().st_size))
    assert missing_files(found) == []
    assert [one.code for one in missing_files(found[:1])] == ["missing-from-medium"]


def test_the_root_of_a_drive_keeps_file_names_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder given with its last separator, as the root of a drive always is, must not cut the names below it."""
    make.write_series(tmp_path, make.Recipe(count=10))
    (tmp_path / "x.txt").write_text("x")
    monkeypatch.chdir(tmp_path)
    for place in (f"{tmp_path}{os.sep}", "."):
        (finding,) = [one for one in read_scan(place, today=TODAY).findings if one.code == "not-dicom"]
        assert finding.where == "x.txt"
