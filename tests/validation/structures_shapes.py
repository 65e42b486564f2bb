"""A jaw bar with a winding canal, a sinus and roots of known shape: every truth comes from these functions.

Coordinates of `jaw.Jaw`: s along the arc (towards the back), u buccal, w towards the crest. Roots and the sinus are
straight things and are given in patient space instead.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tests.validation.jaw import AIR, CANCELLOUS, CORTEX, LUMEN, SOFT, WALL, Array, Placing

DENTINE, LIGAMENT, METAL = 7, 8, 9
"""Labels beyond those of `jaw`."""

Labels = NDArray[np.int8]


@dataclass(frozen=True)
class WindingCanal:
    """A lumen along a course (N, 3) in s, u, w with a radius (N,) and a wall that may have gaps.

    wall_share: share of its surface that has a wall. blind: (N,) where lumen and wall are filled with marrow.
    """

    course_suw: Array
    radius_mm: Array
    wall_mm: float
    wall_share: float
    blind: NDArray[np.bool_]
    phases: tuple[float, float] = (0.0, 0.0)
    foramen_suw: Array | None = None
    loop_mm: float | None = None


@dataclass(frozen=True)
class Cavity:
    """Air in an ellipsoid behind a bony plate, with a lining of soft tissue and perhaps a septum on its floor.

    turn: (3, 3) columns buccal, distal, up into the cavity. septum: (place along distal, thickness, height above the
    lowest floor) or None.
    """

    centre: Array
    semi_mm: Array
    turn: Array
    plate_mm: float
    lining_mm: float = 0.0
    septum: tuple[float, float, float] | None = None

    def signed_mm(self, points: Array) -> Array:
        """Distance (...) to the bony wall, negative in the cavity: first order, exact near the wall."""
        q = (points - self.centre) @ self.turn
        f = np.linalg.norm(q / self.semi_mm, axis=-1)
        wall = (f - 1) * f / np.maximum(np.linalg.norm(q / self.semi_mm**2, axis=-1), 1e-9)
        if self.septum is None:
            return np.asarray(wall)
        return np.asarray(np.maximum(wall, -self.ridge_mm(points)))

    def ridge_mm(self, points: Array) -> Array:
        """Distance to the septum, negative inside it."""
        assert self.septum is not None
        at, thick, height = self.septum
        q = (points - self.centre) @ self.turn
        return np.asarray(np.maximum(np.abs(q[..., 1] - at) - thick / 2, q[..., 2] + self.semi_mm[2] - height))

    def lowest(self) -> Array:
        """The lowest point of the bony floor."""
        return np.asarray(self.centre - self.semi_mm[2] * self.turn[:, 2])


@dataclass(frozen=True)
class RootShape:
    """A cone stump of dentine in a thin ligament."""

    base: Array
    tip: Array
    base_radius_mm: float
    tip_radius_mm: float
    ligament_mm: float

    def signed_mm(self, points: Array) -> Array:
        """Exact distance (...) to its surface, negative inside: a trapezium in the half plane (radius, height)."""
        axis = self.tip - self.base
        length = float(np.linalg.norm(axis))
        h = (points - self.base) @ axis / length
        r = np.sqrt(np.maximum(((points - self.base) ** 2).sum(axis=-1) - h**2, 0))
        p = np.stack([r, h], axis=-1)
        r0, r1 = self.base_radius_mm, self.tip_radius_mm
        corners = np.array([[0, 0], [r0, 0], [r1, length], [0, length]], dtype=float)
        best = np.full(h.shape, np.inf)
        for a in range(3):
            way = corners[a + 1] - corners[a]
            t = np.clip((p - corners[a]) @ way / (way @ way), 0, 1)
            best = np.minimum(best, np.linalg.norm(p - corners[a] - t[..., None] * way, axis=-1))
        inside = (h > 0) & (h < length) & (r < r0 + (r1 - r0) * np.clip(h / length, 0, 1))
        return np.where(inside, -best, best)


@dataclass(frozen=True)
class Scene:
    """What is scanned. `metal`: (platform, axis, radius, length) of an existing fixture."""

    place: Placing
    canal: WindingCanal | None = None
    cavity: Cavity | None = None
    roots: tuple[RootShape, ...] = ()
    metal: tuple[Array, Array, float, float] | None = None
    hu: dict[int, float] = field(default_factory=dict)

    def to_lps(self, suw: Array) -> Array:
        """Patient points (..., 3) of jaw coordinates (..., 3)."""
        return to_lps(self.place, suw)

    def label(self, points: Array) -> Labels:
        """Material at patient points (N, 3)."""
        s, u, w = _quickly(self.place, points)
        jaw = self.place.jaw
        out = np.where(jaw.skin(u, w) > 0, SOFT, AIR).astype(np.int8)
        bone = jaw.outer(s, u, w) < 1
        inside = jaw.inner(s, u, w) < 1
        out[bone] = CORTEX
        out[bone & inside] = CANCELLOUS
        if self.cavity is not None:
            self._hollow(points, out)
        if self.canal is not None:
            _bore(self.canal, np.stack([s, u, w], axis=-1), bone, inside, out)
        for root in self.roots:
            middle = (0.5 * (root.base + root.tip)).astype(points.dtype)
            near = np.flatnonzero(((points - middle) ** 2).sum(axis=-1) < 12.0**2)
            d = root.signed_mm(points[near])
            out[near[(d < root.ligament_mm) & bone[near]]] = LIGAMENT
            out[near[d < 0]] = DENTINE
        if self.metal is not None:
            platform, axis, radius, length = self.metal
            h = (points - platform) @ axis
            beside = np.linalg.norm(points - platform - h[:, None] * axis, axis=-1)
            out[(h > 0) & (h < length) & (beside < radius)] = METAL
        return out

    def _hollow(self, points: Array, out: Labels) -> None:
        assert self.cavity is not None
        reach = float(self.cavity.semi_mm.max()) + self.cavity.plate_mm + 1.0
        near = np.flatnonzero(((points - self.cavity.centre.astype(points.dtype)) ** 2).sum(axis=-1) < reach**2)
        d = self.cavity.signed_mm(points[near])
        out[near[d < self.cavity.plate_mm]] = CORTEX
        out[near[d < 0]] = SOFT
        out[near[d < -max(self.cavity.lining_mm, 0.0)]] = AIR


def to_lps(place: Placing, suw: Array) -> Array:
    """Patient points (..., 3) of jaw coordinates (..., 3)."""
    r = place.jaw.arc_radius
    s, u, w = suw[..., 0], suw[..., 1], suw[..., 2]
    q = np.stack([(r + u) * np.cos(s / r) - r, (r + u) * np.sin(s / r), place.up * w], axis=-1)
    return np.asarray(place.centre + q @ place.rotation.T)


def _quickly(place: Placing, points: Array) -> tuple[Array, Array, Array]:
    """`Placing.to_jaw` in the precision of the points: a fine grid needs no more than single precision."""
    kind = points.dtype
    x, y, z = (points[..., a] - kind.type(place.centre[a]) for a in range(3))
    turn = place.rotation.astype(kind)
    r = kind.type(place.jaw.arc_radius)
    lateral, along, up = (x * turn[0, a] + y * turn[1, a] + z * turn[2, a] for a in range(3))
    lateral += r
    return np.arctan2(along, lateral) * r, np.hypot(along, lateral) - r, kind.type(place.up) * up


def _bore(canal: WindingCanal, suw: Array, bone: NDArray[np.bool_], inside: NDArray[np.bool_], out: Labels) -> None:
    """Lumen and wall; where the course leaves through the cortex the lumen leaves with it, without a wall."""
    low, high = canal.course_suw.min(axis=0) - 4.0, canal.course_suw.max(axis=0) + 4.0
    near = np.flatnonzero(((suw > low) & (suw < high)).all(axis=-1) & bone)
    points = suw[near]
    distance, at = cKDTree(canal.course_suw).query(points, distance_upper_bound=3.5)
    hit = np.isfinite(distance)
    near, points, distance, at = near[hit], points[hit], distance[hit], at[hit]
    offset = points - canal.course_suw[at]
    turn = np.arctan2(offset[:, 2], offset[:, 1])
    pattern = np.sin(2.1 * turn + 0.45 * points[:, 0] + canal.phases[0]) + 0.7 * np.sin(
        0.9 * points[:, 0] + canal.phases[1]
    )
    walled = pattern <= _pattern_level(canal.wall_share)
    seen = ~canal.blind[at]
    wall = (distance < canal.radius_mm[at] + canal.wall_mm) & walled & seen & inside[near]
    out[near[wall]] = WALL
    out[near[(distance < canal.radius_mm[at]) & seen]] = LUMEN


def _pattern_level(share: float) -> float:
    """The level below which a share of the two waves' sum lies, their phases spread evenly."""
    one, other = np.meshgrid(np.linspace(0, 2 * np.pi, 181), np.linspace(0, 2 * np.pi, 181))
    return float(np.quantile(np.sin(one) + 0.7 * np.sin(other), share))
