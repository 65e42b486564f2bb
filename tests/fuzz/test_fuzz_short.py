"""A short look with damaged inputs in every test run; the long, coverage-guided run is `fuzz_intake.py`."""

import importlib
import importlib.util
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
target = importlib.import_module("target")
SLOWEST_SECONDS = 5.0


def test_sound_inputs_are_read() -> None:
    assert {target.one_input(seed) for seed in target.seeds()[:-1]} == {"read"}


def damaged(seed: bytes, dice: random.Random) -> bytes:
    """One of the ways in which copies go wrong: cut, overwritten, bytes lost or doubled, numbers changed."""
    data = bytearray(seed)
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(1, len(data))
        length = dice.choice([1, 2, 4, 8, 100])
        match dice.randrange(5):
            case 0:
                del data[at:]
            case 1:
                data[at : at + length] = dice.randbytes(length)
            case 2:
                del data[at : at + length]
            case 3:
                data[at:at] = data[at : at + length]
            case 4:
                data[at : at + length] = dice.choice([b"\0", b"\xff"]) * length
        if len(data) < 2:
            break
    return bytes(data)


def test_damaged_inputs_let_nothing_but_our_own_errors_out() -> None:
    dice = random.Random(20261125)
    seeds = target.seeds()
    for _ in range(1500):
        data = damaged(dice.choice(seeds), dice)
        start = time.monotonic()
        target.one_input(data)
        assert time.monotonic() - start < SLOWEST_SECONDS


@pytest.mark.skipif(
    importlib.util.find_spec("atheris") is None, reason="atheris is not installed (pip install atheris)"
)
def test_short_coverage_guided_run(tmp_path: Path) -> None:
    # The fuzzer reads its peak memory from the kernel, which counts that of the process it was started from; a shell in
    # between is small, the test run is not.
    command = ["/bin/sh", "-c", '"$@"; exit $?', "sh", sys.executable, str(HERE / "fuzz_intake.py")]
    command += ["--inputs", "2000", "--out", str(tmp_path)]
    run = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert run.returncode == 0, (run.stdout + run.stderr)[-2000:]
    assert not list((tmp_path / "failures").iterdir())
