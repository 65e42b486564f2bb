"""What a scan cannot show at a place: metal close by, and the end of the field of view."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplan.scan import remarks
from siteplan.scan.findings import ScanFinding
from siteplan.scan.volume import Scan

METAL_REACH_MM = 10.0
"""Distance over which metal is looked for around a site. Own choice: streaks of a crown spoil the neighbouring site
(common practice, no source)."""

METAL_ABOVE_SOFT = 3.0
"""A voxel counts as metal when it lies more than this many times as far above soft tissue as air lies below it, that is
above about 3000 on a scale where air is -1000 and soft tissue 0. Enamel, the densest tissue, reads about 2000 to 3000
there (from memory); titanium, gold and amalgam lie far above or at the end of the range."""

_METAL_VOLUME_MM3 = 1.0
"""Smaller clusters are taken for noise. Own bound."""


def metal_near(scan: Scan, points_lps_mm: ArrayLike, *, reach_mm: float = METAL_REACH_MM) -> list[ScanFinding]:
    """A finding where metal lies within `reach_mm` of any of the points (N, 3), LPS mm; an empty list where none does.

    Metal is told from the scan's own scale, because cone-beam values are not calibrated: air and soft tissue are the
    two commonest dark values, and metal lies far above both, or at the upper end of what can be stored. A dense crown
    may be taken for metal; that errs on the side of a warning. Streaks themselves are not measured.
    """
    points = np.atleast_2d(np.asarray(points_lps_mm, dtype=np.float64))
    air, soft = _air_and_soft(scan)
    limit = soft + METAL_ABOVE_SOFT * (soft - air)
    box = _box(scan, points, reach_mm)
    if box is None:
        return []
    values = scan.values(box)
    bright = values > limit if np.isfinite(limit) else np.zeros(values.shape, bool)
    bright |= _at_the_end_of_range(scan, box)
    index = np.argwhere(bright)
    if not len(index):
        return []
    places = scan.index_to_lps(index + [part.start for part in box])
    from scipy.spatial import cKDTree

    distance, _ = cKDTree(points).query(places)
    near = distance <= reach_mm
    volume_mm3 = float(near.sum() * np.prod(scan.spacing_kji_mm))
    if volume_mm3 < _METAL_VOLUME_MM3:
        return []
    return [remarks.metal_near(float(distance.min()), volume_mm3, places[int(np.argmin(distance))])]


def outside_field(scan: Scan, points_lps_mm: ArrayLike, *, name: str = "the site") -> list[ScanFinding]:
    """A finding where points (N, 3), LPS mm, lie outside the scan or where it holds no data (padding)."""
    points = np.atleast_2d(np.asarray(points_lps_mm, dtype=np.float64))
    out = ~scan.contains(points)
    if scan.padding is not None and not out.all():
        k, j, i = np.round(scan.lps_to_index(points[~out])).astype(int).T
        out[~out] = scan.voxels[k, j, i] == scan.padding
    if not out.any():
        return []
    last = np.array(scan.shape) - 1
    index = scan.lps_to_index(points[out])
    beyond = np.maximum(np.maximum(-index, index - last), 0) * np.array(scan.spacing_kji_mm)
    return [remarks.outside_field(name, int(out.sum()), len(points), float(np.linalg.norm(beyond, axis=1).max()))]


def _air_and_soft(scan: Scan) -> tuple[float, float]:
    """Grey values of air and of soft tissue: the two highest separate peaks of the histogram, the darker one first.

    Returns infinities where there are no two peaks, so that only values at the end of the range count as metal.
    """
    steps = [max(1, size // 64) for size in scan.shape]
    stored = scan.voxels[:: steps[0], :: steps[1], :: steps[2]]
    k = np.arange(scan.shape[0])[:: steps[0]]
    values = stored * scan.slope[k, None, None] + scan.intercept[k, None, None]
    if scan.padding is not None:
        values = values[stored != scan.padding]
    low, high = np.percentile(values, [0.5, 95]) if values.size else (0.0, 0.0)
    if high - low < 1e-6:
        return float("-inf"), float("inf")
    counts, edges = np.histogram(values, bins=64, range=(low, high))
    smooth = np.convolve(counts, [0.25, 0.5, 0.25], mode="same")
    peaks = [
        at
        for at in range(64)
        if smooth[at] >= smooth[max(at - 1, 0)] and smooth[at] >= smooth[min(at + 1, 63)] and smooth[at] > 0
    ]
    first = max(peaks, key=lambda at: smooth[at])
    apart = [at for at in peaks if abs(at - first) >= 8]
    if not apart:
        return float("-inf"), float("inf")
    second = max(apart, key=lambda at: smooth[at])
    air, soft = sorted(((edges[at] + edges[at + 1]) / 2) for at in (first, second))
    return float(air), float(soft)


def _box(scan: Scan, points: NDArray[np.float64], reach_mm: float) -> tuple[slice, slice, slice] | None:
    """The part of the volume that holds everything within `reach_mm` of the points, or None outside of it."""
    index = scan.lps_to_index(points)
    reach = reach_mm / np.array(scan.spacing_kji_mm)
    low = np.maximum(np.floor(index.min(axis=0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(index.max(axis=0) + reach) + 1, scan.shape).astype(int)
    if (low >= high).any():
        return None
    k, j, i = (slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    return k, j, i


def _at_the_end_of_range(scan: Scan, box: tuple[slice, slice, slice]) -> NDArray[np.bool_]:
    """Voxels at the largest value of the whole scan, where so many share it that the scale was cut off there."""
    top = scan.voxels.max()
    clipped = scan.voxels[box] == top
    if np.count_nonzero(clipped) < 8 or top == scan.voxels.min():
        return np.zeros(clipped.shape, dtype=bool)
    return np.asarray(clipped)
