"""Freed memory goes back to the system, as the kernel's own count of this process says."""

import subprocess
import sys
import threading
from pathlib import Path

import pytest

from viewer.giving_back import give_back

PIECE, PIECES = 60_000, 1500


def _resident_mb() -> float:
    line = next(x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmRSS"))
    return 1024 * int(line.split()[1]) / 1e6


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


STORES = """
import ctypes, sys, threading
from viewer.giving_back import one_store

if sys.argv[1] == "one":
    assert one_store()
meet = threading.Barrier(5)

def work():
    pieces = [bytearray(10_000) for _ in range(100)]
    meet.wait(60)
    meet.wait(60)

for _ in range(4):
    threading.Thread(target=work).start()
meet.wait(60)
c = ctypes.CDLL(None)
c.fdopen.restype = ctypes.c_void_p
out = ctypes.c_void_p(c.fdopen(1, b"w"))
c.malloc_info(0, out)
c.fflush(out)
meet.wait(60)
"""


def test_all_threads_share_one_store_of_memory(root):
    """By the C library's own account of itself, malloc_info(3), while four threads hold memory at once."""
    if not give_back():
        pytest.skip("this C library has no call for it")
    told = {}
    for stores in ("many", "one"):
        command = [sys.executable, "-c", STORES, stores]
        told[stores] = subprocess.run(command, cwd=root, capture_output=True, check=True).stdout.count(b"<heap nr=")
    assert told["many"] > 1
    assert told["one"] == 1
