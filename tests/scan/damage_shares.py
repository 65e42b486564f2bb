"""How much damage inside images is noticed: `python tests/scan/damage_shares.py SERIES --trials 100`.

Takes slices of a plain series, compresses them, damages one at random and reads it between its sound neighbours. Counts
what is refused, what is told by a finding, and what passes unnoticed; of the last, how much of the image had changed.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import series_maker as make

from siteplan.scan import Scan, read_scan
from siteplan.scan.header import read_header
from siteplan.scan.load import BadPixels, load_one
from siteplan.scan.neighbours import odd_slices
from siteplan.scan.slices import slices_of
from siteplan.scan.storage import storage_of

SYNTAXES = {
    "plain": make.EXPLICIT,
    "RLE": make.RLE,
    "JPEG lossless SV1": make.JPEG_SV1,
    "JPEG lossless process 14": make.JPEG_14,
    "JPEG-LS": make.JPEG_LS,
    "JPEG 2000": make.JPEG_2000,
    "HTJ2K": make.HTJ2K,
}
AROUND = 3
"""Sound slices on each side."""
CLEARLY = 100
"""A change of a pixel by more than this many grey values counts as clear."""

Damage = Callable[[bytearray, int, np.random.Generator], bytearray]


@dataclass(frozen=True)
class Memory:
    """A file at hand, as intake wants files."""

    data: bytes
    name: str = "damaged"

    @property
    def size(self) -> int:
        """Bytes."""
        return len(self.data)

    def read(self, offset: int, length: int) -> bytes:
        """A part of it."""
        return self.data[offset : offset + length]


def one_bit(data: bytearray, at: int, dice: np.random.Generator) -> bytearray:
    data[at] ^= 1 << int(dice.integers(8))
    return data


def zeros(data: bytearray, at: int, _: np.random.Generator) -> bytearray:
    data[at : at + 64] = bytes(len(data[at : at + 64]))
    return data


def lost_byte(data: bytearray, at: int, _: np.random.Generator) -> bytearray:
    return data[:at] + data[at + 1 : -8] + b"\0" + data[-8:]


def swapped(data: bytearray, at: int, _: np.random.Generator) -> bytearray:
    length = min(4096, (len(data) - at) // 2 * 2)
    data[at : at + length] = np.frombuffer(bytes(data[at : at + length]), "<u2").byteswap().tobytes()
    return data


DAMAGES: dict[str, Damage] = {"one bit": one_bit, "64 zeros": zeros, "a byte lost": lost_byte, "4 KiB swapped": swapped}


def outcome(scan: Scan, stack: np.ndarray, data: bytes) -> tuple[str, float]:
    """What became of one damaged file, and the share of its pixels that changed clearly."""
    (one,) = slices_of(read_header(Memory(data)))
    storage = storage_of(one.header)
    out = np.empty((storage.rows, storage.columns), storage.dtype)
    try:
        stream = load_one(one, storage, out)
    except BadPixels:
        return "refused", 0.0
    changed = float((np.abs(out.astype(int) - stack[AROUND]) > CLEARLY).mean())
    if np.array_equal(out, stack[AROUND]):
        return "no change", 0.0
    stack = stack.copy()
    stack[AROUND] = out
    count = len(stack)
    odd = odd_slices(replace(scan, voxels=stack, slope=np.ones(count), intercept=np.zeros(count)))
    return ("told" if stream.strange or AROUND in odd.alone else "unnoticed"), changed


def main() -> None:
    """Print a line for each syntax and kind of damage."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("series", type=Path)
    parser.add_argument("--trials", type=int, default=100)
    args = parser.parse_args()
    scan = read_scan(args.series)
    values = (scan.voxels.astype(np.int64) - scan.voxels.min()).astype(np.uint16)
    for name, syntax in SYNTAXES.items():
        for kind, damage in DAMAGES.items():
            dice = np.random.default_rng(1)
            seen: Counter[str] = Counter()
            changes = []
            for _ in range(args.trials):
                k = int(dice.integers(AROUND, len(values) - AROUND))
                stack = values[k - AROUND : k + AROUND + 1]
                recipe = make.Recipe(count=1, rows=stack.shape[1], columns=stack.shape[2], syntax=syntax)
                whole = make.series_bytes(recipe, values=stack[AROUND : AROUND + 1])[0]
                start = read_header(Memory(whole)).pixel_offset + (0 if syntax == make.EXPLICIT else 144)
                data = damage(bytearray(whole), int(dice.integers(start, len(whole) - 80)), dice)
                what, changed = outcome(scan, stack, bytes(data))
                seen[what] += 1
                if what == "unnoticed":
                    changes.append(changed)
            most = (
                f"; clearly changed at most {max(changes):.1%}, half of them {np.median(changes):.2%}"
                if changes
                else ""
            )
            print(f"{name}, {kind}: {dict(seen)}{most}", flush=True)


if __name__ == "__main__":
    main()
