"""Long series and files of many frames: no second copy in memory, and no work that grows with the square."""

import subprocess
import sys
import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make

from siteplan.scan import read_scan, source

TODAY = date(2026, 7, 1)
MOST_COPIES = 1.3
"""Peak memory over the stored volume. The volume here has 77 MB; the machinery for decoding takes 10 to 15 more. It
grows by an image and its stream with every core, so the number of decoding threads is held at four."""

PEAK = """
import sys
def peak():
    lines = open('/proc/self/status').read().splitlines()
    return int(next(line for line in lines if line.startswith('VmHWM')).split()[1]) * 1024
from siteplan.scan import read_scan
import siteplan.scan.read, siteplan.scan.decode, siteplan.scan.load
siteplan.scan.load.DECODERS = 4
before = peak()
scan = read_scan(sys.argv[1])
print((peak() - before) / scan.voxels.nbytes)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak of a process is read from /proc")
@pytest.mark.parametrize("syntax", [make.EXPLICIT, make.RLE, make.JPEG_LS])
def test_reading_needs_one_copy(syntax: str, tmp_path: Path) -> None:
    recipe = make.Recipe(count=240, rows=400, columns=400, syntax=syntax)
    some = np.random.default_rng(0).integers(0, 4096, (4, 400, 400)).astype(np.uint16)
    for k in range(recipe.count):
        data = make.file_bytes(make.slice_dataset(recipe, k, some[k % 4]), syntax, some[k % 4][None])
        (tmp_path / f"{k}").write_bytes(data)
    run = subprocess.run([sys.executable, "-c", PEAK, str(tmp_path)], capture_output=True, text=True, check=True)
    assert 1.0 < float(run.stdout) < MOST_COPIES


MANY = make.Recipe(count=36, rows=360, columns=360)


def many_frames(syntax: str) -> tuple[bytes, np.ndarray]:
    """One file of more than 8 MB with frames in falling order, which therefore are wanted backwards."""
    values = np.arange(MANY.count, dtype=np.uint16)[:, None, None] + make.stored_values(MANY) // 2
    recipe = make.Recipe(**{**MANY.__dict__, "syntax": syntax, "gap": -MANY.gap})
    return make.file_bytes(make.multi_frame_dataset(recipe, values), syntax, values), values[::-1]


def test_a_large_member_is_unpacked_a_few_times_not_once_a_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, values = many_frames(make.EXPLICIT)
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.dcm", data)
    opened = []
    real = zipfile.ZipFile.open
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda self, *args: opened.append(1) or real(self, *args))
    np.testing.assert_array_equal(read_scan(tmp_path / "a.zip", today=TODAY).voxels, values)
    assert len(opened) <= 4


def test_a_large_deflated_file_is_inflated_a_few_times_not_once_a_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, values = many_frames(make.DEFLATED)
    (tmp_path / "a.dcm").write_bytes(data)
    inflated = []
    real = source.inflate
    monkeypatch.setattr(source, "inflate", lambda packed: inflated.append(1) or real(packed))
    np.testing.assert_array_equal(read_scan(tmp_path, today=TODAY).voxels, values)
    assert len(inflated) <= 2
