"""Exact signed distance from points to a solid of revolution, worked out in the half plane of its outline.

The point of a solid of revolution that is nearest to a point lies in the half plane through the axis and that point,
so the distance in space is the distance in (z, rho) to the outline. The signed distance is positive outside, changes
by at most one millimetre per millimetre, and is convex where the outline is.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from siteplan.fixture.solid import Pose, Solid

Array = NDArray[np.float64]
Indices = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Poses:
    """Many poses of one solid: platform_lps_mm (N, 3) and unit axes (N, 3)."""

    platform_lps_mm: Array
    axis: Array

    def __len__(self) -> int:
        return len(self.axis)

    def __getitem__(self, n: int) -> Pose:
        return Pose(self.platform_lps_mm[n], self.axis[n])

    @classmethod
    def of(cls, pose: "Pose | Poses") -> "Poses":
        """One pose as a set of one."""
        if isinstance(pose, Poses):
            return pose
        return cls(np.asarray(pose.platform_lps_mm)[None, :], np.asarray(pose.axis)[None, :])

    def pick(self, which: Indices) -> "Poses":
        """The poses of these indices, or of a mask."""
        return Poses(self.platform_lps_mm[which], self.axis[which])


@dataclass(frozen=True, eq=False)
class Distances:
    """Signed distances of N poses: value (N,) mm, a proven bound `low` (N,) below the truth (the truth lies between
    them), and the structure's nearest points at_lps_mm (N, 3)."""

    value: Array
    low: Array
    at_lps_mm: Array

    @classmethod
    def joined(cls, parts: "list[Distances]") -> "Distances":
        """One after the other."""
        return cls(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("value", "low", "at_lps_mm")))


def half_plane(offset_mm: Array, axis: Array) -> tuple[Array, Array]:
    """(z, rho) of offsets (..., 3) from the platform, for axes that broadcast against them."""
    z = np.einsum("...i,...i->...", offset_mm, axis)
    square = np.einsum("...i,...i->...", offset_mm, offset_mm) - z * z
    return z, np.sqrt(np.maximum(square, 0.0))


def signed_distance(solid: Solid, z_mm: Array, rho_mm: Array) -> Array:
    """Signed distance (mm) of points (z, rho) to a solid, below zero inside; the two shapes broadcast."""
    best, inside = _to_sides(solid, np.asarray(z_mm), np.asarray(rho_mm))
    return np.where(inside, -np.sqrt(best), np.sqrt(best))


def signed_distance_and_slope(solid: Solid, z_mm: Array, rho_mm: Array) -> tuple[Array, Array, Array]:
    """Signed distance of points (n,) with its derivatives by z and by rho (a subgradient where it has a corner).

    On the axis the derivative by rho is given as 0, which is a subgradient there for a convex outline.
    """
    z, rho = np.asarray(z_mm, dtype=np.float64), np.asarray(rho_mm, dtype=np.float64)
    best = np.full(z.shape, np.inf)
    by_z, by_rho = np.zeros_like(z), np.zeros_like(z)
    normal_z, normal_r = np.zeros_like(z), np.zeros_like(z)
    for za, ra, zb, rb in sides(solid):
        dz, dr = zb - za, rb - ra
        length = float(np.hypot(dz, dr))
        if length == 0.0:
            continue
        t = np.clip(((z - za) * dz + (rho - ra) * dr) / (length * length), 0.0, 1.0)
        ez, er = z - za - t * dz, rho - ra - t * dr
        square = ez * ez + er * er
        closer = square < best
        best = np.where(closer, square, best)
        by_z, by_rho = np.where(closer, ez, by_z), np.where(closer, er, by_rho)
        # Sides run from the platform's centre outward and down, so the outward normal is (-dr, dz) / length.
        normal_z = np.where(closer, -dr / length, normal_z)
        normal_r = np.where(closer, dz / length, normal_r)
    distance = np.sqrt(best)
    inside = _inside(solid, z, rho)
    on_surface = distance < _ON_SURFACE_MM
    scale = np.where(on_surface, 1.0, np.where(inside, -distance, distance))
    slope_z = np.where(on_surface, normal_z, by_z / scale)
    slope_r = np.where(on_surface, normal_r, by_rho / scale)
    return np.where(inside, -distance, distance), slope_z, np.where(rho < _ON_SURFACE_MM, 0.0, slope_r)


_ON_SURFACE_MM = 1e-9
"""Nearer than this the direction to the nearest point is lost in rounding, and the side's normal is used instead."""


def least_possible(solid: Solid, poses: Poses, points: Array) -> Array:
    """Distances (N, M) of points (M, 3) to the solid's bounding cylinder: never above the solid's own, and quick."""
    middle = points.mean(axis=0)
    p, o = points - middle, poses.platform_lps_mm - middle
    z = poses.axis @ p.T - np.einsum("ij,ij->i", poses.axis, o)[:, None]
    rho2 = np.einsum("ij,ij->i", p, p)[None, :] - 2 * (o @ p.T) + np.einsum("ij,ij->i", o, o)[:, None] - z * z
    out_r = np.sqrt(np.maximum(rho2, 0.0)) - solid.max_radius_mm
    out_z = np.maximum(solid.z_mm[0] - z, z - solid.z_mm[-1])
    beside = np.maximum(out_r, out_z)
    corner = np.sqrt(np.maximum(out_r, 0.0) ** 2 + np.maximum(out_z, 0.0) ** 2)
    # Rounding in the square of rho can move a point that lies on the axis by about a micrometre.
    low: Array = np.where(beside > 0, corner, beside) - _ROUNDING_MM
    return low


_ROUNDING_MM = 1e-6
"""Bound of the rounding error of a distance found from differences of squares."""


def across(axis: Array) -> tuple[Array, Array]:
    """Two unit vectors (N, 3) perpendicular to axes (N, 3) and to each other."""
    helper = np.where(np.abs(axis[:, :1]) < 0.9, np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))
    first = np.cross(axis, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, np.cross(axis, first)


def nearest_on_solid(solid: Solid, z_mm: Array, rho_mm: Array) -> tuple[Array, Array]:
    """(z, r) of the outline points nearest to points (n,) of the half plane."""
    best = np.full(z_mm.shape, np.inf)
    near_z, near_r = np.zeros_like(z_mm), np.zeros_like(z_mm)
    for za, ra, zb, rb in sides(solid):
        dz, dr = zb - za, rb - ra
        square = dz * dz + dr * dr
        t = np.clip(((z_mm - za) * dz + (rho_mm - ra) * dr) / square, 0.0, 1.0) if square > 0 else 0.0 * z_mm
        gap = (z_mm - za - t * dz) ** 2 + (rho_mm - ra - t * dr) ** 2
        closer = gap < best
        best = np.where(closer, gap, best)
        near_z, near_r = np.where(closer, za + t * dz, near_z), np.where(closer, ra + t * dr, near_r)
    return near_z, near_r


def towards_solid(solid: Solid, poses: Poses, centre: Array, reach: Array) -> Array:
    """Points (N, 3) of balls (centre (N, 3), reach (N,)) that are nearest to the solid in each pose.

    A centre that lies inside the solid is returned itself.
    """
    offset = centre - poses.platform_lps_mm
    z, rho = half_plane(offset, poses.axis)
    near_z, near_r = nearest_on_solid(solid, z, rho)
    outward = offset - z[:, None] * poses.axis
    outward = outward / np.maximum(rho, 1e-12)[:, None]
    gap = (near_z - z)[:, None] * poses.axis + (near_r - rho)[:, None] * outward
    length = np.sqrt(np.einsum("ij,ij->i", gap, gap))
    share = np.where(_inside(solid, z, rho), 0.0, reach / np.maximum(length, 1e-12))
    point: Array = centre + share[:, None] * gap
    return point


def convex_pieces(solid: Solid) -> tuple[Solid, ...]:
    """The solid as a union of convex solids of revolution that meet in flat discs (one, if it is convex)."""
    z, r = solid.z_mm, solid.r_mm
    pieces: list[Solid] = []
    start = 0
    for n in range(1, len(z) - 1):
        # A corner turns the wrong way for a convex body where the outline bends outward again.
        bend = (z[n] - z[n - 1]) * (r[n + 1] - r[n]) - (r[n] - r[n - 1]) * (z[n + 1] - z[n])
        if bend > _STRAIGHT_MM2:
            pieces.extend(_piece(z[start : n + 1], r[start : n + 1]))
            start = n
    pieces.extend(_piece(z[start:], r[start:]))
    return tuple(pieces)


_STRAIGHT_MM2 = 1e-12
"""Three corners that enclose less than this lie on one line (rounding of double precision)."""


def _piece(z: Array, r: Array) -> list[Solid]:
    """The stretch as a solid, or nothing where it is only a flat shoulder (its disc belongs to its neighbours)."""
    return [Solid(z.copy(), r.copy())] if z[-1] > z[0] else []


def sides(solid: Solid) -> list[tuple[float, float, float, float]]:
    """Sides (za, ra, zb, rb) of the outline: upper disc, lateral sides in order, lower disc."""
    z, r = solid.z_mm.tolist(), solid.r_mm.tolist()
    corners = [(z[0], 0.0), *zip(z, r, strict=True), (z[-1], 0.0)]
    return [(*a, *b) for a, b in pairwise(corners)]


def _to_sides(solid: Solid, z: Array, rho: Array) -> tuple[Array, NDArray[np.bool_]]:
    best = np.full(np.broadcast(z, rho).shape, np.inf)
    for za, ra, zb, rb in sides(solid):
        dz, dr = zb - za, rb - ra
        square = dz * dz + dr * dr
        ez, er = z - za, rho - ra
        if square > 0.0:
            t = np.clip((ez * dz + er * dr) / square, 0.0, 1.0)
            ez, er = ez - t * dz, er - t * dr
        np.minimum(best, ez * ez + er * er, out=best)
    return best, _inside(solid, z, rho)


def _inside(solid: Solid, z: Array, rho: Array) -> NDArray[np.bool_]:
    inside = np.zeros(np.broadcast(z, rho).shape, dtype=np.bool_)
    for za, ra, zb, rb in sides(solid)[1:-1]:
        if zb > za:
            inside |= (z >= za) & (z <= zb) & (rho <= ra + (z - za) * ((rb - ra) / (zb - za)))
    return inside
