"""Which voxels of a scan a structure takes up: exact shapes asked at voxel centres."""

import numpy as np
from numpy.typing import NDArray

from siteplan.anatomy import Cone, Shape, Surface, Tube
from siteplan.scan.volume import Scan

Box = tuple[slice, slice, slice]

_STEP_VOXELS = 0.25
"""Distance of samples of an open surface, in voxels (own choice: no voxel is missed over more than a corner)."""
_ASIDE = np.array([3.1e-7, 5.7e-7])
"""Voxels; moves a mesh off the exact grid, where a line through a shared edge would count two crossings."""


def voxel_mask(scan: Scan, shape: Shape) -> tuple[Box, NDArray[np.bool_]] | None:
    """The voxels that a shape takes up, as a box of the scan (slices in k, j, i) and a mask of its size.

    Of a tube, a cone stump and a closed surface these are the voxels whose centres lie inside; of an open surface those
    that it passes through. None where the shape takes up no voxel of the scan.
    """
    if isinstance(shape, Surface):
        corners = scan.lps_to_index(shape.points_lps_mm)[shape.triangles]
        box = _box(scan, corners.reshape(-1, 3), np.zeros(3))
        if box is None:
            return None
        start = np.array([side.start for side in box])
        size = np.array([side.stop - side.start for side in box])
        mask = enclosed(corners - start, size) if shape.closed else passed(corners - start, size)
    else:
        points, reach = _extent(shape)
        box = _box(scan, scan.lps_to_index(points), reach / np.array(scan.spacing_kji_mm))
        if box is None:
            return None
        k, j, i = (np.arange(side.start, side.stop) for side in box)
        index = np.stack(np.meshgrid(k, j, i, indexing="ij"), axis=-1)
        mask = _inside(shape, scan.index_to_lps(index.reshape(-1, 3))).reshape(index.shape[:3])
    return (box, mask) if mask.any() else None


def tube_distance(tube: Tube, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) signed distance (mm, below zero inside) from points (n, 3) to a tube, the union of the balls along its line.

    On one stretch with radius r0 + k t the nearest ball belongs to t = z + rho k / sqrt(1 - k^2), where z and rho are
    the point's places along and across the stretch; beyond its ends, or where one ball holds all others, to an end.
    """
    centres, radius = tube.points_lps_mm, tube.radius_mm
    best = np.min(
        [np.linalg.norm(points - c, axis=1) - r for c, r in zip(centres[[0, -1]], radius[[0, -1]], strict=True)], axis=0
    )
    for start, end, r0, r1 in zip(centres[:-1], centres[1:], radius[:-1], radius[1:], strict=True):
        way = end - start
        length = float(np.linalg.norm(way))
        if length < 1e-9:
            continue
        z = (points - start) @ (way / length)
        rho = np.linalg.norm(points - start - z[:, None] * (way / length), axis=1)
        k = (r1 - r0) / length
        shift = k / np.sqrt(1 - k * k) if abs(k) < 1 else np.inf * np.sign(k)
        t = np.clip(z + np.nan_to_num(rho * shift), 0.0, length)
        best = np.minimum(best, np.hypot(z - t, rho) - (r0 + k * t))
    out: NDArray[np.float64] = best
    return out


def passed(corners: NDArray[np.float64], size: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Voxels that triangles (T, 3, 3), corners as indices in k, j, i, pass through, in a grid of `size`.

    Every triangle is sampled so finely that two samples are at most a quarter of a voxel apart.
    """
    mask = np.zeros(size, dtype=np.bool_)
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    steps = np.maximum(np.ceil(edges / _STEP_VOXELS), 1).astype(int)
    for count in np.unique(steps):
        a, b, c = np.moveaxis(corners[steps == count], 1, 0)
        u, v = (grid.ravel() / count for grid in np.meshgrid(*[np.arange(count + 1)] * 2, indexing="ij"))
        u, v = u[u + v <= 1 + 1e-9], v[u + v <= 1 + 1e-9]
        samples = a[:, None] + u[:, None] * (b - a)[:, None] + v[:, None] * (c - a)[:, None]
        index = np.round(samples.reshape(-1, 3)).astype(int)
        inside = ((index >= 0) & (index < size)).all(axis=1)
        mask[tuple(index[inside].T)] = True
    return mask


def enclosed(corners: NDArray[np.float64], size: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Voxel centres that a closed mesh of triangles (T, 3, 3) encloses: those with an odd number of crossings before
    them along k."""
    flips = np.zeros((size[0] + 1, size[1], size[2]), dtype=np.int64)
    for triangle in corners:
        flat = triangle[:, 1:] + _ASIDE
        low = np.maximum(np.ceil(flat.min(axis=0)), 0).astype(int)
        high = np.minimum(np.floor(flat.max(axis=0)), size[1:] - 1).astype(int)
        (a, b, c) = flat
        double_area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        if (high < low).any() or abs(double_area) < 1e-12:
            continue
        j, i = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1), indexing="ij")
        w_b = ((j - a[0]) * (c[1] - a[1]) - (i - a[1]) * (c[0] - a[0])) / double_area
        w_c = ((b[0] - a[0]) * (i - a[1]) - (b[1] - a[1]) * (j - a[0])) / double_area
        hit = (w_b >= 0) & (w_c >= 0) & (w_b + w_c <= 1)
        at = (
            triangle[0, 0] + w_b[hit] * (triangle[1, 0] - triangle[0, 0]) + w_c[hit] * (triangle[2, 0] - triangle[0, 0])
        )
        first_beyond = np.clip(np.ceil(at), 0, size[0]).astype(int)
        np.add.at(flips, (first_beyond, j[hit], i[hit]), 1)
    return np.asarray(np.cumsum(flips, axis=0)[:-1] % 2 == 1)


def _inside(shape: Tube | Cone, points: NDArray[np.float64]) -> NDArray[np.bool_]:
    if isinstance(shape, Tube):
        return np.asarray(tube_distance(shape, points) <= 0)
    way = shape.tip_lps_mm - shape.base_lps_mm
    length = float(np.linalg.norm(way))
    z = (points - shape.base_lps_mm) @ (way / length)
    rho = np.linalg.norm(points - shape.base_lps_mm - z[:, None] * (way / length), axis=1)
    edge = np.interp(z, [0.0, length], [shape.base_radius_mm, shape.tip_radius_mm])
    return np.asarray((z >= 0) & (z <= length) & (rho <= edge))


def _extent(shape: Tube | Cone) -> tuple[NDArray[np.float64], float]:
    """Points whose neighbourhood within a reach (mm) holds the whole shape."""
    if isinstance(shape, Tube):
        return shape.points_lps_mm, float(shape.radius_mm.max())
    return np.stack([shape.base_lps_mm, shape.tip_lps_mm]), max(shape.base_radius_mm, shape.tip_radius_mm)


def _box(scan: Scan, index: NDArray[np.float64], reach: NDArray[np.float64]) -> Box | None:
    """The voxels within `reach` (3,) of points (n, 3), both counted in voxels along k, j, i; None outside the scan."""
    low = np.maximum(np.floor(index.min(axis=0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(index.max(axis=0) + reach) + 1, scan.shape).astype(int)
    if (high <= low).any():
        return None
    k, j, i = (slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    return k, j, i
