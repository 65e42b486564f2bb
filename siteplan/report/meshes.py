"""Triangle meshes of fixtures, structures and bone, in patient coordinates, for the 3D picture."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.anatomy import Cone, Shape, Surface, Tube
from siteplan.bone.block import SiteBlock
from siteplan.fixture.solid import Pose, Solid
from siteplan.frame import Vector

_SIDES = 48
_SMOOTH_MM = 0.5
"""SD of the smoothing of the drawn bone surface (own choice)."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """points_lps_mm: (N, 3). triangles: (T, 3) indices. colour: "#rrggbb". opacity: 0 to 1."""

    points_lps_mm: NDArray[np.float64]
    triangles: NDArray[np.int64]
    colour: str
    opacity: float = 1.0


def solid_mesh(solid: Solid, pose: Pose, colour: str, opacity: float = 1.0) -> Mesh:
    """A solid of revolution; its ends are closed."""
    centres = pose.platform_lps_mm + solid.z_mm[:, None] * pose.axis
    rings = [(centres[0], 0.0), *zip(centres, solid.r_mm, strict=True), (centres[-1], 0.0)]
    return _lofted(rings, [pose.axis] * len(rings), colour, opacity)


def shape_mesh(shape: Shape, colour: str, opacity: float = 1.0) -> Mesh:
    """A structure's own surface. The round ends of a tube are drawn flat."""
    if isinstance(shape, Surface):
        return Mesh(shape.points_lps_mm, shape.triangles, colour, opacity)
    if isinstance(shape, Cone):
        way = shape.tip_lps_mm - shape.base_lps_mm
        way = way / np.linalg.norm(way)
        ends = ((shape.base_lps_mm, shape.base_radius_mm), (shape.tip_lps_mm, shape.tip_radius_mm))
        rings = [(ends[0][0], 0.0), *ends, (ends[1][0], 0.0)]
        return _lofted(rings, [way] * 4, colour, opacity)
    return _tube_mesh(shape, colour, opacity)


def bone_mesh(block: SiteBlock, bone_grey: float, air_grey: float, colour: str, opacity: float) -> Mesh | None:
    """The outer surface of the bone in a block; None where there is none.

    A picture, no measure: the block is smoothed, small gaps are closed and the marrow is filled, so that noise in soft
    bone does not hide what lies behind it. Air cavities (grey below `air_grey`) stay open.
    """
    from scipy.ndimage import binary_closing, binary_erosion, binary_fill_holes, gaussian_filter
    from skimage.measure import marching_cubes

    known = np.isfinite(block.values)
    smooth = gaussian_filter(np.where(known, block.values, air_grey), _SMOOTH_MM / block.spacing_mm)
    solid = smooth > bone_grey
    if not solid.any() or solid.all() or min(solid.shape) < 3:
        return None
    closed = binary_closing(np.pad(solid, 3), iterations=3)[3:-3, 3:-3, 3:-3]
    inner = binary_erosion(_filled(closed, binary_fill_holes), iterations=2, border_value=1) & (smooth > air_grey)
    shown = np.where(inner, np.maximum(smooth, 1.5 * bone_grey - 0.5 * air_grey), smooth)
    points, triangles, *_ = marching_cubes(shown, bone_grey)
    start = np.array([block.depth_mm[0], block.buccal_mm[0], block.distal_mm[0]])
    depth, buccal, distal = (start + points.astype(np.float64) * block.spacing_mm).T
    return Mesh(block.frame.to_lps(depth, buccal, distal), triangles.astype(np.int64), colour, opacity)


def _filled(solid: NDArray[np.bool_], fill: Callable[[NDArray[np.bool_]], NDArray[np.bool_]]) -> NDArray[np.bool_]:
    """Holes filled layer by layer across the arch: marrow is open at the block's ends, but closed in each layer."""
    out = solid.copy()
    for layer in range(solid.shape[2]):
        out[:, :, layer] = fill(np.pad(solid[:, :, layer], ((0, 1), (0, 0)), constant_values=False))[:-1]
    return out


def _tube_mesh(tube: Tube, colour: str, opacity: float) -> Mesh:
    points, radius = tube.points_lps_mm, tube.radius_mm
    if len(points) == 1:
        angle = np.linspace(-np.pi / 2, np.pi / 2, 17)
        ball = Solid(radius[0] * np.sin(angle), np.abs(radius[0] * np.cos(angle)))
        return solid_mesh(ball, Pose(points[0], np.array([0.0, 0.0, 1.0])), colour, opacity)
    ways = np.gradient(points, axis=0)
    ways /= np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-9)
    rings = [(points[0], 0.0), *zip(points, radius, strict=True), (points[-1], 0.0)]
    return _lofted(rings, [ways[0], *ways, ways[-1]], colour, opacity)


def _lofted(rings: list[tuple[Vector, float]], ways: list[Vector], colour: str, opacity: float) -> Mesh:
    """Rings (centre, radius) at right angles to `ways`, joined by triangles; no twist between them."""
    side = np.cross(ways[0], np.eye(3)[int(np.argmin(np.abs(ways[0])))])
    turn = np.linspace(0, 2 * np.pi, _SIDES, endpoint=False)
    points = []
    for (centre, radius), way in zip(rings, ways, strict=True):
        side = side - (side @ way) * way
        side = side / np.linalg.norm(side)
        up = np.cross(way, side)
        points.append(centre + radius * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * up))
    first = np.arange(_SIDES)
    after = (first + 1) % _SIDES
    triangles = []
    for row in range(len(rings) - 1):
        a, b = row * _SIDES, (row + 1) * _SIDES
        if rings[row + 1][1] > 0:  # a ring of radius zero is one point: no triangle has a side on it
            triangles.append(np.stack([a + first, b + first, b + after], axis=1))
        if rings[row][1] > 0:
            triangles.append(np.stack([a + first, b + after, a + after], axis=1))
    return Mesh(np.concatenate(points), np.concatenate(triangles).astype(np.int64), colour, opacity)
