"""Closed-form shapes that the invented jaws are built of. All lengths mm; points are scene coordinates (N, 3).

The scene is x to the patient's left, y to the back, z up (the directions of DICOM LPS); `Scene` in `anatomy.py`
turns it against the voxel grid afterwards.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Arch:
    """The arc that the ridge follows: s runs along it to the back, u outwards (to the cheek), d into the bone."""

    radius: float
    centre: tuple[float, float, float]
    start_deg: float
    """Angle from the front at which s = 0."""
    left: bool
    upper: bool

    @property
    def _side(self) -> float:
        return 1.0 if self.left else -1.0

    @property
    def _into(self) -> float:
        """Direction of d along z."""
        return 1.0 if self.upper else -1.0

    def to_scene(self, s: object, u: object, d: object) -> Array:
        """(..., 3) scene points of arch coordinates; the three broadcast."""
        s_, u_, d_ = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in (s, u, d)))
        angle = np.radians(self.start_deg) + s_ / self.radius
        r = self.radius + u_
        local = np.stack([self._side * r * np.sin(angle), -r * np.cos(angle), self._into * d_], axis=-1)
        return local + np.array(self.centre)

    def from_scene(self, points: Array) -> tuple[Array, Array, Array]:
        """s, u, d of scene points (..., 3)."""
        x, y, z = np.moveaxis(points - np.array(self.centre), -1, 0)
        angle = np.arctan2(self._side * x, -y)
        s = (angle - np.radians(self.start_deg)) * self.radius
        return s, np.hypot(x, y) - self.radius, self._into * z


@dataclass(frozen=True)
class Ridge:
    """A bar of bone along an arch: superellipse outline, cortical shell with a thickness of its own on each side."""

    half_width: float
    height: float
    exponent: float
    lean: float
    """Buccal shift of the middle of the bar per mm of depth."""
    crest_share: float
    """Half width at the crest as a share of the full one, reached at `taper_depth`."""
    taper_depth: float
    crest_cortex: float
    buccal_cortex: float
    lingual_cortex: float
    far_cortex: float
    wave: float
    """The buccal, lingual and crestal cortex vary along the arch by this share."""
    dip: float
    """The crest line rises and falls by this much."""
    swell: float
    """The half width varies along the arch by this share."""

    def crest_depth(self, s: Array) -> Array:
        """d of the crest line."""
        return np.asarray(self.dip * np.sin(s / 4.3 + 0.6))

    def centre_u(self, d: Array) -> Array:
        """u of the middle of the bar at depth d."""
        return np.asarray(self.lean * d)

    def _half_width(self, s: Array, t: Array) -> Array:
        rise = 1 - (1 - np.clip(t / self.taper_depth, 0, 1)) ** 2
        full = self.half_width * (1 + self.swell * np.sin(s / 6.5 - 1.0))
        return np.asarray(full * (self.crest_share + (1 - self.crest_share) * rise))

    def _level(self, u: Array, t: Array, half_width: Array, middle: Array, half_height: Array) -> Array:
        return np.asarray(
            (np.abs(u) / half_width) ** self.exponent + (np.abs(t - middle) / half_height) ** self.exponent
        )

    def outside(self, s: Array, u: Array, d: Array, cover: float = 0.0) -> Array:
        """Level of the outline, grown by `cover`: below 1 is inside."""
        t = d - self.crest_depth(s)
        half = np.asarray(self.height / 2)
        return self._level(u - self.centre_u(d), t, self._half_width(s, t) + cover, half, half + cover)

    def marrow(self, s: Array, u: Array, d: Array) -> Array:
        """Level of the cancellous core: below 1 is inside."""
        t = d - self.crest_depth(s)
        buccal = self.buccal_cortex * (1 + self.wave * np.sin(s / 3.1))
        lingual = self.lingual_cortex * (1 + self.wave * np.sin(s / 3.7 + 1.9))
        crest = self.crest_cortex * (1 + self.wave * np.sin(s / 4.9 + 0.8))
        half_width = np.maximum(self._half_width(s, t) - (buccal + lingual) / 2, 0.2)
        middle = self.height / 2 + (crest - self.far_cortex) / 2
        half_height = self.height / 2 - (crest + self.far_cortex) / 2
        return self._level(u - self.centre_u(d) - (lingual - buccal) / 2, t, half_width, middle, half_height)


@dataclass(frozen=True, eq=False)
class Pipe:
    """A canal: a dense centreline with one lumen radius and a wall."""

    line: Array
    lumen: float
    wall: float

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.line)

    def distance(self, points: Array, reach: float = np.inf) -> Array:
        """Distance to the centreline, inf beyond `reach`."""
        return np.asarray(self._tree.query(points, distance_upper_bound=reach)[0])


@dataclass(frozen=True, eq=False)
class Tooth:
    """A root as a cone stump with flat ends, its pulp and ligament, and a crown."""

    neck: Array
    tip: Array
    neck_radius: float
    tip_radius: float
    ligament: float
    socket_wall: float
    pulp_radius: float
    crown_centre: Array
    crown_axes: tuple[float, float, float]
    enamel: float

    def _axial(self, points: Array) -> tuple[Array, Array, float]:
        length = float(np.linalg.norm(self.tip - self.neck))
        axis = (self.tip - self.neck) / length
        z = (points - self.neck) @ axis
        r = np.linalg.norm(points - self.neck - z[..., None] * axis, axis=-1)
        return z, r, length

    def root_level(self, points: Array, grow: float = 0.0) -> Array:
        """Below 0 inside the root grown by `grow` to the sides and past the tip."""
        z, r, length = self._axial(points)
        radius = self.neck_radius + (self.tip_radius - self.neck_radius) * np.clip(z / length, 0, 1) + grow
        return np.maximum(np.maximum(r - radius, z - length - grow), -z)

    def pulp(self, points: Array) -> NDArray[np.bool_]:
        """The pulp canal, ending 1 mm short of the tip."""
        z, r, length = self._axial(points)
        return np.asarray((r < self.pulp_radius) & (z > -3) & (z < length - 1))

    def crown_level(self, points: Array, shrink: float = 0.0) -> Array:
        """Below 1 inside the crown, or inside what is left of it under `shrink` mm of enamel."""
        axes = np.array(self.crown_axes) - shrink
        return np.asarray((((points - self.crown_centre) / axes) ** 2).sum(axis=-1))


@dataclass(frozen=True, eq=False)
class Cavity:
    """An ellipsoid of air with a plate of bone around it; `turn` holds its axes as columns."""

    centre: Array
    axes: tuple[float, float, float]
    turn: Array
    plate: float

    def level(self, points: Array, grow: float = 0.0) -> Array:
        """Below 1 inside the cavity grown by `grow`."""
        local = (points - self.centre) @ self.turn
        return np.asarray(((local / (np.array(self.axes) + grow)) ** 2).sum(axis=-1))

    def distance(self, points: Array) -> Array:
        """Signed distance (N,) to the surface, negative inside.

        The nearest surface point of y has the coordinates a^2 y / (t + a^2), with t the largest root of
        sum (a y / (t + a^2))^2 = 1 (Lagrange multiplier); it is found by halving.
        """
        y, a = np.abs((points - self.centre) @ self.turn), np.array(self.axes)
        low = np.full(len(y), -(min(self.axes) ** 2))
        high = np.linalg.norm(a * y, axis=1)
        for _ in range(80):
            t = (low + high) / 2
            beyond = ((a * y / (t[:, None] + a**2)) ** 2).sum(axis=1) > 1
            low, high = np.where(beyond, t, low), np.where(beyond, high, t)
        nearest = a**2 * y / (high[:, None] + a**2)
        return np.asarray(np.sign(high) * np.linalg.norm(y - nearest, axis=1))
