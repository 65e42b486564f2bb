"""Signed distance between two solids of revolution: a fixture and a root, or two fixtures.

Where two such solids are apart, the nearest point of the second one lies on one of its rims (circles), on one of its
flat faces, or on one of its lateral sides. On a lateral side the shortest line, drawn further, meets the axis: the
distance is that of the ball around this axis point which touches the side. So each kind has an exact answer of its own.
"""

import numpy as np

from siteplan.fixture.solid import Pose, Solid
from siteplan.placement.bounding import Cells, Least, least_values
from siteplan.placement.descent import Segments, convex_minima
from siteplan.placement.profile import (
    Array,
    Distances,
    Indices,
    Mask,
    Poses,
    across,
    convex_pieces,
    half_plane,
    sides,
    signed_distance,
    towards_solid,
)

TOLERANCE_MM = 1e-5
"""Numerical tolerance where the solids are apart (our own choice)."""

OVERLAP_TOLERANCE_MM = 1e-3
"""Numerical tolerance of the depth of an overlap, which is searched over two surfaces (our own choice)."""

DEPTH_SHARE = 0.005
"""Deep overlaps are found to this share of their depth instead: how deep exactly no longer decides (our own choice)."""

_FIRST_ARCS = 12
"""Cells per full turn to begin with."""


def distances_to_solid(
    solid: Solid,
    poses: Poses,
    other: Solid,
    other_pose: Pose,
    tolerance_mm: float = TOLERANCE_MM,
    overlap_tolerance_mm: float = OVERLAP_TOLERANCE_MM,
) -> Distances:
    """Least distance between the surfaces; where they overlap, minus the furthest that a surface point of either
    lies inside the other. The nearest point is the one on `other`.
    """
    state = _State(len(poses), overlap_tolerance_mm)
    suspect = _lateral(solid, poses, other, other_pose, tolerance_mm, state)
    _faces(solid, poses, other, other_pose, state)
    _rims(solid, poses, other, other_pose, tolerance_mm, state)
    rows = np.flatnonzero(suspect | (state.value <= 0))
    if len(rows):
        _overlap(solid, poses, other, other_pose, overlap_tolerance_mm, rows, state)
    return Distances(state.value, np.minimum(state.low, state.value - tolerance_mm), state.at)


class _State:
    """Best value, bound and nearest point of each pose while the kinds of places are gone through.

    An overlap that is less than `shallow_mm` deep may escape the search for overlaps; it counts as a touch.
    """

    def __init__(self, count: int, shallow_mm: float) -> None:
        self.value, self.at, self.low = np.full(count, np.inf), np.zeros((count, 3)), np.full(count, np.inf)
        self.shallow_mm = shallow_mm

    def take(self, rows: Indices, value: Array, at: Array) -> None:
        """Keep what is lower; rows are unique."""
        better = value < self.value[rows]
        rows = rows[better]
        self.value[rows], self.at[rows] = value[better], at[better]


def _lateral(solid: Solid, poses: Poses, other: Solid, other_pose: Pose, tolerance_mm: float, state: _State) -> Mask:
    """Places on the lateral sides of `other`. Returns where the two may overlap."""
    every = np.arange(len(poses))
    suspect = np.zeros(len(poses), dtype=np.bool_)
    for za, ra, zb, rb in sides(other)[1:-1]:
        if zb <= za or max(ra, rb) == 0.0:
            continue
        slope = (rb - ra) / (zb - za)
        stretch = float(np.hypot(1.0, slope))
        # The ball that touches the side at radius r has its centre r * slope further along the axis.
        centres = [other_pose.point(z + r * slope) for z, r in ((za, ra), (zb, rb))]
        offsets = [centre - poses.platform_lps_mm for centre in centres]
        segments = Segments.between(offsets[0], offsets[1], poses.axis, np.array(ra * stretch), np.array(rb * stretch))
        for piece in convex_pieces(solid):
            minima = convex_minima(piece, segments, every, np.full(len(poses), np.inf), tolerance_mm)
            suspect |= minima.value <= 0
            t = minima.t[:, None]
            centre, reach = centres[0] + t * (centres[1] - centres[0]), stretch * (ra + minima.t * (rb - ra))
            rows = np.flatnonzero(minima.between & (minima.value > -state.shallow_mm))
            touch = towards_solid(piece, poses.pick(rows), centre[rows], reach[rows])
            state.take(rows, np.maximum(minima.value[rows], 0.0), touch)
    return suspect


def _faces(solid: Solid, poses: Poses, other: Solid, other_pose: Pose, state: _State) -> None:
    """Places on the flat discs and shoulders of `other`: the extreme point of the solid above the face."""
    every = np.arange(len(poses))
    for za, ra, zb, rb in sides(other):
        if zb != za or ra == rb:
            continue
        # Outlines run outward on what looks towards the platform, inward on what looks towards the apex.
        normal = other_pose.axis * (-1.0 if rb > ra else 1.0)
        face = other_pose.point(za)
        for piece in convex_pieces(solid):
            point = _extreme(piece, poses, -normal, face)
            height = (point - face) @ normal
            foot = point - height[:, None] * normal
            rho = np.linalg.norm(foot - face, axis=1)
            good = (height > -state.shallow_mm) & (rho <= max(ra, rb)) & (rho >= min(ra, rb))
            state.take(every[good], np.maximum(height[good], 0.0), foot[good])


def _extreme(piece: Solid, poses: Poses, direction: Array, towards: Array) -> Array:
    """The point (N, 3) of a convex solid that lies furthest along a direction; among equals one near `towards`."""
    along = poses.axis @ direction
    flat = direction - along[:, None] * poses.axis
    size = np.linalg.norm(flat, axis=1, keepdims=True)
    aside = towards - poses.platform_lps_mm
    aside = aside - np.einsum("ij,ij->i", aside, poses.axis)[:, None] * poses.axis
    aside_size = np.linalg.norm(aside, axis=1, keepdims=True)
    outward = np.where(size > 1e-9, flat / np.maximum(size, 1e-12), aside / np.maximum(aside_size, 1e-12))
    reach = along[:, None] * piece.z_mm + size * piece.r_mm
    best = reach.argmax(axis=1)
    radius = np.where((size[:, 0] > 1e-9), piece.r_mm[best], np.minimum(piece.r_mm[best], aside_size[:, 0]))
    point: Array = poses.platform_lps_mm + piece.z_mm[best][:, None] * poses.axis + radius[:, None] * outward
    return point


def _rims(solid: Solid, poses: Poses, other: Solid, other_pose: Pose, tolerance_mm: float, state: _State) -> None:
    """Places on the circles of `other`."""
    rims = [(z, r) for z, r in zip(other.z_mm.tolist(), other.r_mm.tolist(), strict=True) if r > 0]
    if not rims:
        rims = [(float(other.z_mm[0]), 0.0)]
    z, r = (np.array(v) for v in zip(*rims, strict=True))
    first, second = across(other_pose.axis[None, :])
    middle = other_pose.platform_lps_mm + z[:, None] * other_pose.axis

    def place(angle: Array, item: Indices) -> Array:
        point: Array = middle[item] + r[item][:, None] * (np.cos(angle) * first + np.sin(angle) * second)
        return point

    def evaluate(angle: Array, item: Indices, owner: Indices) -> Array:
        return signed_distance(solid, *half_plane(place(angle, item) - poses.platform_lps_mm[owner], poses.axis[owner]))

    owner, item, arc = (v.ravel() for v in np.indices((len(poses), len(rims), _FIRST_ARCS)))
    width = 2 * np.pi / _FIRST_ARCS
    lo = (arc * width)[:, None]
    cells = Cells(lo, lo + width, r[item][:, None], item, owner)
    least = least_values(evaluate, cells, state.value, tolerance_mm)
    rows = np.flatnonzero(least.item >= 0)
    state.take(rows, least.value[rows], place(least.at[rows], least.item[rows]))
    # A tip (radius zero at an end) is a rim of its own that the list above leaves out.
    for z_tip in {float(other.z_mm[n]) for n in (0, -1) if other.r_mm[n] == 0.0}:
        tip = np.broadcast_to(other_pose.point(z_tip), (len(poses), 3))
        distance = signed_distance(solid, *half_plane(tip - poses.platform_lps_mm, poses.axis))
        state.take(np.arange(len(poses)), distance, tip)


def _overlap(
    solid: Solid, poses: Poses, other: Solid, other_pose: Pose, tolerance_mm: float, rows: Indices, state: _State
) -> None:
    """Where they may overlap: the deepest surface point of either inside the other, between proven bounds."""
    mine = poses.pick(rows)
    count = len(rows)
    theirs = Poses(np.tile(other_pose.platform_lps_mm, (count, 1)), np.tile(other_pose.axis, (count, 1)))
    for surface, placed, body, body_poses in ((other, theirs, solid, mine), (solid, mine, other, theirs)):
        least, at = deepest_points(surface, placed, body, body_poses, np.minimum(state.value[rows], 0.0), tolerance_mm)
        hit = least.item >= 0
        state.take(rows[hit], least.value[hit], at[hit])
        # Nothing found: no overlap deeper than the tolerance, so the value found before stands as it is.
        touching = rows[hit | (state.value[rows] <= 0)]
        state.low[touching] = np.minimum(state.low[touching], least.low[np.searchsorted(rows, touching)])


def deepest_points(
    surface: Solid, placed: Poses, body: Solid, body_poses: Poses, known: Array, tolerance_mm: float
) -> tuple[Least, Array]:
    """Least signed distance of surface points of one solid to another solid, below what is known, for each pose."""
    points = SurfacePoints(surface, placed)

    def evaluate(at: Array, item: Indices, owner: Indices) -> Array:
        offset = points(at, item, owner) - body_poses.platform_lps_mm[owner]
        return signed_distance(body, *half_plane(offset, body_poses.axis[owner]))

    least = least_values(evaluate, points.cells(len(placed)), known, tolerance_mm, DEPTH_SHARE)
    owner = np.arange(len(placed))
    return least, points(least.at, np.maximum(least.item, 0), owner)


class SurfacePoints:
    """Points on the surface of a solid in many poses, by side, place along the side (0 to 1) and angle."""

    def __init__(self, solid: Solid, poses: Poses) -> None:
        self._sides = np.array([side for side in sides(solid) if side[0] != side[2] or side[1] != side[3]])
        self._poses = poses
        self._across = across(poses.axis)

    def __call__(self, at: Array, item: Indices, owner: Indices) -> Array:
        """Points (n, 3) for parameters (n, 2)."""
        za, ra, zb, rb = self._sides[item].T
        z, r = za + at[:, 0] * (zb - za), ra + at[:, 0] * (rb - ra)
        first, second = self._across
        turn = np.cos(at[:, 1:]) * first[owner] + np.sin(at[:, 1:]) * second[owner]
        point: Array = self._poses.platform_lps_mm[owner] + z[:, None] * self._poses.axis[owner] + r[:, None] * turn
        return point

    def cells(self, count: int) -> Cells:
        """The whole surface, for `count` poses, in cells to begin with."""
        owner, item, arc = (v.ravel() for v in np.indices((count, len(self._sides), _FIRST_ARCS)))
        width = 2 * np.pi / _FIRST_ARCS
        lo = np.stack([np.zeros(len(arc)), arc * width], axis=1)
        za, ra, zb, rb = self._sides[item].T
        steep = np.stack([np.hypot(zb - za, rb - ra), np.maximum(ra, rb)], axis=1)
        return Cells(lo, lo + np.array([1.0, width]), steep, item, owner)
