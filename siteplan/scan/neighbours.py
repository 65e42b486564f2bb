"""Does every slice resemble its neighbours? Damage inside an image shows in no header and often stops no decoder.

In a sound scan neighbouring slices differ by noise and by slowly changing anatomy. A slice with damaged pixels differs
from the mean of its two neighbours by much more than these differ from each other. The comparison is made point by
point and then counted, so that neither a small bright thing nor the noise of the scanner matters: for independent noise
a point differs `_TIMES` times as much with probability (2/pi) atan(sqrt(1.5/2)/2) = 0.26, whatever the noise.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.scan.volume import Scan

_POINTS = 48
"""Points of a row that are compared; a slice with fewer columns than half of it is not judged."""

_BANDS = 16
"""Besides single rows, bands of rows are judged: damage begins somewhere and often goes on to the end of the image."""

_TIMES, _END_TIMES = 2.0, 4.0
_ROW_SHARE, _BAND_SHARE, _END_SHARE = 0.7, 0.55, 0.8
"""How many times the difference of the neighbours, at what share of the points of a row or of a band. The first and the
last slice have one neighbour only, and need more. Sound scans stay below 0.46 for rows and 0.3 for bands (three
simulated jaws, two invented patients and a real head with metal streaks, along all three axes)."""

_FLOOR = 0.01
"""Differences below this share of the range of the scan's grey values never count. Own bound."""

_COARSE = 8
"""Of plain files every so many rows is compared: damage does not spread in them, and more would cost a quarter of the
time of reading. Of compressed ones every row."""

_THREADS = min(4, os.cpu_count() or 1)
_CHUNK = 12
"""Slices of which every row is compared at once, so that they stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Oddness:
    """Places of slices (from 0) that do not resemble their neighbours, and of those that repeat the one before."""

    alone: tuple[int, ...]
    repeated: tuple[int, ...]


def odd_slices(scan: Scan, *, every_row: bool = True) -> Oddness:
    """Looks for slices that cannot be right beside their neighbours.

    Not found: a change of few or of faint pixels, two damaged slices side by side that damage made alike, and any
    defect that all slices share.
    """
    count, rows, columns = scan.shape
    step = (1 if every_row else max(1, min(_COARSE, rows // 64)), max(1, columns // _POINTS))
    coarse = _points(scan, 0, count, (max(1, rows // 32), step[1]), max(1, count // 64))
    low, high = np.percentile(coarse, [0.5, 99.5])
    floor = np.float32(_FLOOR * (high - low))
    chunk = min(_CHUNK * step[0], 64)
    with ThreadPoolExecutor(_THREADS) as pool:
        starts = range(0, count, chunk)
        parts = list(pool.map(lambda start: _judged(scan, start, start + chunk, step, floor), starts))
    alone = np.concatenate([part[0] for part in parts])
    same = np.concatenate([part[1] for part in parts])
    if count < 4 or columns < _POINTS // 2:
        alone[:] = False
    else:
        alone[[0, -1]] = _ends(_points(scan, 0, count, step, max(1, count - 1)), scan, step, floor)
    repeated = tuple(int(k) for k in np.flatnonzero(same) if np.array_equal(scan.voxels[k], scan.voxels[k - 1]))
    return Oddness(tuple(int(k) for k in np.flatnonzero(alone)), repeated)


def _points(scan: Scan, start: int, stop: int, step: tuple[int, int], every: int = 1) -> NDArray[np.float32]:
    """(K, N, M) float32 grey values of some points of some slices."""
    out = scan.voxels[start:stop:every, step[0] // 2 :: step[0], step[1] // 2 :: step[1]].astype(np.float32)
    out *= scan.slope[start:stop:every, None, None].astype(np.float32)
    out += scan.intercept[start:stop:every, None, None].astype(np.float32)
    return out


def _judged(
    scan: Scan, start: int, stop: int, step: tuple[int, int], floor: np.float32
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """For a chunk of slices: which stand alone between their neighbours, and which equal the one before."""
    stop = min(stop, scan.shape[0])
    first, last = max(start - 1, 0), min(stop + 1, scan.shape[0])
    part = _points(scan, first, last, step)
    alone, same = np.zeros(last - first, dtype=bool), np.zeros(last - first, dtype=bool)
    if len(part) > 2:
        alone[1:-1] = _odd(_apart(part[:-2], part[1:-1], part[2:], floor), _ROW_SHARE, _BAND_SHARE)
    same[1:] = (part[1:] == part[:-1]).all(axis=(1, 2)) & (np.ptp(part[1:], axis=(1, 2)) > 0)
    kept = slice(start - first, stop - first)
    return alone[kept], same[kept]


def _apart(
    before: NDArray[np.float32], here: NDArray[np.float32], after: NDArray[np.float32], floor: np.float32
) -> NDArray[np.bool_]:
    """(K, N, M) where `here` differs from the mean of its neighbours by far more than these from each other.

    In place, because a long series must not need a second copy in memory.
    """
    apart = before + after
    apart *= np.float32(0.5)
    apart -= here
    np.abs(apart, out=apart)
    between = after - before
    np.abs(between, out=between)
    between *= np.float32(_TIMES)
    between += floor
    return np.asarray(apart > between)


def _odd(hit: NDArray[np.bool_], row_share: float, band_share: float) -> NDArray[np.bool_]:
    """(K,) whether the hits (K, N, M) of a slice fill any row, or any band of rows, to such a share."""
    rows = hit.mean(axis=2, dtype=np.float32)
    bands = min(_BANDS, rows.shape[1])
    high = rows.shape[1] // bands
    mean = rows[:, : high * bands].reshape(len(rows), bands, high).mean(axis=2)
    return np.asarray((rows.max(axis=1) > row_share) | ((mean.max(axis=1) > band_share) & (high > 1)))


def _ends(ends: NDArray[np.float32], scan: Scan, step: tuple[int, int], floor: np.float32) -> NDArray[np.bool_]:
    """Whether the first and the last slice differ from the next one far more than that from the one after it.

    Empty slices at the ends are usual and no damage.
    """
    count = scan.shape[0]
    first, last = _points(scan, 1, 3, step), _points(scan, count - 3, count - 1, step)
    near, far = np.stack([first[0], last[1]]), np.stack([first[1], last[0]])
    hit = np.abs(ends - near) > np.float32(_END_TIMES) * np.abs(near - far) + floor
    return np.asarray(_odd(hit, _END_SHARE, _END_SHARE) & (np.ptp(ends, axis=(1, 2)) > 0))
