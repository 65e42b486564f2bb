"""Signed distance from solids of revolution to triangle meshes: the floor of an air cavity, a closed solid.

Where solid and mesh are apart, the nearest point of a triangle lies on an edge or inside the triangle. Edges are
straight segments, along which the distance is convex; inside a triangle it is the foot of the solid's extreme point.
"""

from dataclasses import dataclass

import numpy as np

from siteplan.anatomy.structure import Surface
from siteplan.fixture.solid import Solid
from siteplan.placement.bounding import least_values
from siteplan.placement.descent import Segments, convex_minima
from siteplan.placement.mesh import Mesh
from siteplan.placement.profile import (
    Array,
    Distances,
    Indices,
    Mask,
    Poses,
    across,
    convex_pieces,
    half_plane,
    least_possible,
    signed_distance,
)
from siteplan.placement.to_solid import DEPTH_SHARE, SurfacePoints

TOLERANCE_MM = 1e-5
"""Numerical tolerance where solid and mesh are apart (our own choice)."""

DEPTH_TOLERANCE_MM = 2e-3
"""Numerical tolerance of the depth behind a mesh, which is searched over the solid's surface (our own choice)."""

PAIRS_AT_ONCE = 1_000_000
"""Pose and vertex pairs that are worked on together (memory)."""


def distances_to_surface(
    solid: Solid,
    poses: Poses,
    surface: Surface,
    tolerance_mm: float = TOLERANCE_MM,
    depth_tolerance_mm: float = DEPTH_TOLERANCE_MM,
) -> Distances:
    """Least distance to the mesh; where the solid reaches behind it, minus the depth of its deepest surface point.

    Behind is the inside of a closed mesh, or the side of an open one that `behind` points to. A point whose nearest
    mesh point lies on the rim of an open mesh is not behind it: past its rim an open mesh says nothing.
    """
    mesh = Mesh.of(surface)
    chunk = max(1, PAIRS_AT_ONCE // len(mesh.points))
    parts = []
    for n in range(0, len(poses), chunk):
        few = poses.pick(np.arange(n, min(n + chunk, len(poses))))
        parts.append(_chunk(solid, few, mesh, tolerance_mm, depth_tolerance_mm))
    return Distances.joined(parts)


def rough_distances_to_surface(
    solid: Solid, poses: Poses, surface: Surface, tolerance_mm: float, enough_mm: float = np.inf
) -> Distances:
    """The same for a search: exact where the tip is in front of the mesh, else how deep the tip's rims lie behind it.

    A depth found so is within a triangle's size of the truth and no bound: what is kept is looked at again exactly.
    Where a quick bound already exceeds `enough_mm`, that bound is the value.
    """
    mesh = Mesh.of(surface)
    rims = _tip_points(solid, poses)
    depth = _sided(mesh, rims)
    deepest = depth.argmin(axis=1)
    every = np.arange(len(poses))
    value, at = depth[every, deepest], rims[every, deepest]
    low = np.full(len(poses), -np.inf)
    front = np.flatnonzero(value > 0)
    chunk = max(1, PAIRS_AT_ONCE // len(mesh.points))
    for n in range(0, len(front), chunk):
        rows = front[n : n + chunk]
        bound = least_possible(solid, poses.pick(rows), mesh.points).min(axis=1) - float(mesh.reach.max())
        far = bound > enough_mm
        value[rows[far]] = low[rows[far]] = bound[far]
        rows = rows[~far]
        if not len(rows):
            continue
        part = _chunk(solid, poses.pick(rows), mesh, tolerance_mm, None)
        value[rows], low[rows], at[rows] = part.value, part.low, part.at_lps_mm
    return Distances(value, low, at)


def _sided(mesh: Mesh, points: Array) -> Array:
    """Rough distances (N, K) of points (N, K, 3), of which the least of each row lies on its true side.

    The deepest point of a row is asked first. Only where it is not behind after all, the others are asked too.
    """
    depth = mesh.rough(points.reshape(-1, 3)).reshape(points.shape[:2])
    rows = np.flatnonzero(depth.min(axis=1) < 0)
    if not len(rows):
        return depth
    first = depth[rows].argmin(axis=1)
    depth[rows, first] = mesh.signed(points[rows, first])
    rows = rows[depth[rows, first] >= 0]
    row, column = np.nonzero(depth[rows] < 0)
    if len(row):
        depth[rows[row], column] = mesh.signed(points[rows[row], column])
    return depth


def _tip_points(solid: Solid, poses: Poses) -> Array:
    """Points (N, 17, 3): the end of the axis, and eight on each of the last two rims."""
    angle = np.arange(8) * (np.pi / 4)
    first, second = across(poses.axis)
    ring = np.cos(angle)[:, None] * first[:, None, :] + np.sin(angle)[:, None] * second[:, None, :]
    parts = [poses.platform_lps_mm[:, None, :] + solid.z_mm[-1] * poses.axis[:, None, :]]
    for z, r in ((solid.z_mm[-1], solid.r_mm[-1]), (solid.z_mm[-2], solid.r_mm[-2])):
        parts.append(poses.platform_lps_mm[:, None, :] + z * poses.axis[:, None, :] + r * ring)
    return np.concatenate(parts, axis=1)


@dataclass(eq=False)
class _Best:
    value: Array
    at: Array


def _chunk(solid: Solid, poses: Poses, mesh: Mesh, tolerance_mm: float, depth_tolerance_mm: float | None) -> Distances:
    pose, triangle, vertex, start = _candidates(solid, poses, mesh)
    best = _Best(start, mesh.points[vertex])
    _edges(solid, poses, mesh, pose, triangle, tolerance_mm, best)
    crossing = _insides(solid, poses, mesh, pose, triangle, best)
    low = best.value - tolerance_mm
    if depth_tolerance_mm is None:
        # A side pushed through while the tip is in front: it touches, by a depth that is not looked for.
        best.value[crossing] = np.minimum(best.value[crossing], -tolerance_mm)
        return Distances(best.value, np.where(best.value > 0, low, -np.inf), best.at)
    behind = crossing | (best.value <= 0) | mesh.behind(poses.platform_lps_mm + solid.z_mm[-1] * poses.axis)
    rows = np.flatnonzero(behind)
    if len(rows):
        _depth(solid, poses, mesh, rows, depth_tolerance_mm, best, low)
    return Distances(best.value, np.minimum(low, best.value - tolerance_mm), best.at)


def _candidates(solid: Solid, poses: Poses, mesh: Mesh) -> tuple[Indices, Indices, Indices, Array]:
    """(pose, triangle) pairs that may hold the least distance, and for each pose its nearest vertex with its value."""
    low = least_possible(solid, poses, mesh.points)
    rows = np.arange(len(poses))
    vertex = low.argmin(axis=1)
    best = signed_distance(solid, *half_plane(mesh.points[vertex] - poses.platform_lps_mm, poses.axis))
    # Each point of a triangle is within `reach` of one of its corners.
    near_some_pose = (low - best[:, None]).min(axis=0)
    kept = np.flatnonzero(near_some_pose[mesh.triangles].min(axis=1) <= mesh.reach)
    bound = low[:, mesh.triangles[kept]].min(axis=2) - mesh.reach[kept]
    pose, triangle = np.nonzero(bound <= best[:, None])
    triangle = kept[triangle]
    missing = np.setdiff1d(rows, pose)
    if len(missing):  # rounding only: keep at least one triangle per pose
        pose = np.concatenate([pose, missing])
        triangle = np.concatenate([triangle, np.zeros(len(missing), dtype=np.int64)])
    return pose, triangle, vertex, best


def _edges(
    solid: Solid, poses: Poses, mesh: Mesh, pose: Indices, triangle: Indices, tolerance_mm: float, best: _Best
) -> None:
    # One number for each (pose, edge), so that finding each pair once is a sort of plain numbers.
    key = np.unique((pose[:, None] * len(mesh.edges) + mesh.edges_of_triangle[triangle]).ravel())
    owner, edge = np.divmod(key, len(mesh.edges))
    ends = mesh.edges[edge]
    origin = poses.platform_lps_mm[owner]
    zero = np.zeros(len(owner))
    segments = Segments.between(
        mesh.points[ends[:, 0]] - origin, mesh.points[ends[:, 1]] - origin, poses.axis[owner], zero, zero
    )
    for piece in convex_pieces(solid):
        minima = convex_minima(piece, segments, owner, best.value.copy(), tolerance_mm)
        a, b = mesh.points[ends[:, 0]], mesh.points[ends[:, 1]]
        _take(best, owner, minima.value, a + minima.t[:, None] * (b - a))


def _insides(solid: Solid, poses: Poses, mesh: Mesh, pose: Indices, triangle: Indices, best: _Best) -> Mask:
    """Feet of the solid's extreme points inside triangles. Returns the poses whose solid reaches through a triangle."""
    crossing = np.zeros(len(poses), dtype=np.bool_)
    corner = mesh.points[mesh.triangles[triangle, 0]]
    normal = mesh.normals[triangle]
    for piece in convex_pieces(solid):
        reach = []
        for sign in (1.0, -1.0):
            point = _extreme_towards(piece, poses, pose, -sign * normal)
            height = np.einsum("ij,ij->i", point - corner, sign * normal)
            foot = point - (sign * height)[:, None] * normal
            within = mesh.within(foot, triangle)
            rows = np.flatnonzero(within & (height > 0))
            _take(best, pose[rows], height[rows], foot[rows])
            reach.append((height, within))
        through = (reach[0][0] < 0) & (reach[1][0] < 0) & (reach[0][1] | reach[1][1])
        crossing[pose[through]] = True
    return crossing


def _extreme_towards(piece: Solid, poses: Poses, pose: Indices, direction: Array) -> Array:
    """The point (n, 3) of a convex solid that lies furthest along each direction (n, 3)."""
    axis = poses.axis[pose]
    along = np.einsum("ij,ij->i", axis, direction)
    flat = direction - along[:, None] * axis
    size = np.linalg.norm(flat, axis=1)
    best = (along[:, None] * piece.z_mm + size[:, None] * piece.r_mm).argmax(axis=1)
    outward = flat / np.maximum(size, 1e-12)[:, None]
    point: Array = poses.platform_lps_mm[pose] + piece.z_mm[best][:, None] * axis + piece.r_mm[best][:, None] * outward
    return point


def _take(best: _Best, owner: Indices, value: Array, at: Array) -> None:
    """Keep the lowest value of each owner where it beats what is known."""
    if not len(owner):
        return
    order = np.lexsort((value, owner))
    owners, first = np.unique(owner[order], return_index=True)
    rows = order[first]
    better = value[rows] < best.value[owners]
    best.value[owners[better]] = value[rows[better]]
    best.at[owners[better]] = at[rows[better]]


def _depth(solid: Solid, poses: Poses, mesh: Mesh, rows: Indices, tolerance_mm: float, best: _Best, low: Array) -> None:
    """Depth of the deepest surface point behind the mesh, between proven bounds."""
    placed = poses.pick(rows)
    points = SurfacePoints(solid, placed)

    def evaluate(at: Array, item: Indices, owner: Indices) -> Array:
        return mesh.signed(points(at, item, owner))

    known = np.minimum(best.value[rows], 0.0)
    least = least_values(evaluate, points.cells(len(rows)), known, tolerance_mm, DEPTH_SHARE)
    hit = least.item >= 0
    # Reaching behind without touching the mesh at all: the least distance is a depth, not a gap.
    best.value[rows[hit]] = least.value[hit]
    low[rows[hit]] = least.low[hit]
    best.at[rows[hit]] = mesh.nearest(points(least.at, np.maximum(least.item, 0), np.arange(len(rows))))[hit]
