"""The strip along the arch: the scan unrolled on a curved wall through the arch, upright in the patient. Knows
no Qt."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplan.frame import Vector
from siteplan.scan import Scan
from viewer.hand import sample

Points = NDArray[np.float64]

STEP_MM = 0.5
"""Distance of the strip's columns and rows: an overview, finer than a screen shows it."""
THICK_MM = (-4.0, -2.0, 0.0, 2.0, 4.0)
"""Samples across the wall whose mean is shown: about as thick as an alveolar ridge."""
ABOVE_MM, BELOW_MM = 20.0, 26.0
_TANGENT_MM = 2.0
"""The arch's direction at a place is taken from so far before to so far behind it: found points are no smooth curve."""
_CHUNK = 24
"""Columns sampled at a time, so that only a small part of the scan is unpacked at once."""


@dataclass(frozen=True, eq=False)
class Course:
    """The arch at even steps: points (N, 3) LPS, distance along (N,), unit outward normal (N, 3) in the axial plane."""

    points_lps_mm: Points
    s_mm: NDArray[np.float64]
    outward: Points

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return float(self.s_mm[-1])

    def at(self, s_mm: float) -> tuple[Vector, Vector, Vector]:
        """Point, unit tangent and outward normal at a distance along the arch."""
        point = np.array([np.interp(s_mm, self.s_mm, self.points_lps_mm[:, d]) for d in range(3)])
        outward = np.array([np.interp(s_mm, self.s_mm, self.outward[:, d]) for d in range(3)])
        outward /= np.linalg.norm(outward)
        tangent = np.array([-outward[1], outward[0], 0.0])
        return point, tangent, outward

    def way(self, s_mm: float) -> tuple[Vector, Vector]:
        """Point, and unit direction of growing distance in the axial plane; straight on beyond both ends."""
        inside = float(np.clip(s_mm, 0.0, self.length_mm))
        ends = np.clip([inside - _TANGENT_MM, inside + _TANGENT_MM], 0.0, self.length_mm)
        point, before, after = (
            np.array([np.interp(s, self.s_mm, self.points_lps_mm[:, d]) for d in range(3)]) for s in (inside, *ends)
        )
        ahead = (after - before) * [1.0, 1.0, 0.0]
        ahead /= np.linalg.norm(ahead)
        return point + (s_mm - inside) * ahead, ahead

    def place(self, point_lps_mm: ArrayLike) -> tuple[float, float]:
        """Distance along the arch, beyond its ends too, at which a section across it meets a point, and how far the
        point then lies beside the arch; both in the axial plane."""
        s_mm, _ = self.nearest(point_lps_mm)
        rest = np.zeros(3)
        for _ in range(4):
            point, ahead = self.way(s_mm)
            rest = (np.asarray(point_lps_mm, dtype=np.float64) - point) * [1.0, 1.0, 0.0]
            s_mm += float(rest @ ahead)
        return s_mm, float(np.linalg.norm(rest))

    def nearest(self, point_lps_mm: ArrayLike) -> tuple[float, float]:
        """Distance along the arch of the nearest place, and how far away that is in the axial plane."""
        gap = np.linalg.norm(self.points_lps_mm[:, :2] - np.asarray(point_lps_mm, dtype=np.float64)[:2], axis=1)
        best = int(np.argmin(gap))
        return float(self.s_mm[best]), float(gap[best])


def course_through(points_lps_mm: ArrayLike) -> Course:
    """A smooth course through control points (N >= 3) in order along the arch.

    Raises:
        ValueError: fewer than three points, or all in one place.
    """
    from scipy.interpolate import CubicSpline

    points = np.asarray(points_lps_mm, dtype=np.float64)
    keep = np.r_[True, np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-6] if len(points) else []
    points = points[keep]
    if len(points) < 3:
        raise ValueError("an arch needs at least three different points")
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    fine = CubicSpline(s, points, axis=0)(np.linspace(0, s[-1], max(50, int(s[-1] * 8))))
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(fine, axis=0), axis=1))]
    at = np.arange(0.0, along[-1], STEP_MM)
    even = np.stack([np.interp(at, along, fine[:, d]) for d in range(3)], axis=1)
    tangent = np.gradient(even, axis=0)
    outward = np.stack([tangent[:, 1], -tangent[:, 0], np.zeros(len(even))], axis=1)
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    middle = even.mean(axis=0)
    if float(((even - middle) * outward).sum()) < 0:
        outward = -outward
    return Course(even, at, outward)


@dataclass(frozen=True, eq=False)
class Panorama:
    """The unrolled strip.

    Attributes:
        grey: (V, S) mean grey value, row 0 lowest; NaN outside the scan.
        height_mm: (V,) LPS z relative to the course's point of each column.
    """

    course: Course
    grey: NDArray[np.float32]
    height_mm: NDArray[np.float64]

    def to_lps(self, s_mm: float, height_mm: float) -> Vector:
        """(3,) of a place on the strip."""
        point, _, _ = self.course.at(s_mm)
        return np.asarray(point + np.array([0.0, 0.0, height_mm]))

    def from_lps(self, points_lps_mm: ArrayLike) -> NDArray[np.float64]:
        """(N, 3) as distance along, height, and distance from the wall of patient points (N, 3)."""
        points = np.atleast_2d(np.asarray(points_lps_mm, dtype=np.float64))
        flat = points[:, None, :2] - self.course.points_lps_mm[None, :, :2]
        gap = np.linalg.norm(flat, axis=2)
        best = gap.argmin(axis=1)
        height = points[:, 2] - self.course.points_lps_mm[best, 2]
        return np.stack([self.course.s_mm[best], height, gap[np.arange(len(points)), best]], axis=1)


def unroll(scan: Scan, course: Course, give_up: Callable[[], bool] = lambda: False) -> Panorama:
    """Sample the strip; see `Panorama`. Stops early, with what it has, when `give_up()` says so."""
    heights = np.arange(-BELOW_MM, ABOVE_MM + STEP_MM / 2, STEP_MM)
    grey = np.full((len(heights), len(course.s_mm)), np.nan, np.float32)
    thick = np.array(THICK_MM)
    for start in range(0, len(course.s_mm), _CHUNK):
        if give_up():
            break
        part = slice(start, start + _CHUNK)
        wall = course.points_lps_mm[part, None, :] + thick[None, :, None] * course.outward[part, None, :]
        points = np.repeat(wall[None], len(heights), axis=0)
        points[..., 2] += heights[:, None, None]
        values = sample(scan, points.reshape(-1, 3)).reshape(points.shape[:-1])
        known = np.isfinite(values)
        count = known.sum(axis=2)
        total = np.where(known, values, 0.0).sum(axis=2)
        grey[:, part] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return Panorama(course, grey, heights)
