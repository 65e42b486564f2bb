"""Signed distance from solids of revolution to tubes: balls along a polyline."""

import numpy as np

from siteplan.anatomy.structure import Tube
from siteplan.fixture.solid import Solid
from siteplan.placement.bounding import Cells, least_values
from siteplan.placement.descent import Segments, convex_minima
from siteplan.placement.profile import (
    Array,
    Distances,
    Indices,
    Poses,
    convex_pieces,
    half_plane,
    least_possible,
    signed_distance,
    towards_solid,
)

TOLERANCE_MM = 1e-5
"""Numerical tolerance of a single distance: far below any voxel (our own choice)."""

PAIRS_AT_ONCE = 1_000_000
"""Pose and point pairs that are worked on together (memory)."""


def distances_to_tube(
    solid: Solid,
    poses: Poses,
    tube: Tube,
    tolerance_mm: float = TOLERANCE_MM,
    inside_tolerance_mm: float | None = None,
) -> Distances:
    """Least of (signed distance of the solid to a centre point) less (radius there), over the whole centreline.

    Zero where they touch; below zero it is how far the solid would have to move away from the deepest ball.
    `inside_tolerance_mm` applies where the centreline itself enters the solid; by default it is the same.
    """
    inside_mm = tolerance_mm if inside_tolerance_mm is None else inside_tolerance_mm
    chunk = max(1, PAIRS_AT_ONCE // len(tube.points_lps_mm))
    parts = [
        _chunk(solid, poses.pick(np.arange(n, min(n + chunk, len(poses)))), tube, tolerance_mm, inside_mm)
        for n in range(0, len(poses), chunk)
    ]
    return Distances.joined(parts)


def _chunk(solid: Solid, poses: Poses, tube: Tube, tolerance_mm: float, inside_mm: float) -> Distances:
    points, radius = tube.points_lps_mm, tube.radius_mm
    if len(points) == 1:
        points, radius = np.repeat(points, 2, axis=0), np.repeat(radius, 2)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    pose, segment, best = _candidates(solid, poses, points, radius, steps)
    offset = points[segment] - poses.platform_lps_mm[pose], points[segment + 1] - poses.platform_lps_mm[pose]
    segments = Segments.between(*offset, poses.axis[pose], radius[segment], radius[segment + 1])
    found = np.full(len(pose), np.inf)
    t = np.zeros(len(pose))
    for piece in convex_pieces(solid):
        minima = convex_minima(piece, segments, pose, best, tolerance_mm)
        lower = minima.value < found
        found, t = np.where(lower, minima.value, found), np.where(lower, minima.t, t)
    value, which = _least_of(found, pose, len(poses))
    segment_of, t_of = segment[which], t[which]
    deep = np.flatnonzero(value <= -_thinnest(radius, segment, pose, len(poses)))
    if len(deep):
        _centreline_inside(solid, segments, segment, pose, radius, steps, deep, inside_mm, value, segment_of, t_of)
    centre = points[segment_of] + t_of[:, None] * (points[segment_of + 1] - points[segment_of])
    reach = radius[segment_of] + t_of * (radius[segment_of + 1] - radius[segment_of])
    low = value - tolerance_mm
    low[deep] = value[deep] - inside_mm
    return Distances(value, low, towards_solid(solid, poses, centre, reach))


def _candidates(
    solid: Solid, poses: Poses, points: Array, radius: Array, steps: Array
) -> tuple[Indices, Indices, Array]:
    """(pose, segment) pairs that may hold the least distance, and an upper bound (N,) of it.

    The solid's bounding cylinder gives each centre point a distance that is never too large.
    """
    low = least_possible(solid, poses, points) - radius
    rows = np.arange(len(poses))
    nearest = low.argmin(axis=1)
    exact = signed_distance(solid, *half_plane(points[nearest] - poses.platform_lps_mm, poses.axis))
    best = exact - radius[nearest]
    # f changes by at most `change` along a segment, so its least value is at least (f0 + f1 - change) / 2.
    change = steps + np.abs(np.diff(radius))
    bound = 0.5 * (low[:, :-1] + low[:, 1:] - change)
    pose, segment = np.nonzero(bound <= best[:, None])
    missing = np.setdiff1d(rows, pose)
    if len(missing):  # rounding only: keep at least one segment per pose
        pose = np.concatenate([pose, missing])
        segment = np.concatenate([segment, np.minimum(nearest[missing], len(steps) - 1)])
    return pose, segment, best


def _least_of(found: Array, pose: Indices, count: int) -> tuple[Array, Indices]:
    """Least value and its row, for each pose."""
    order = np.lexsort((found, pose))
    _, first = np.unique(pose[order], return_index=True)
    rows = order[first]
    if len(rows) != count:
        raise AssertionError("every pose keeps at least one segment")
    return found[rows].copy(), rows


def _thinnest(radius: Array, segment: Indices, pose: Indices, count: int) -> Array:
    """Least radius among each pose's segments: above minus this value no centreline point can lie in the solid."""
    thin = np.full(count, np.inf)
    np.minimum.at(thin, pose, np.minimum(radius[segment], radius[segment + 1]))
    return thin


def _centreline_inside(
    solid: Solid,
    segments: Segments,
    segment: Indices,
    pose: Indices,
    radius: Array,
    steps: Array,
    deep: Indices,
    tolerance_mm: float,
    value: Array,
    segment_of: Indices,
    t_of: Array,
) -> None:
    """Where a centreline may enter the solid, its pieces no longer give the depth: bound the exact distance instead."""
    rows = np.flatnonzero(np.isin(pose, deep))
    ones = np.ones((len(rows), 1))
    steep = (steps[segment[rows]] + np.abs(np.diff(radius))[segment[rows]])[:, None]
    owner = np.searchsorted(deep, pose[rows])

    def evaluate(t: Array, item: Indices, owners: Indices) -> Array:
        part = segments.pick(item)
        result: Array = signed_distance(solid, *part.half_plane(t[:, 0])) - part.r0 - t[:, 0] * part.dr
        return result

    known = np.full(len(deep), np.inf)
    # A first value from the middle of each segment, so that most cells fall at once.
    np.minimum.at(known, owner, evaluate(0.5 * ones, rows, owner))
    least = least_values(evaluate, Cells(0 * ones, ones, steep, rows, owner), known + tolerance_mm, tolerance_mm)
    value[deep] = least.value
    hit = least.item >= 0
    segment_of[deep[hit]] = segment[least.item[hit]]
    t_of[deep[hit]] = least.at[hit, 0]
