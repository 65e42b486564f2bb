"""Freed memory goes back to the system, as the kernel's own count of this process says."""

import sys
import threading
from pathlib import Path

import pytest

from viewer.giving_back import give_back

PIECE, PIECES = 60_000, 1500


def _resident_mb() -> float:
    line = next(x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1e3


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the memory of a process is read from /proc")
def test_what_a_worker_freed_goes_back():
    """90 MB in pieces, with one that stays on top of them, so that the C library cannot hand them back by itself."""
    if not give_back():
        assert not sys.platform.startswith("linux") or "musl" in "".join(map(str, Path("/lib").glob("ld-*")))
        pytest.skip("this C library has no call for it")
    kept: list[bytearray] = []
    marks: list[float] = []

    def work() -> None:
        pieces = [bytearray(b"\1") * PIECE for _ in range(PIECES)]
        kept.append(bytearray(b"\1") * PIECE)
        del pieces
        marks.append(_resident_mb())

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    before = marks[0]
    give_back()
    assert before - _resident_mb() > 0.5 * PIECE * PIECES / 1e6
