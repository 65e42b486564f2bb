"""The outer bone contour in the section as a smooth curve, and where every grid cell lies beside it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

STEP_MM = 0.1
"""Distance between the points of the curve."""
_ENTRY_REACH_MM = 2.0
"""The outline must pass this close to where the axis enters the mask."""
_LEAST_POINTS = 20
_PROBE_MM = 0.5
_END_POINTS = 3
"""Dropped at each end, where the picture's edge may bend the outline."""


@dataclass(frozen=True, eq=False)
class Curve:
    """An open curve in the section plane, from the buccal wall over the crest to the lingual wall.

    Attributes:
        s_mm: (P,) arc length, evenly spaced. points_mm: (P, 2) depth and buccal position.
        normal: (P, 2) unit normal into the bone. curvature: (P,) 1/mm, positive where the bone is convex.
    """

    s_mm: Array
    points_mm: Array
    normal: Array
    curvature: Array

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return float(self.s_mm[-1])

    def offset(self, distance_mm: Array, smooth_mm: float = 0.3) -> "Curve":
        """The curve through the points moved by `distance_mm` (P,) along their normals."""
        return curve_through(self.points_mm + distance_mm[:, None] * self.normal, smooth_mm)


@dataclass(frozen=True, eq=False)
class Cells:
    """Grid cells of the section in a band beside a curve.

    Attributes:
        row, column: (N,) indices into the section picture. s_mm: (N,) arc length of the nearest curve point.
        distance_mm: (N,) signed distance, positive inside the bone. point: (N,) index of the nearest curve point.
    """

    row: NDArray[np.int64]
    column: NDArray[np.int64]
    s_mm: Array
    distance_mm: Array
    point: NDArray[np.int64]


def curve_through(points_mm: Array, smooth_mm: float) -> Curve:
    """Evenly spaced smooth curve through ordered points (Q, 2); the bone must lie to the side of the normals.

    The bone lies to the left of the direction of travel when depth points down and buccal to the right, which
    holds for curves from the buccal wall up over the crest and down the lingual wall.
    """
    even = _evenly(points_mm)
    if smooth_mm > 0:
        even = _evenly(_smoothed(even, smooth_mm / STEP_MM))
    step = float(np.linalg.norm(even[1] - even[0]))
    tangent = np.gradient(_smoothed(even, 2.0), axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    turning = np.gradient(tangent, step, axis=0)
    curvature = gaussian_filter1d((turning * normal).sum(axis=1), 0.4 / STEP_MM, mode="nearest")
    return Curve(np.asarray(step * np.arange(len(even)), dtype=np.float64), even, normal, curvature)


def _evenly(points: Array) -> Array:
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    keep = np.concatenate([[True], np.diff(length) > 1e-9])
    points, length = points[keep], length[keep]
    wanted = np.linspace(0, length[-1], max(round(float(length[-1]) / STEP_MM) + 1, 8))
    return np.stack([np.interp(wanted, length, points[:, a]) for a in (0, 1)], axis=1)


def _smoothed(points: Array, sigma: float) -> Array:
    """Gaussian smoothing along the curve with point-mirrored ends, so that the ends neither move nor bend."""
    reach = min(int(4 * sigma) + 1, len(points) - 1)
    head = 2 * points[0] - points[reach:0:-1]
    tail = 2 * points[-1] - points[-2 : -reach - 2 : -1]
    long = gaussian_filter1d(np.vstack([head, points, tail]), sigma, axis=0, mode="nearest")
    out: Array = long[reach : reach + len(points)]
    return out


def mask_outline(
    bone: NDArray[np.bool_], depth_mm: Array, buccal_mm: Array, bottom_mm: float, entry_mm: float, smooth_mm: float
) -> Curve | None:
    """Outline of the filled bone above `bottom_mm` through the place where the axis enters at `entry_mm`.

    Where the bone runs out of the picture (a palate, a ramus) the outline ends at the picture's edge. None when no
    outline of useful length passes the entry.
    """
    from skimage.measure import find_contours

    last = int(np.searchsorted(depth_mm, bottom_mm, side="right"))
    part = bone[:last]
    if not part.any():
        return None
    best: Array | None = None
    nearest = _ENTRY_REACH_MM
    for line in find_contours(part.astype(np.float32), 0.5):
        depth = np.interp(line[:, 0], np.arange(last), depth_mm[:last])
        across = np.interp(line[:, 1], np.arange(len(buccal_mm)), buccal_mm)
        off = float(np.hypot(depth - entry_mm, across).min())
        if len(line) >= _LEAST_POINTS and off < nearest:
            best, nearest = np.stack([depth, across], axis=1), off
    if best is None:
        return None
    if np.allclose(best[0], best[-1]):  # closed inside the picture: cut at its deepest point
        best = np.roll(best[:-1], -int(np.argmax(best[:-1, 0])), axis=0)
    best = best[_END_POINTS:-_END_POINTS]
    # Bone must lie on the side of the normals: probe the mask there.
    middle = curve_through(best, smooth_mm)
    probe = middle.points_mm + _PROBE_MM * middle.normal
    rows = np.clip(np.searchsorted(depth_mm, probe[:, 0]), 0, last - 1)
    columns = np.clip(np.searchsorted(buccal_mm, probe[:, 1]), 0, len(buccal_mm) - 1)
    return middle if part[rows, columns].mean() >= 0.5 else curve_through(best[::-1], smooth_mm)


def cells_beside(
    curve: Curve, depth_mm: Array, buccal_mm: Array, outside_mm: float, inside_mm: Array, radius_share: float = 0.85
) -> Cells:
    """Cells between `outside_mm` outside and `inside_mm` (P,) inside the curve.

    Cells nearest to an end of the curve, and cells closer to a centre of curvature than a share of the radius
    (where "nearest point" turns ambiguous), are left out.
    """
    pad = max(outside_mm, float(inside_mm.max())) + 0.5
    low, high = curve.points_mm.min(axis=0) - pad, curve.points_mm.max(axis=0) + pad
    rows = np.flatnonzero((depth_mm >= low[0]) & (depth_mm <= high[0]))
    columns = np.flatnonzero((buccal_mm >= low[1]) & (buccal_mm <= high[1]))
    grid = np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1).reshape(-1, 2)
    points = np.stack([depth_mm[grid[:, 0]], buccal_mm[grid[:, 1]]], axis=1)
    reach, near = cKDTree(curve.points_mm).query(points, distance_upper_bound=pad)
    ok = np.isfinite(reach) & (near > 0) & (near < len(curve.points_mm) - 1)
    grid, points, near = grid[ok], points[ok], near[ok]
    offset = points - curve.points_mm[near]
    n = curve.normal[near]
    tangent = np.stack([n[:, 1], -n[:, 0]], axis=1)
    along = (offset * tangent).sum(axis=1)
    bend = curve.curvature[near]
    distance = (offset * n).sum(axis=1)
    along /= np.clip(1 - bend * distance, 0.3, 3.0)
    s = np.clip(curve.s_mm[near] + along, 0, curve.length_mm)
    # The curve sags between a chord and its points by bend * along^2 / 2.
    distance = distance - bend * along**2 / 2 * np.clip(1 - bend * distance, 0.3, 3.0)
    keep = (distance >= -outside_mm) & (distance <= inside_mm[near]) & (bend * distance < radius_share)
    keep &= -bend * distance < 2.0
    return Cells(grid[keep, 0], grid[keep, 1], s[keep], distance[keep], near[keep])
