"""How fast intake is, as ratios within one run: `python -m pytest tests/benchmarks/test_intake_speed.py -s`.

Rounds of all contenders are interleaved, so that other work on the machine hits all of them; what counts is the median
of the ratios of rounds. Times never fail a test; equal voxels do.

The series is made for this: 400 slices of 500 x 500 pixels of 16 bits, smooth shapes with noise. 100 slices of it are
used for the compressed copies.
"""

import importlib.util
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest

from siteplan.scan import read_scan
from siteplan.scan.preview import preview

_spec = importlib.util.spec_from_file_location(
    "series_maker", Path(__file__).resolve().parent.parent / "scan" / "series_maker.py"
)
assert _spec is not None
make = importlib.util.module_from_spec(_spec)
sys.modules["series_maker"] = make
_spec.loader.exec_module(make)  # type: ignore[union-attr] - a file location always has a loader

ROUNDS = int(os.environ.get("SITEPLAN_BENCHMARK_ROUNDS", "5"))
COUNT = int(os.environ.get("SITEPLAN_BENCHMARK_SLICES", "400"))
RECIPE = make.Recipe(count=COUNT, rows=500, columns=500, stored=16, gap=0.3)

COMPRESSED = {
    "RLE": make.RLE,
    "JPEG lossless SV1": make.JPEG_SV1,
    "JPEG lossless process 14": make.JPEG_14,
    "JPEG-LS": make.JPEG_LS,
    "JPEG 2000": make.JPEG_2000,
    "HTJ2K": make.HTJ2K,
}


@pytest.fixture(scope="module")
def values() -> np.ndarray:
    """Smooth shapes with noise of 12 bits, so that compression has something to do."""
    rng = np.random.default_rng(5)
    j, i = np.meshgrid(np.linspace(-3, 3, 500), np.linspace(-3, 3, 500), indexing="ij")
    shape = 1200 + 800 * np.exp(-(i**2) - j**2) + 300 * np.sin(4 * i) * np.cos(3 * j)
    noise = rng.normal(0, 20, (8, 500, 500))
    return np.stack([(shape + k * 0.5 + noise[k % 8]).clip(0, 4095) for k in range(COUNT)]).astype(np.uint16)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory, values: np.ndarray) -> Path:
    return make.write_series(tmp_path_factory.mktemp("plain"), RECIPE, values=values)


def by_simpleitk(folder: Path) -> Any:
    """Find, sort and read as SimpleITK does it by itself."""
    import SimpleITK as sitk

    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder)))
    return reader.Execute()


def _array(image: Any) -> np.ndarray:
    import SimpleITK as sitk

    return sitk.GetArrayFromImage(image)


def by_bytes(folder: Path) -> int:
    """Merely read the bytes of all files, keeping them."""
    total = np.empty(sum(entry.stat().st_size for entry in os.scandir(folder)), np.uint8)
    view, at = memoryview(total), 0
    for entry in os.scandir(folder):
        with open(entry.path, "rb", buffering=0) as stream:
            at += stream.readinto(view[at:])
    return at


def timed(contenders: dict[str, Callable[[], object]], rounds: int = ROUNDS) -> dict[str, list[float]]:
    """Milliseconds of every round of every contender, interleaved; one round before is not counted.

    Beside each name, the same with " CPU" behind it: processor time of all threads, which other work disturbs less.
    """
    out: dict[str, list[float]] = {name + kind: [] for name in contenders for kind in ("", " CPU")}
    for round_ in range(rounds + 1):
        for name, run in contenders.items():
            start, cpu = time.perf_counter(), time.process_time()
            result = run()
            took, cpu_took = 1000 * (time.perf_counter() - start), 1000 * (time.process_time() - cpu)
            del result
            if round_:
                out[name].append(took)
                out[name + " CPU"].append(cpu_took)
    return out


def ratio(over: list[float], under: list[float]) -> float:
    """Median of the ratios of rounds."""
    return median(a / b for a, b in zip(over, under, strict=True))


def told(ms: dict[str, list[float]], over: str, under: str) -> str:
    """Median ratio of rounds, ratio of the best rounds, and ratio of processor times."""
    best = min(ms[over]) / min(ms[under])
    cpu = ratio(ms[f"{over} CPU"], ms[f"{under} CPU"])
    return f"{over} / {under}: {ratio(ms[over], ms[under]):.3g} (best rounds {best:.3g}, processor time {cpu:.3g})"


def test_plain_files(plain: Path, values: np.ndarray) -> None:
    scan = read_scan(plain)
    assert np.array_equal(scan.voxels, values)
    assert np.array_equal(_array(by_simpleitk(plain)), values.astype(np.int32) - 1000)
    del scan
    ms = timed(
        {
            "SimpleITK": lambda: by_simpleitk(plain),
            "read_scan": lambda: read_scan(plain),
            "bytes": lambda: by_bytes(plain),
            "preview": lambda: preview(plain),
        }
    )
    print(f"\n{COUNT} plain slices of 500 x 500, median ms: ", {name: round(median(t), 1) for name, t in ms.items()})
    print(f"  {told(ms, 'SimpleITK', 'read_scan')}; wanted: at least 5")
    print(f"  {told(ms, 'read_scan', 'bytes')}; wanted: at most 2")
    print(f"  {told(ms, 'preview', 'read_scan')}; wanted: at most 0.1")


@pytest.mark.parametrize("name", COMPRESSED)
def test_compressed_copies(name: str, tmp_path: Path, values: np.ndarray) -> None:
    count = min(COUNT, 100)
    recipe = make.Recipe(count=count, rows=500, columns=500, stored=16, syntax=COMPRESSED[name])
    make.write_series(tmp_path, recipe, values=values[:count])
    assert np.array_equal(read_scan(tmp_path).voxels, values[:count])
    contenders: dict[str, Callable[[], object]] = {
        "read_scan": lambda: read_scan(tmp_path),
        "preview": lambda: preview(tmp_path),
    }
    readable = COMPRESSED[name] not in _not_by_simpleitk(tmp_path)
    if readable:
        contenders["SimpleITK"] = lambda: by_simpleitk(tmp_path)
    ms = timed(contenders, max(2, ROUNDS // 2))
    print(f"\n{name}, per slice {median(ms['read_scan']) / count:.2f} ms, {os.cpu_count()} cores")
    print(f"  {told(ms, 'SimpleITK', 'read_scan') if readable else 'SimpleITK cannot read it'}")
    print(f"  {told(ms, 'preview', 'read_scan')}")


def _not_by_simpleitk(folder: Path) -> set[str]:
    try:
        by_simpleitk(folder)
    except RuntimeError:
        return set(COMPRESSED.values())
    return set()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak of a process is read from /proc")
def test_peak_memory(plain: Path) -> None:
    """Peak of a fresh process that reads the series, less that of one that only imports, over the stored volume."""
    script = (
        "import sys\n"
        "def peak():\n"
        "    lines = open('/proc/self/status').read().splitlines()\n"
        "    return int(next(line for line in lines if line.startswith('VmHWM')).split()[1]) * 1024\n"
        "from siteplan.scan import read_scan\n"
        "import siteplan.scan.read, numpy\n"
        "before = peak()\n"
        "scan = read_scan(sys.argv[1])\n"
        "print((peak() - before) / scan.voxels.nbytes)"
    )
    run = subprocess.run([sys.executable, "-c", script, str(plain)], capture_output=True, text=True, check=True)
    print(f"\npeak memory over stored volume: {float(run.stdout):.3f}   (wanted: at most 1.3)")
