"""Random scenes by regime: what is in them, and how they are scanned."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from siteplan.scan.volume import Scan
from tests.validation.jaw import CANCELLOUS, CORTEX, WALL, Array, Jaw, Placing
from tests.validation.scanner import Scanner
from tests.validation.structures_scan import scan_of
from tests.validation.structures_shapes import Cavity, RootShape, Scene, WindingCanal, to_lps

Draw = Callable[[float, float], float]

HALF_LENGTH_MM = 13.0
"""The piece of jaw reaches this far to both sides along the arch."""


@dataclass(frozen=True)
class Quality:
    """Ranges of voxel, blur (SD of spot and detector), noise and pattern."""

    voxel: tuple[float, ...]
    blur: tuple[float, float]
    noise: tuple[float, float]
    texture: tuple[float, float]


FINE = Quality((0.2, 0.25), (0.09, 0.18), (40, 80), (0, 60))
COARSE = Quality((0.3,), (0.22, 0.42), (60, 110), (120, 190))
WIDE = Quality((0.4,), (0.25, 0.40), (50, 90), (60, 140))


@dataclass(frozen=True)
class Regime:
    """wall: share of the canal's surface with a wall; marrow: HU of cancellous bone; the rest is there or not."""

    quality: Quality
    upper: bool = False
    wall: tuple[float, float] = (0.6, 1.0)
    marrow: tuple[float, float] = (330, 550)
    blind: bool = False
    foramen: bool = False
    lining: bool = False
    septum: bool = False


REGIMES = {
    "lower fine": Regime(FINE),
    "lower fine, wall with gaps": Regime(FINE, wall=(0.0, 0.6)),
    "lower coarse": Regime(COARSE),
    "lower coarse, wall with gaps": Regime(COARSE, wall=(0.0, 0.6)),
    "lower wide field": Regime(WIDE),
    "lower faint": Regime(FINE, wall=(0.3, 1.0), marrow=(150, 260)),
    "lower blind stretch": Regime(FINE, blind=True),
    "foramen fine": Regime(FINE, foramen=True),
    "foramen coarse": Regime(COARSE, foramen=True),
    "upper fine": Regime(FINE, upper=True, marrow=(150, 300)),
    "upper coarse": Regime(COARSE, upper=True, marrow=(150, 300)),
    "upper lined": Regime(FINE, upper=True, marrow=(150, 300), lining=True),
    "upper septum": Regime(FINE, upper=True, marrow=(150, 300), septum=True),
    "upper wide field": Regime(WIDE, upper=True, marrow=(150, 300)),
}


@dataclass(frozen=True)
class Case:
    """One simulated scan with its scene."""

    regime: str
    scan: Scan
    scene: Scene
    scanner: Scanner


def draw_case(regime: str, rng: np.random.Generator, *, voxel_mm: float | None = None) -> Case:
    """A random scan of the regime; `voxel_mm` replaces the regime's own, to save time in tests."""
    r = REGIMES[regime]

    def draw(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    scene = _scene(r, draw, rng)
    q = r.quality
    scanner = Scanner(
        float(rng.choice(q.voxel)), draw(*q.blur), draw(*q.noise), draw(*q.texture), draw(0.75, 1.05), draw(-60, 120)
    )
    if voxel_mm is not None:
        scanner = replace(scanner, voxel_mm=voxel_mm)
    jaw = scene.place.jaw
    top = jaw.half_height + jaw.cover + 2.5
    side = jaw.half_width + jaw.cheek + 1.5
    bottom = -jaw.half_height - (12.0 if r.upper else 2.0)
    corner = np.array(
        [[s, u, w] for s in (-HALF_LENGTH_MM, 0.0, HALF_LENGTH_MM) for u in (-side, side) for w in (bottom, top)]
    )
    box = to_lps(scene.place, corner)
    return Case(regime, scan_of(scene, scanner, box.min(0), box.max(0), rng), scene, scanner)


def _scene(r: Regime, draw: Draw, rng: np.random.Generator) -> Scene:
    hu = {CORTEX: draw(1100, 1350) if r.upper else draw(1400, 1650), CANCELLOUS: draw(*r.marrow), WALL: draw(700, 1000)}
    jaw = _upper(draw) if r.upper else _lower(draw)
    turn = Rotation.from_euler("zyx", [draw(-12, 12), draw(-9, 9), draw(-9, 9)], degrees=True).as_matrix()
    place = Placing(turn, np.array([draw(25, 40), draw(-30, -10), draw(-10, 10)]), jaw, -1.0 if r.upper else 1.0)
    if r.upper:
        return Scene(place, cavity=_cavity(r, place, draw), roots=(_root(place, draw, 7.0),), hu=hu)
    canal = _leaving(jaw, draw) if r.foramen else _winding(r, jaw, draw)
    room = jaw.half_height - float(canal.course_suw[:, 2].max()) - 4.0
    return Scene(place, canal=canal, roots=() if r.foramen else (_root(place, draw, room),), hu=hu)


def _lower(draw: Draw) -> Jaw:
    return Jaw(
        draw(5.2, 6.6),
        draw(11.5, 14),
        draw(2.5, 3.1),
        draw(0.06, 0.14),
        draw(0.03, 0.07),
        draw(0, 6),
        draw(38, 50),
        draw(1.2, 2.2),
        draw(1.4, 2.4),
        draw(1.2, 2.2),
        draw(2.3, 3.3),
        draw(1.8, 2.9),
    )


def _upper(draw: Draw) -> Jaw:
    plate = draw(0.55, 0.95)
    return Jaw(
        draw(4.6, 5.6),
        draw(8.4, 9.6),
        draw(2.4, 2.9),
        draw(0.03, 0.08),
        draw(0.03, 0.07),
        draw(0, 6),
        draw(38, 46),
        draw(0.6, 1.0),
        plate,
        draw(0.5, 0.9),
        plate,
        draw(2.2, 3.0),
        cheek=6.0,
    )


def _winding(r: Regime, jaw: Jaw, draw: Draw) -> WindingCanal:
    """A course of random waves that stays inside the marrow."""
    s = np.arange(-HALF_LENGTH_MM - 2, HALF_LENGTH_MM + 2, 0.1)

    def waves(size: float) -> Array:
        return np.asarray(
            size * np.sin(2 * np.pi * s / draw(20, 55) + draw(0, 6))
            + 0.3 * size * np.sin(2 * np.pi * s / draw(10, 16) + draw(0, 6))
        )

    radius = np.clip(draw(1.0, 1.7) + draw(0.0, 0.35) * np.sin(2 * np.pi * s / draw(20, 50) + draw(0, 6)), 0.8, 2.0)
    u = draw(-1.2, 1.2) + waves(draw(0.2, 1.0))
    # The wall may touch the lingual or buccal plate, as it often does, but the lumen stays in the marrow.
    room_out = jaw.half_width - jaw.t_buccal - 0.2 - radius
    room_in = jaw.half_width - jaw.t_lingual - 0.2 - radius
    u = np.clip(u, -room_in, room_out)
    w = jaw.half_height - draw(13.0, 17.0) + draw(-0.08, 0.08) * s + waves(draw(0.3, 1.2))
    w = np.maximum(w, -jaw.half_height + jaw.t_base + radius + 0.5)
    blind = np.zeros(len(s), dtype=bool)
    if r.blind:
        start, length = draw(-6, 0), draw(5, 8)
        blind = (s > start) & (s < start + length)
    course = np.stack([s, u, w], axis=1)
    return WindingCanal(course, radius, draw(0.3, 0.6), draw(*r.wall), blind, (draw(0, 6), draw(0, 6)))


def _leaving(jaw: Jaw, draw: Draw) -> WindingCanal:
    """A course from the back to a mental foramen, with or without a loop before it."""
    at, loop = draw(-5.0, -2.0), max(draw(-2.0, 4.0), 0.0)
    u, w = draw(-1.0, 0.6), jaw.half_height - draw(13.5, 16.0)
    side = float(jaw._reach(np.array(at), np.array(w + 2.5))[0])  # half width where it leaves
    front = at - loop
    knots = [
        (HALF_LENGTH_MM + 2, u + draw(-1, 1), w + draw(-0.5, 1.5)),
        (7.0, u + draw(-0.5, 0.5), w + draw(-0.4, 0.6)),
        (front + 2.5, u, w),
        (front + 0.3 * (loop < 0.5), u + 1.0, w + 0.5),
        (0.5 * (front + at) + 0.2, 0.5 * (u + 1.0 + side) - 0.3, w + 1.5),
        (at, side - 0.4, w + 2.4),
        (at + 0.5, side + 1.5, w + 3.2),
    ]
    points = np.array(knots)
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    course = CubicSpline(chord, points, axis=0)(np.arange(0, chord[-1], 0.1))
    radius = np.full(len(course), draw(1.1, 1.6))
    outside = jaw.outer(*course.T) >= 1
    foramen = course[int(np.argmax(outside))]
    radius_there = float(radius[0])
    true_loop = max(0.0, float((foramen[0] - course[~outside, 0] + radius_there).max()))
    return WindingCanal(
        course,
        radius,
        draw(0.3, 0.6),
        draw(0.5, 1.0),
        np.zeros(len(course), dtype=bool),
        (draw(0, 6), draw(0, 6)),
        foramen,
        true_loop,
    )


def _cavity(r: Regime, place: Placing, draw: Draw) -> Cavity:
    """An ellipsoid over the middle of the ridge; the residual bone below it is 4 to 10 mm high."""
    turn = (
        place.rotation @ Rotation.from_euler("zyx", [draw(-8, 8), draw(-8, 8), draw(-8, 8)], degrees=True).as_matrix()
    )
    turn = turn[:, [0, 1, 2]] * np.array([1.0, 1.0, 1.0])
    semi = np.array([draw(7.5, 9.5), draw(11, 16), draw(8, 10)])
    jaw = place.jaw
    height = draw(4.0, 10.0)
    floor = to_lps(place, np.array([draw(-2, 2), draw(-1, 1), jaw.half_height - height]))
    centre = floor + semi[2] * turn[:, 2]
    septum = (draw(-7, 7), draw(0.9, 1.6), draw(3, 6)) if r.septum else None
    return Cavity(centre, semi, turn, draw(0.5, 1.3), draw(1.5, 5.0) if r.lining else 0.0, septum)


def _root(place: Placing, draw: Draw, room_mm: float) -> RootShape:
    """A stump near one end of the piece, from the crest down, up to `room_mm` deep."""
    jaw = place.jaw
    s = draw(-8.5, -6.5)
    top = jaw.half_height + draw(-0.8, 1.5)
    depth = min(draw(8.0, 13.0), max(room_mm, 5.0))
    base = np.array([s, draw(-0.7, 0.7), top])
    tip = np.array([s + draw(-1.2, 1.2), base[1] + draw(-1.0, 1.0), jaw.half_height - depth])
    wide = min(draw(1.7, 2.7), jaw.half_width - max(jaw.t_buccal, jaw.t_lingual) - 0.2)
    base_lps, tip_lps = to_lps(place, base), to_lps(place, tip)
    return RootShape(base_lps, tip_lps, wide, wide * draw(0.45, 0.95), draw(0.15, 0.3))
