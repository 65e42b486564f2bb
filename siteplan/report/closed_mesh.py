"""Closed triangle meshes of exact shapes, for files that other programs build on: no gaps, normals outwards.

Every vertex lies on the shape itself; only the flats between vertices cut its curve, by at most `sagitta_mm`.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from siteplan.anatomy import Cone, Shape, Surface, Tube
from siteplan.fixture.solid import Pose, Solid
from siteplan.frame import Vector

SIDES = 96
"""Flats around an axis: they cut a radius of 2.5 mm by 1.3 micrometres, below any reading of a scan (own choice)."""

_CAP_STEPS = 12
"""Rings of the round end of a tube, from its tip to its equator."""


@dataclass(frozen=True, eq=False)
class ClosedMesh:
    """points_lps_mm: (N, 3), no two alike. triangles: (T, 3) indices, counter-clockwise seen from outside."""

    points_lps_mm: NDArray[np.float64]
    triangles: NDArray[np.int64]

    @property
    def volume_mm3(self) -> float:
        """What the triangles enclose; below zero when they are inside out (divergence theorem)."""
        a, b, c = (self.points_lps_mm[self.triangles[:, n]] for n in range(3))
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def sagitta_mm(radius_mm: float, sides: int = SIDES) -> float:
    """How far a flat between two vertices of a ring cuts into its circle."""
    return radius_mm * (1 - float(np.cos(np.pi / sides)))


def revolved(solid: Solid, pose: Pose, sides: int = SIDES) -> ClosedMesh:
    """A solid of revolution where it stands; its ends are flat discs."""
    rings = [(pose.point(float(z)), float(r)) for z, r in zip(solid.z_mm, solid.r_mm, strict=True)]
    return _lofted([(rings[0][0], 0.0), *rings, (rings[-1][0], 0.0)], [pose.axis] * (len(rings) + 2), sides)


def closed_shape(shape: Shape) -> ClosedMesh:
    """A structure's own surface. An open floor stays open; a closed surface is turned so that normals go outwards."""
    if isinstance(shape, Surface):
        mesh = ClosedMesh(shape.points_lps_mm, shape.triangles)
        return ClosedMesh(mesh.points_lps_mm, mesh.triangles[:, ::-1]) if shape.closed and mesh.volume_mm3 < 0 else mesh
    if isinstance(shape, Cone):
        way = shape.tip_lps_mm - shape.base_lps_mm
        length = float(np.linalg.norm(way))
        outline = Solid(np.array([0.0, length]), np.array([shape.base_radius_mm, shape.tip_radius_mm]))
        return revolved(outline, Pose(shape.base_lps_mm, way / length))
    return _tube(shape)


def _tube(tube: Tube) -> ClosedMesh:
    points, radius = _distinct(tube)
    steps = np.diff(points, axis=0)
    if len(points) == 1:
        ways = np.array([[0.0, 0.0, 1.0]])
    else:
        along = steps / np.linalg.norm(steps, axis=1, keepdims=True)
        ways = np.concatenate([along[:1], along[:-1] + along[1:], along[-1:]])
        ways /= np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-9)
    turn = np.linspace(0.0, np.pi / 2, _CAP_STEPS, endpoint=False)
    start = [(points[0] - np.cos(t) * radius[0] * ways[0], float(np.sin(t) * radius[0])) for t in turn]
    end = [(points[-1] + np.cos(t) * radius[-1] * ways[-1], float(np.sin(t) * radius[-1])) for t in turn[::-1]]
    rings = [*start, *zip(points, map(float, radius), strict=True), *end]
    all_ways = [*[ways[0]] * len(start), *ways, *[ways[-1]] * len(end)]
    # At a bend the ring lies in the plane that halves the angle; on its inner side it is stretched so that it still
    # lies on both stretches of the tube.
    bends: list[Vector | None] = [None] * len(rings)
    if len(points) > 2:
        for n in range(1, len(points) - 1):
            bends[len(start) + n] = along[n]
    return _lofted(rings, all_ways, SIDES, bends)


def _distinct(tube: Tube) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points and radii without points that repeat the one before them."""
    points = tube.points_lps_mm
    kept = np.concatenate([[True], np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-6])
    return points[kept], tube.radius_mm[kept]


def _lofted(
    rings: list[tuple[Vector, float]], ways: list[Vector], sides: int, bends: list[Vector | None] | None = None
) -> ClosedMesh:
    """Rings (centre, radius) at right angles to `ways`, joined by triangles without twist; radius 0 is one point.

    `bends` holds, for a ring at a bend, the direction of the stretch after it.
    """
    side = np.cross(ways[0], np.eye(3)[int(np.argmin(np.abs(ways[0])))])
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    points: list[NDArray[np.float64]] = []
    rows: list[NDArray[np.int64]] = []
    count = 0
    for (centre, radius), way, bend in zip(rings, ways, bends or [None] * len(rings), strict=True):
        side = side - (side @ way) * way
        side = side / np.linalg.norm(side)
        up = np.cross(way, side)
        if radius <= 0:
            points.append(centre[None])
            rows.append(np.full(sides, count, dtype=np.int64))
            count += 1
            continue
        out = np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * up
        if bend is not None:
            out = out / np.sqrt(1 - np.clip(out @ bend, 0.0, 0.9) ** 2)[:, None]
        points.append(centre + radius * out)
        rows.append(count + np.arange(sides, dtype=np.int64))
        count += sides
    triangles = np.concatenate([_band(a, b) for a, b in pairwise(rows)])
    kept = (np.diff(np.sort(triangles, axis=1), axis=1) != 0).all(axis=1)
    return ClosedMesh(np.concatenate(points), triangles[kept])


def _band(first: NDArray[np.int64], second: NDArray[np.int64]) -> NDArray[np.int64]:
    """Triangles between two rings, seen from outside counter-clockwise when the second lies further along the axis."""
    after, beyond = np.roll(first, -1), np.roll(second, -1)
    return np.concatenate([np.stack([first, after, beyond], axis=1), np.stack([first, beyond, second], axis=1)])
