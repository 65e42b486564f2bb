"""Least value of a convex distance along many straight segments at once, between proven bounds.

A segment seen from a solid's axis is z(t) = z0 + t dz and rho(t)^2 = a + 2 b t + c t^2, t from 0 to 1. The distance to
a convex body along it is convex in t, and so it stays when a radius that changes linearly is taken off. Two tangents of
a convex function meet below it: that is the proof of the lower bound, and the next place to look (Kelley JE, The
cutting-plane method for solving convex programs, J SIAM 8:703-712, 1960, in one dimension).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.fixture.solid import Solid
from siteplan.placement.profile import Array, Indices, signed_distance_and_slope

ROUNDS = 60
"""Every third round halves the interval, so 60 rounds shrink any segment by 2^20 (own bound, never met in practice)."""


@dataclass(frozen=True, eq=False)
class Segments:
    """n segments in the half plane of a solid, with the radius r0 + t dr that is taken off. All (n,), mm."""

    z0: Array
    dz: Array
    a: Array
    b: Array
    c: Array
    r0: Array
    dr: Array

    def pick(self, which: Indices) -> "Segments":
        """The segments of these indices, or of a mask."""
        return Segments(*(getattr(self, name)[which] for name in ("z0", "dz", "a", "b", "c", "r0", "dr")))

    def half_plane(self, t: Array) -> tuple[Array, Array]:
        """(z, rho) at t."""
        return self.z0 + t * self.dz, np.sqrt(np.maximum(self.a + t * (2 * self.b + t * self.c), 0.0))

    @classmethod
    def between(cls, start_mm: Array, end_mm: Array, axis: Array, r_start: Array, r_end: Array) -> "Segments":
        """Segments from offsets (n, 3) to offsets (n, 3) from the platform, axis (n, 3) or (3,)."""
        step = end_mm - start_mm
        z0, dz = (np.einsum("...i,...i->...", v, axis) for v in (start_mm, step))
        flat = start_mm - z0[..., None] * axis
        flat_step = step - dz[..., None] * axis
        a, b, c = (
            np.einsum("...i,...i->...", v, w) for v, w in ((flat, flat), (flat, flat_step), (flat_step, flat_step))
        )
        r0 = np.broadcast_to(r_start, z0.shape)
        return cls(z0, dz, a, b, c, r0, np.broadcast_to(r_end, z0.shape) - r0)


@dataclass(frozen=True, eq=False)
class Minima:
    """Values (n,) found along n segments, where (t), and whether the least one lies strictly between the ends.

    A segment that cannot hold its owner's least value keeps the last value that was found on it."""

    value: Array
    t: Array
    between: NDArray[np.bool_]


def convex_minima(piece: Solid, segments: Segments, owner: Indices, best: Array, tolerance_mm: float) -> Minima:
    """Least signed distance of each segment to a convex solid.

    Args:
        owner: (n,) index into `best` of the pose that each segment belongs to.
        best: (N,) least value known for each pose; lowered in place. A segment that provably stays above
            `best - tolerance_mm` is given up.
        tolerance_mm: the value found is at most this far above the true least value.
    """
    n = len(owner)
    lo, hi = np.zeros(n), np.ones(n)
    f_lo, g_lo = _value_and_slope(piece, segments, lo)
    f_hi, g_hi = _value_and_slope(piece, segments, hi)
    value, at = np.minimum(f_lo, f_hi), np.where(f_lo <= f_hi, 0.0, 1.0)
    np.minimum.at(best, owner, value)
    between = (g_lo < 0) & (g_hi > 0)
    live = np.flatnonzero(between)
    for turn in range(ROUNDS):
        if not len(live):
            break
        cross, bound = _tangents_meet(lo[live], hi[live], f_lo[live], f_hi[live], g_lo[live], g_hi[live])
        keep = bound < np.minimum(best[owner[live]], value[live]) - tolerance_mm
        live, cross = live[keep], cross[keep]
        t = 0.5 * (lo[live] + hi[live]) if turn % 3 == 2 else cross
        f, g = _value_and_slope(piece, segments.pick(live), t)
        np.minimum.at(best, owner[live], f)
        lower = f < value[live]
        value[live] = np.where(lower, f, value[live])
        at[live] = np.where(lower, t, at[live])
        left = g < 0
        lo[live[left]], f_lo[live[left]], g_lo[live[left]] = t[left], f[left], g[left]
        right = live[~left]
        hi[right], f_hi[right], g_hi[right] = t[~left], f[~left], g[~left]
        live = live[g != 0]
    return Minima(value, at, between)


def _value_and_slope(piece: Solid, s: Segments, t: Array) -> tuple[Array, Array]:
    z, rho = s.half_plane(t)
    value, by_z, by_rho = signed_distance_and_slope(piece, z, rho)
    rho_step = np.divide(s.b + t * s.c, rho, out=np.zeros_like(rho), where=rho > 0)
    return value - s.r0 - t * s.dr, by_z * s.dz + by_rho * rho_step - s.dr


def _tangents_meet(lo: Array, hi: Array, f_lo: Array, f_hi: Array, g_lo: Array, g_hi: Array) -> tuple[Array, Array]:
    """Where the tangents at both ends meet, and their value there: a bound from below."""
    t = np.clip((f_lo - f_hi + g_hi * hi - g_lo * lo) / (g_hi - g_lo), lo, hi)
    return t, np.minimum(f_lo + g_lo * (t - lo), f_hi + g_hi * (t - hi))
