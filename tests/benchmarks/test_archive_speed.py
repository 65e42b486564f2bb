"""How fast a series travels to and from an archive: `python -m pytest tests/benchmarks/test_archive_speed.py -s`.

A real Orthanc, and dcmtk's `storescu` and `getscu` over the same loopback in the same rounds. Only ratios are
printed; the aim is to send over DIMSE within 2.5 times the time of `storescu`, on a machine that does nothing else.
"""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from statistics import median

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "archive"))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scan"))

import series_maker as make
from alone import NotAllowed, own_loopback
from orthanc import PROGRAM, Orthanc
from places import OURS, PASSWORD, Place, opened

from siteplan.archive import Archive, SeriesRow, fetch_series
from siteplan.archive.parcels import gather

ROUNDS = int(os.environ.get("SITEPLAN_BENCHMARK_ROUNDS", "1"))
COUNT = int(os.environ.get("SITEPLAN_BENCHMARK_SLICES", "100"))
MOST_MEMORY_MIB = 48
"""One object is held over DIMSE, one chunk over HTTP; the rest is room for what Python keeps (our own bound)."""
NO_ORTHANC = "Orthanc is not installed"
NO_NAMESPACE = "this system does not let a test make a network namespace, and Orthanc would listen on every interface"

ROW = SeriesRow("2.25.1001", "2.25.1000", "CT", "", "", None)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Orthanc]:
    if not PROGRAM.exists():
        pytest.skip(NO_ORTHANC)
    try:
        with own_loopback(), Orthanc(tmp_path_factory.mktemp("orthanc")) as found:
            yield found
    except NotAllowed:
        pytest.skip(NO_NAMESPACE)


@cache
def _program(name: str) -> str | None:
    """dcmtk's program: environments for Python may come first on the path, and in them pynetdicom's of that name."""
    for folder in os.get_exec_path():
        program = shutil.which(name, path=folder)
        if program is None:
            continue
        told = subprocess.run([program, "--version"], capture_output=True, text=True, check=False).stdout
        if told.startswith("$dcmtk"):
            return program
    return None


@pytest.mark.skipif(_program("storescu") is None, reason="dcmtk is not installed")
def test_a_series_there_and_back(server: Orthanc, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SITEPLAN_TEST_SECRET", PASSWORD)
    values = np.random.default_rng(1).integers(0, 4096, (COUNT, 500, 500)).astype(np.uint16)
    series = make.write_series(tmp_path / "s", make.Recipe(count=COUNT, rows=500, columns=500), values=values)
    del values
    parcels, _ = gather([series])
    ways = {}
    for way in ("web", "get", "move"):
        (tmp_path / way).mkdir()
        place = Place(server.url, server.dicom_port, server.title, server.receive_port, way)
        ways[way] = opened(place, tmp_path / way, timeout_s=60)
    senders: dict[str, Callable[[], object]] = {
        "storescu": lambda: _dcmtk("storescu", "+sd", _at(server), str(series)),
        "send by C-STORE": lambda: ways["get"].store(parcels, _taken),
        "send by STOW-RS": lambda: ways["web"].store(parcels, _taken),
    }
    got = tmp_path / "got"
    fetchers: dict[str, Callable[[], object]] = {
        "getscu": lambda: _getscu(server, got),
        "fetch by C-GET": lambda: _fetch(ways["get"], got),
        "fetch by C-MOVE": lambda: _fetch(ways["move"], got),
        "fetch by WADO-RS": lambda: _fetch(ways["web"], got),
    }
    seconds: dict[str, list[float]] = {name: [] for name in (*senders, *fetchers)}
    for _ in range(ROUNDS):
        for name, run in senders.items():
            server.clear()
            seconds[name].append(_timed(run))
        for name, run in fetchers.items():
            shutil.rmtree(got, ignore_errors=True)
            seconds[name].append(_timed(run))
            assert sum(1 for path in got.iterdir()) == COUNT
    print(f"\n{COUNT} slices of 500 x 500, {ROUNDS} rounds, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    for names, base in ((senders, "storescu"), (fetchers, "getscu")):
        for name in names:
            ratios = [mine / theirs for mine, theirs in zip(seconds[name], seconds[base], strict=True)]
            print(f"  {name:<17} {median(seconds[name]):6.2f} s   {median(ratios):5.2f} x {base}")
    for way in ("web", "get"):
        peak = _peak_of_a_fetch(tmp_path / way / "archives.toml", tmp_path / f"peak-{way}")
        print(
            f"  peak memory of a fetch ({way}): {peak:.0f} MiB more than before, of {COUNT * 500 * 500 * 2 >> 20} MiB"
        )
        assert peak < MOST_MEMORY_MIB


_FETCH = """
import sys
from pathlib import Path
from siteplan.archive import SeriesRow, fetch_series, load_archive, open_archive
def peak():
    lines = open("/proc/self/status").read().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024
archive = open_archive(load_archive("it", sys.argv[1]))
archive.check()
before = peak()
fetch_series(archive, SeriesRow("2.25.1001", "2.25.1000", "CT", "", "", None), Path(sys.argv[2]))
print(peak() - before)
"""


def _peak_of_a_fetch(settings: Path, target: Path) -> float:
    """MiB that a fresh process needs beyond what it needed before (only where /proc is; so is Orthanc here)."""
    run = subprocess.run(
        [sys.executable, "-c", _FETCH, str(settings), str(target)], capture_output=True, text=True, check=True
    )
    return float(run.stdout)


def _timed(run: Callable[[], object]) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def _taken(_parcel: object, why: str) -> None:
    assert why == ""


def _fetch(archive: Archive, target: Path) -> None:
    """With everything that belongs to it: asking what there is, verifying, writing through to the disk."""
    fetch_series(archive, ROW, target)


def _at(server: Orthanc) -> list[str]:
    return ["-aet", OURS, "-aec", server.title, "127.0.0.1", str(server.dicom_port)]


def _getscu(server: Orthanc, folder: Path) -> None:
    folder.mkdir()
    keys = ["QueryRetrieveLevel=SERIES", f"StudyInstanceUID={ROW.study_uid}", f"SeriesInstanceUID={ROW.uid}"]
    _dcmtk("getscu", "-S", [part for key in keys for part in ("-k", key)], "-od", str(folder), _at(server))


def _dcmtk(program: str, *arguments: str | list[str]) -> None:
    flat = [part for one in arguments for part in ([one] if isinstance(one, str) else one)]
    environment = {**os.environ, "TCP_NODELAY": "1"}  # as the archive has it; without, it is up to 12 times slower
    subprocess.run([_program(program) or program, *flat], check=True, env=environment, capture_output=True)
