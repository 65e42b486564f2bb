"""A jaw section bar with known shape: every truth comes from the shape functions, never from a picture."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

AIR, SOFT, CORTEX, CANCELLOUS, WALL, LUMEN, CAVITY, ROOT, LIGAMENT, LINING = range(10)
NOT_BONE = (AIR, SOFT, LIGAMENT, ROOT)
LIGAMENT_MM = 0.25
_FINE_MM = 0.004
"""Step at which lines are followed through the materials."""


@dataclass(frozen=True)
class Jaw:
    """A superellipse section swept along a circular arc; upright is away from the ridge's base.

    Coordinates: u buccal, w towards the crest, s along the arc, mm; the section's centre is u = w = 0.
    t_*: cortex at the four poles of the section; in between the inner superellipse decides. end_s: where along the arch
    the bone ends. roots: (s, u, radius, depth below the crest of its end) of upright round roots.
    """

    half_width: float = 5.5
    half_height: float = 12.5
    exponent: float = 2.8
    narrowing: float = 0.1
    wave: float = 0.06
    phase: float = 0.0
    arc_radius: float = 44.0
    t_crest: float = 1.8
    t_buccal: float = 2.0
    t_lingual: float = 1.6
    t_base: float = 2.8
    cover: float = 2.3
    cheek: float = 3.5
    hollow: float = 0.0
    hollow_depth: float = 9.0
    canal: tuple[float, float, float, float] | None = None
    sinus: tuple[float, float, float, float, float] | None = None
    end_s: float | None = None
    roots: tuple[tuple[float, float, float, float], ...] = ()
    hu: dict[int, float] = field(
        default_factory=lambda: {
            AIR: -1000.0,
            SOFT: 50.0,
            CORTEX: 1550.0,
            CANCELLOUS: 430.0,
            WALL: 900.0,
            LUMEN: 60.0,
            CAVITY: -1000.0,
            ROOT: 1650.0,
            LIGAMENT: 80.0,
            LINING: 50.0,
        }
    )

    def _reach(self, s: Array, w: Array) -> tuple[Array, Array]:
        """Half widths buccally and lingually at height w."""
        a = self.half_width * (1 + self.wave * np.sin(s / 8 + self.phase)) * (1 - self.narrowing * w / self.half_height)
        hollow = self.hollow * np.exp(-(((self.half_height - w - self.hollow_depth) / 2.5) ** 2))
        return a, a - hollow

    def outer(self, s: Array, u: Array, w: Array) -> Array:
        """< 1 inside the bone's outline, 1 on it; grows linearly along rays from the centre."""
        a, b = self._reach(s, w)
        n = self.exponent
        out: Array = (np.abs(u / np.where(u > 0, a, b)) ** n + np.abs(w / self.half_height) ** n) ** (1 / n)
        return out if self.end_s is None else np.maximum(out, 1 + (s - self.end_s) / self.half_width)

    def inner(self, s: Array, u: Array, w: Array) -> Array:
        """The same for the inner surface of the cortex."""
        a, b = self._reach(s, w)
        n = self.exponent
        side = np.where(u > 0, a - self.t_buccal, b - self.t_lingual)
        height = self.half_height - np.where(w > 0, self.t_crest, self.t_base)
        out: Array = (np.abs(u / side) ** n + np.abs(w / height) ** n) ** (1 / n)
        return out if self.end_s is None else np.maximum(out, 1 + (s - self.end_s + self.t_crest) / self.half_width)

    def skin(self, u: Array, w: Array) -> Array:
        """Depth below gum or cheek surface, positive inside soft tissue."""
        return np.minimum(self.half_height + self.cover - w, self.half_width + self.cheek - np.abs(u))

    def canal_distance(self, s: Array, u: Array, w: Array) -> Array:
        """Distance from the canal's centre line; (u, depth below crest, lumen radius, wall) describe it."""
        assert self.canal is not None
        return np.hypot(u - self.canal[0], w - (self.half_height - self.canal[1]))

    def sinus_radius(self, s: Array, u: Array, w: Array, grow: Array | float) -> Array:
        """< 1 inside the cavity grown by `grow`; (u, floor depth, semi u, semi w, plate) describe it."""
        assert self.sinus is not None
        u0, floor, su, sw, _ = self.sinus
        w0 = self.half_height - floor - sw
        return np.sqrt(((u - u0) / (su + grow)) ** 2 + ((w - w0) / (sw + grow)) ** 2 + (s / (15.0 + grow)) ** 2)

    def sinus_layers(self, s: Array, u: Array) -> tuple[tuple[Array | float, int], ...]:
        """Layers around the cavity from outside: by how much they stand out from its wall at (s, u), and of what."""
        assert self.sinus is not None
        return (self.sinus[4], CORTEX), (0.0, CAVITY)

    def root_distance(self, s: Array, u: Array, w: Array, root: tuple[float, float, float, float]) -> Array:
        """Distance from a root's surface, negative inside; it reaches through the gum and ends in the bone."""
        side = np.hypot(s - root[0], u - root[1]) - root[2]
        return np.maximum(side, (self.half_height - root[3]) - w)

    def material(self, s: Array, u: Array, w: Array) -> NDArray[np.int8]:
        """Label of each point."""
        out = np.where(self.skin(u, w) > 0, SOFT, AIR).astype(np.int8)
        bone = self.outer(s, u, w) < 1
        inside = self.inner(s, u, w) < 1
        out[bone] = CORTEX
        out[bone & inside] = CANCELLOUS
        if self.canal is not None:
            d = self.canal_distance(s, u, w)
            out[bone & inside & (d < self.canal[2] + self.canal[3])] = WALL
            out[bone & inside & (d < self.canal[2])] = LUMEN
        if self.sinus is not None:
            for grow, label in self.sinus_layers(s, u):
                where = bone if label == CORTEX else bone & inside
                out[where & (self.sinus_radius(s, u, w, grow) < 1)] = label
        for root in self.roots:
            d = self.root_distance(s, u, w, root)
            out[bone & (d < LIGAMENT_MM)] = LIGAMENT
            out[(self.skin(u, w) > 0) & (d < 0)] = ROOT
        return out


@dataclass(frozen=True)
class Placing:
    """Where the jaw stands in patient space: rotation (3, 3) of (lateral, along, up) and its centre."""

    rotation: Array
    centre: Array
    jaw: Jaw
    up: float

    def to_jaw(self, points: Array) -> tuple[Array, Array, Array]:
        """s, u, w of patient points (..., 3)."""
        q = (points - self.centre) @ self.rotation
        r = self.jaw.arc_radius
        x, y = q[..., 0] + r, q[..., 1]
        return np.arctan2(y, x) * r, np.hypot(x, y) - r, self.up * q[..., 2]

    def label(self, points: Array) -> NDArray[np.int8]:
        """Material at patient points."""
        return self.jaw.material(*self.to_jaw(points))


@dataclass(frozen=True)
class SiteTruth:
    """True numbers of one site; None where the quantity does not exist.

    sinus_plate, sinus_cavity, sinus_air: where the floor plate, what lies on it and the air begin on the axis.
    far_plate, far_end: where the axis meets the far cortex and leaves the bone. edges: depths, and the outer surface
    buccally and lingually there as distances from the axis, negative beyond it, NaN where the line meets no bone.
    """

    crest: Array
    axis: Array
    buccal: Array
    width: dict[float, float]
    buccal_plate: dict[float, float | None]
    lingual_plate: dict[float, float | None]
    crestal_cortex: float
    canal_wall: float | None
    canal_lumen: float | None
    sinus_plate: float | None
    sinus_cavity: float | None
    mean_hu: float
    far_plate: float | None = None
    far_end: float | None = None
    mesiodistal: dict[float, float | None] = field(default_factory=dict)
    edges: tuple[Array, Array, Array] | None = None
    trabecular_hu: float | None = None
    sinus_air: float | None = None


LEVELS = (1.0, 3.0, 5.0, 7.0, 10.0)


def site_truth(place: Placing, crest: Array, axis: Array, buccal: Array, rng: np.random.Generator) -> SiteTruth:
    """Follow lines through the labels; `crest` must lie on the axis, just outside the bone."""
    t = np.arange(-3.0, 22.0, _FINE_MM)
    along = place.label(crest + t[:, None] * axis)
    solid = (along != SOFT) & (along != AIR)
    start = float(t[np.argmax(solid)])
    crest = crest + start * axis
    t = np.arange(0.0, 20.0, _FINE_MM)
    along = place.label(crest + (t[:, None] + _FINE_MM / 2) * axis)
    not_cortex = np.flatnonzero(along != CORTEX)
    cortex = float(t[not_cortex[0]])

    def first(*labels: int, after: float = cortex + 0.01) -> float | None:
        hit = np.flatnonzero(np.isin(along, labels) & (t > after))
        return float(t[hit[0]]) if len(hit) else None

    cavity = first(CAVITY, LINING)
    plate = first(CORTEX) if cavity is not None else None
    width: dict[float, float] = {}
    across: dict[float, float | None] = {}
    plates: list[dict[float, float | None]] = [{}, {}]
    r = np.arange(0.0, 12.0, _FINE_MM)
    distal = np.cross(axis, buccal)
    for depth in LEVELS:
        here = crest + depth * axis
        if np.isin(place.label(here[None]), NOT_BONE)[0]:
            continue
        reach = []
        for k, sign in enumerate((1, -1)):
            line = place.label(here + sign * r[:, None] * buccal)
            last = int(np.flatnonzero((line != SOFT) & (line != AIR))[-1])
            reach.append(float(r[last]))
            inward = line[last::-1]
            other = np.flatnonzero(inward != CORTEX)
            plates[k][depth] = float(other[0] * _FINE_MM) if len(other) else None
        width[depth] = sum(reach)
        ends = [_first_not_bone(place, here, sign * distal) for sign in (1, -1)]
        across[depth] = None if None in ends else sum(e for e in ends if e is not None)
    far = _far(along, t)
    n = 60000
    radius, angle = 1.75 * np.sqrt(rng.random(n)), 2 * np.pi * rng.random(n)
    cloud = (
        crest
        + (10 * rng.random(n))[:, None] * axis
        + (radius * np.cos(angle))[:, None] * buccal
        + (radius * np.sin(angle))[:, None] * distal
    )
    hu = np.array([place.jaw.hu[k] for k in range(10)])[place.label(cloud)]
    return SiteTruth(
        crest,
        axis,
        buccal,
        width,
        plates[0],
        plates[1],
        cortex,
        first(WALL),
        first(LUMEN),
        plate,
        cavity,
        float(hu.mean()),
        *(far if cavity is None else (None, None)),
        across,
        _edges(place, crest, axis, buccal),
        place.jaw.hu[CANCELLOUS],
        first(CAVITY),
    )


_MESIODISTAL_REACH_MM = 6.9
"""Further away is outside of what a site's block holds."""


def _first_not_bone(place: Placing, here: Array, direction: Array) -> float | None:
    r = np.arange(0.0, _MESIODISTAL_REACH_MM, _FINE_MM)
    out = np.flatnonzero(np.isin(place.label(here + r[:, None] * direction), NOT_BONE))
    return float(r[out[0]]) if len(out) else None


def _far(along: NDArray[np.int8], t: Array) -> tuple[float | None, float | None]:
    """Where the far cortex begins and ends on the axis."""
    out = np.flatnonzero(np.isin(along, NOT_BONE))
    if len(out) == 0:
        return None, None
    end = int(out[0])
    other = np.flatnonzero(along[:end] != CORTEX)
    return (float(t[other[-1] + 1]), float(t[end])) if len(other) else (None, None)


def _edges(place: Placing, crest: Array, axis: Array, buccal: Array) -> tuple[Array, Array, Array]:
    """Outer surfaces on lines across the axis every 0.05 mm down to 15 mm; the run of bone nearest to the axis."""
    z = np.arange(0.0, 24.0, 0.05)
    r = np.arange(-12.0, 12.0, 0.01)
    edges = np.full((2, len(z)), np.nan)
    for k, depth in enumerate(z):
        line = place.label(crest + depth * axis + r[:, None] * buccal)
        bone = np.flatnonzero((line != SOFT) & (line != AIR))
        if len(bone):
            edges[:, k] = r[bone[-1]], -r[bone[0]]
    return z, edges[0], edges[1]
