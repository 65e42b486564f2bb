"""Grey values where anatomy needs them: at points, and in a straight isotropic box.

All points are LPS millimetres. A box is indexed [k, j, i] along LPS z, y, x, whatever the scan's own directions.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]
Grey = NDArray[np.float32]

_HALO = 4
"""Voxels kept around a region so that cubic interpolation does not feel the cut."""

_ANTI_ALIAS = 0.4
"""Standard deviation of the smoothing before thinning out, in new spacings (common practice, no source)."""


_TRUNCATE = 4.0
"""Standard deviations at which that smoothing ends (SciPy's own bound)."""

_SLAB = 32
"""Planes of the scan, besides those for the smoothing, of which a piece of a box is made at once."""


@dataclass(frozen=True, eq=False)
class Box:
    """An isotropic piece of the scan, axes along LPS.

    Attributes:
        values: (K, J, I) float32 grey; NaN outside the scan.
        origin_lps_mm: (3,) centre of voxel [0, 0, 0].
        spacing_mm: the one spacing.
    """

    values: Grey
    origin_lps_mm: Points
    spacing_mm: float

    def to_lps(self, index_kji: ArrayLike) -> Points:
        """LPS points (..., 3) of indices (..., 3)."""
        return self.origin_lps_mm + np.asarray(index_kji, dtype=np.float64)[..., ::-1] * self.spacing_mm

    def to_index(self, points_lps_mm: ArrayLike) -> Points:
        """Indices (..., 3) in order k, j, i of LPS points (..., 3)."""
        index: Points = (np.asarray(points_lps_mm, dtype=np.float64) - self.origin_lps_mm)[..., ::-1] / self.spacing_mm
        return index

    def nearest(self, point_lps_mm: ArrayLike) -> tuple[int, int, int]:
        """Index of the voxel nearest to a point, kept inside the box."""
        index = np.clip(np.rint(self.to_index(point_lps_mm)), 0, np.array(self.values.shape) - 1).astype(int)
        return int(index[0]), int(index[1]), int(index[2])

    @cached_property
    def filled(self) -> Grey:
        """The values with the outside of the scan given the lowest grey inside it."""
        low = float(np.nanmin(self.values)) if np.isfinite(self.values).any() else 0.0
        return np.nan_to_num(self.values, nan=low).astype(np.float32)


@dataclass(frozen=True, eq=False)
class Sampler:
    """A piece of the scan held ready for repeated sampling at points."""

    scan: Scan
    start: NDArray[np.int64]
    grey: Grey
    coefficients: Grey

    def at(self, points_lps_mm: ArrayLike, *, smooth: bool = False) -> Grey:
        """Grey (...) at points (..., 3): cubic, or linear when `smooth`; NaN outside the scan or in padding."""
        points = np.asarray(points_lps_mm, dtype=np.float64)
        index = self.scan.lps_to_index(points) - self.start
        flat = index.reshape(-1, 3).T
        top = np.array(self.grey.shape)[:, None] - 1
        if smooth:
            out = ndimage.map_coordinates(self.grey, flat, order=1, mode="nearest")
        else:
            out = ndimage.map_coordinates(self.coefficients, flat, order=3, mode="nearest", prefilter=False)
        out = out.astype(np.float32)
        out[((flat < -0.01) | (flat > top + 0.01)).any(axis=0)] = np.nan
        grey: Grey = out.reshape(points.shape[:-1])
        return grey


def sampler(scan: Scan, points_lps_mm: ArrayLike, reach_mm: float) -> Sampler:
    """A `Sampler` for everything within `reach_mm` of the points (N, 3).

    Raises:
        GeometryError: no point's neighbourhood touches the scan.
    """
    region, start = _region(scan, points_lps_mm, reach_mm)
    grey = _grey(scan, region)
    return Sampler(scan, start, grey, ndimage.spline_filter(np.nan_to_num(grey, nan=0.0), order=3).astype(np.float32))


def box_around(scan: Scan, points_lps_mm: ArrayLike, reach_mm: float, spacing_mm: float) -> Box:
    """Isotropic box over everything within `reach_mm` of the points (N, 3), resampled linearly.

    Voxels finer than the box are averaged first, so that noise falls and does not fold back.

    Raises:
        GeometryError: the box does not touch the scan.
    """
    points = np.atleast_2d(np.asarray(points_lps_mm, dtype=np.float64))
    region, start = _region(scan, points, reach_mm)
    sigma = [_ANTI_ALIAS * spacing_mm / s if s < spacing_mm else 0.0 for s in scan.spacing_kji_mm]
    low, high = points.min(axis=0) - reach_mm, points.max(axis=0) + reach_mm
    corners = scan.index_to_lps(_corners(scan.shape))
    low, high = np.maximum(low, corners.min(axis=0)), np.minimum(high, corners.max(axis=0))
    count = np.maximum(np.floor((high - low) / spacing_mm).astype(int) + 1, 1)
    turn = np.linalg.inv(scan.affine)[:3, :3]
    to_index = turn[::-1, ::-1] * spacing_mm
    offset = scan.lps_to_index(low)
    shape = tuple(int(n) for n in count[::-1])
    values = np.full(shape, np.nan, dtype=np.float32)
    lowest = _lowest(scan, region)
    slab = max(1, int(_SLAB * min(scan.spacing_kji_mm) / spacing_mm))
    for first in range(0, shape[0], slab):
        # Piece by piece, because the whole scan as floating point numbers, twice, would be four times its size.
        part = values[first : first + slab]
        here = offset + to_index @ np.array([first, 0, 0])
        corners = here + _corners(part.shape) @ to_index.T
        halo = np.array([int(_TRUNCATE * s + 0.5) + 1 for s in sigma])
        begin = np.maximum(np.floor(corners.min(axis=0)).astype(int) - halo, start)
        end = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1 + halo, [s.stop for s in region])
        if (begin >= end).any():
            continue
        grey = _grey(scan, _box(begin, end), lowest)
        if any(sigma):
            grey = ndimage.gaussian_filter(grey, sigma, mode="nearest", truncate=_TRUNCATE)
        from_here = np.round(here - begin, 9)  # or rounding noise puts the last plane outside
        part[:] = ndimage.affine_transform(
            grey, to_index, offset=from_here, output_shape=part.shape, order=1, mode="constant", cval=np.nan
        )
    return Box(values, low, spacing_mm)


def noise_sd(grey: Grey) -> float:
    """Standard deviation of the noise that changes from voxel to voxel: median of the absolute second difference.

    Source of the factor: for independent normal noise the second difference a - 2b + c has the standard deviation
    sqrt(6) times that of one voxel, and the median of an absolute normal value is 0.6745 standard deviations.
    """
    second = grey[1:-1] - 0.5 * (grey[:-2] + grey[2:])
    good = np.abs(second[np.isfinite(second)])
    return float(np.median(good) / 0.6745 / np.sqrt(1.5)) if good.size else 0.0


def _grey(scan: Scan, region: tuple[slice, slice, slice], lowest: float | None = None) -> Grey:
    """Grey values of a region; padding reads as the lowest of them, or as the given value."""
    grey = scan.values(region)
    if scan.padding is not None:
        low = np.nanmin(grey) if lowest is None else lowest
        grey = np.where(scan.voxels[region] == scan.padding, low, grey).astype(np.float32)
    return grey


def _lowest(scan: Scan, region: tuple[slice, slice, slice]) -> float:
    """The lowest grey value of a region, padding among them, without a second copy of it."""
    if scan.padding is None:
        return 0.0
    stored = scan.voxels[region]
    ends = np.stack([stored.min(axis=(1, 2)), stored.max(axis=(1, 2))]).astype(np.float32)
    k = region[0]
    grey = ends * scan.slope[k].astype(np.float32) + scan.intercept[k].astype(np.float32)
    return float(np.nanmin(grey))


def _box(begin: NDArray[np.int64], end: NDArray[np.int64]) -> tuple[slice, slice, slice]:
    k, j, i = (slice(int(a), int(b)) for a, b in zip(begin, end, strict=True))
    return k, j, i


def _corners(shape: tuple[int, int, int]) -> Points:
    ends = [(0, n - 1) for n in shape]
    return np.array([(k, j, i) for k in ends[0] for j in ends[1] for i in ends[2]], dtype=np.float64)


def _region(
    scan: Scan, points_lps_mm: ArrayLike, reach_mm: float
) -> tuple[tuple[slice, slice, slice], NDArray[np.int64]]:
    points = np.atleast_2d(np.asarray(points_lps_mm, dtype=np.float64))
    if points.shape[-1] != 3 or not np.isfinite(points).all():
        raise GeometryError("point: three finite numbers in patient millimetres are needed.")
    index = scan.lps_to_index(points)
    reach = reach_mm / np.array(scan.spacing_kji_mm) * np.sqrt(3) + _HALO
    if np.abs(np.abs(scan.affine[:3, :3]).max(axis=0) - np.linalg.norm(scan.affine[:3, :3], axis=0)).max() < 1e-3:
        reach = reach_mm / np.array(scan.spacing_kji_mm) + _HALO
    shape = np.array(scan.shape)
    low = np.clip(np.floor(index.min(axis=0) - reach), 0, shape).astype(np.int64)
    high = np.clip(np.ceil(index.max(axis=0) + reach) + 1, 0, shape).astype(np.int64)
    if (high - low < 2).any():
        where = ", ".join(f"{x:.1f}" for x in points[0])
        raise GeometryError(f"point {where}: it lies outside the scan; give patient millimetres inside it.")
    return _box(low, high), low
