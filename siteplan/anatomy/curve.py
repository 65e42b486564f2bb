"""A smooth curve in space: even steps along it, and cross-section directions that do not spin."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.interpolate import CubicSpline

Points = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Curve:
    """Points at even steps with a right-angled frame at each.

    Attributes:
        points_lps_mm, tangent, u, v: (N, 3); the last three are unit vectors at right angles.
        s_mm: (N,) arc length from the first point.
    """

    points_lps_mm: Points
    tangent: Points
    u: Points
    v: Points
    s_mm: NDArray[np.float64]

    @property
    def step_mm(self) -> float:
        """Distance between neighbouring points."""
        return float(self.s_mm[1] - self.s_mm[0]) if len(self.s_mm) > 1 else 0.0

    def to_lps(self, u_mm: ArrayLike, v_mm: ArrayLike) -> Points:
        """(N, ..., 3) patient points at offsets (N, ...) or (...) in each cross-section."""
        a, b = np.asarray(u_mm, dtype=np.float64), np.asarray(v_mm, dtype=np.float64)
        n = len(self.points_lps_mm)
        if a.ndim == 0 or a.shape[0] != n:
            a, b = np.broadcast_to(a, (n, *a.shape)), np.broadcast_to(b, (n, *b.shape))
        extra = (slice(None), *(None,) * (a.ndim - 1), slice(None))
        out: Points = self.points_lps_mm[extra] + a[..., None] * self.u[extra] + b[..., None] * self.v[extra]
        return out


def arc_length(points: Points) -> NDArray[np.float64]:
    """(N,) length along the polyline (N, d) up to each point."""
    out: NDArray[np.float64] = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    return out


def resampled(points: Points, step_mm: float) -> Points:
    """The polyline (N, 3) at even steps of about `step_mm`, its ends kept, cubic between the points."""
    keep = np.concatenate([[True], np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-6])
    points = points[keep]
    if len(points) < 2:
        return points
    s = arc_length(points)
    count = max(int(np.ceil(s[-1] / step_mm)), 1) + 1
    at = np.linspace(0, s[-1], count)
    if len(points) < 4:
        return np.stack([np.interp(at, s, points[:, d]) for d in range(points.shape[1])], axis=1)
    out: Points = CubicSpline(s, points, axis=0)(at)
    return out


def smoothed(points: Points, sigma_mm: float, step_mm: float, weight: NDArray[np.float64] | None = None) -> Points:
    """Points (N, 3) at even steps, each averaged with its neighbours; straight ends stay where they are.

    Args:
        weight: (N,) trust in each point; a point of no trust is filled from its neighbours.
    """
    w = np.ones(len(points)) if weight is None else np.maximum(weight, 1e-3)
    sigma = sigma_mm / step_mm
    reach = min(int(np.ceil(3 * sigma)), len(points) - 1)
    if reach < 1:
        return points
    # Reflection through the end point keeps a straight end straight and in place.
    head, tail = 2 * points[0] - points[reach:0:-1], 2 * points[-1] - points[-2 : -reach - 2 : -1]
    p = np.concatenate([head, points, tail])
    pw = np.concatenate([w[reach:0:-1], w, w[-2 : -reach - 2 : -1]])[:, None]
    top = ndimage.gaussian_filter1d(p * pw, sigma, axis=0, truncate=3.0)
    out: Points = (top / ndimage.gaussian_filter1d(pw, sigma, axis=0, truncate=3.0))[reach : reach + len(points)]
    return out


def framed(points: Points) -> Curve:
    """`Curve` over points (N, 3) at about even steps, N >= 2.

    The frame is carried along by the smallest turn from one tangent to the next (double reflection, Wang W et al.
    2008, ACM Trans Graph 27:2, from memory), so that neighbouring cross-sections can be averaged.
    """
    tangent = np.gradient(points, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    u = np.empty_like(points)
    start = np.array([0.0, 0.0, 1.0]) if abs(tangent[0, 2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    u[0] = start - (start @ tangent[0]) * tangent[0]
    u[0] /= np.linalg.norm(u[0])
    for n in range(len(points) - 1):
        u[n + 1] = _carried(points[n + 1] - points[n], tangent[n], tangent[n + 1], u[n])
    return Curve(points, tangent, u, np.cross(tangent, u), arc_length(points))


def _carried(step: Points, tangent: Points, after: Points, u: Points) -> Points:
    length = float(step @ step)
    reflected_u = u - 2 * (step @ u) / length * step
    reflected_t = tangent - 2 * (step @ tangent) / length * step
    turn = after - reflected_t
    size = float(turn @ turn)
    out = reflected_u if size < 1e-12 else reflected_u - 2 * (turn @ reflected_u) / size * turn
    out = out - (out @ after) * after
    carried: Points = out / np.linalg.norm(out)
    return carried
