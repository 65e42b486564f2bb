"""How far a solid has gone through a mesh along its own axis, beside how far the nearest way back out is.

The least distance of a tip that is deep in a cavity is the shortest way out, which may lead sideways through a wall
that is near. What a planned contact allows is how far the solid may reach *behind* the floor, so the way that was gone
behind it along the axis counts as well: lines along the axis are cut with the triangles, and the longest stretch from
where a line enters the forbidden side to where the solid ends on that line is the answer.
"""

from itertools import pairwise

import numpy as np

from siteplan.anatomy.structure import Surface
from siteplan.fixture.solid import Solid
from siteplan.placement.mesh import Mesh
from siteplan.placement.profile import Array, Indices, Poses, across

ANGLES = 72
"""Lines around each circle for one answer: on a plane that leans 45 degrees under a radius of 3 mm the longest line is
missed by 3 mm (1 - cos 2.5 degrees) = 0.003 mm at most (plane geometry)."""

ANGLES_MANY = 8
"""The same for a thousand poses at once, where it is missed by 8 % of the radius at most (our own choice)."""

STEP_MM = 0.25
"""Circles stand no further apart than this: finer than the triangles of a drawn floor (our own choice)."""

_EPS_MM = 1e-9
"""Rounding: a line through the edge between two triangles meets at least one of them."""


def travel_behind(solid: Solid, poses: Poses, surface: Surface, *, angles: int = ANGLES) -> Array:
    """How far (N,) mm the solid has gone past the mesh along its axis; 0 where it has not gone through.

    Counted on every line along the axis from the first place, at or below the solid's upper end, where it enters the
    forbidden side. A line that passes outside the rim of an open mesh says nothing. The lines stand on circles
    (`angles` each): between them the mesh may lie a little further up.
    """
    mesh = Mesh.of(surface)
    radius, bottom = _bottoms(solid)
    return np.array([_of_one(solid, radius, bottom, poses, n, mesh, angles) for n in range(len(poses))])


def _bottoms(solid: Solid) -> tuple[Array, Array]:
    """Radii (L,) of the circles, and how far down (L,) the solid reaches on each."""
    corners = np.unique(np.concatenate([[0.0], np.round(solid.r_mm, 6)]))
    parts = [corners[:1]]
    for a, b in pairwise(corners):
        parts.append(np.linspace(a, b, max(2, int(np.ceil((b - a) / STEP_MM)) + 1))[1:])
    radius = np.concatenate(parts)
    return radius, np.array([_lowest(solid, float(r)) for r in radius])


def _lowest(solid: Solid, rho: float) -> float:
    """The largest z at which the outline is at least `rho` wide."""
    z, r = solid.z_mm, solid.r_mm
    n = int(np.flatnonzero(r >= rho - _ROUNDED_MM)[-1])
    if n == len(z) - 1 or r[n] <= r[n + 1]:
        return float(z[n])
    return float(z[n] + (z[n + 1] - z[n]) * min(1.0, max(0.0, (r[n] - rho) / (r[n] - r[n + 1]))))


_ROUNDED_MM = 1e-6
"""Radii are rounded to this before they are compared."""


def _of_one(solid: Solid, radius: Array, bottom: Array, poses: Poses, n: int, mesh: Mesh, angles: int) -> float:
    axis, platform = poses.axis[n], poses.platform_lps_mm[n]
    triangle = _near(solid, platform, axis, mesh)
    if not len(triangle):
        return 0.0
    first, second = (side[0] for side in across(axis[None, :]))
    turn = np.arange(angles) * (2 * np.pi / angles)
    x = np.concatenate([[0.0], np.outer(radius[1:], np.cos(turn)).ravel()])
    y = np.concatenate([[0.0], np.outer(radius[1:], np.sin(turn)).ravel()])
    ends = np.concatenate([bottom[:1], np.repeat(bottom[1:], angles)])
    corner = mesh.points[mesh.triangles[triangle]] - platform
    entered = _heights(corner @ first, corner @ second, corner @ axis, x, y)
    entered = np.where(entered >= solid.z_mm[0], entered, np.inf).min(axis=1)
    return float(max(0.0, (ends - entered).max()))


def _near(solid: Solid, platform: Array, axis: Array, mesh: Mesh) -> Indices:
    """Triangles under the solid's outline whose front looks against the axis: a line enters the back through them."""
    offset = mesh.tree.data - platform
    z = offset @ axis
    square = (offset * offset).sum(axis=1) - z * z
    spread = 2.0 * mesh.reach
    near = square <= (solid.max_radius_mm + spread) ** 2
    near &= (z <= solid.z_mm[-1] + spread) & (z >= solid.z_mm[0] - spread) & (mesh.normals @ axis < -_EPS_MM)
    return np.flatnonzero(near)


def _heights(u: Array, v: Array, w: Array, x: Array, y: Array) -> Array:
    """Heights (L, T) at which lines at (x, y) meet triangles with corners (u, v, w) of shape (T, 3); inf where not."""
    (ua, ub, uc), (va, vb, vc), (wa, wb, wc) = u.T, v.T, w.T
    area = (ub - ua) * (vc - va) - (uc - ua) * (vb - va)
    px, py = x[:, None] - ua, y[:, None] - va
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (px * (vc - va) - py * (uc - ua)) / area
        t = (py * (ub - ua) - px * (vb - va)) / area
        height = wa + s * (wb - wa) + t * (wc - wa)
        inside = (s >= -_EPS_MM) & (t >= -_EPS_MM) & (s + t <= 1 + _EPS_MM)
    return np.where(inside, height, np.inf)
