"""Random phantoms beyond the plain ones: other ridges, planned frames that are off, neighbours, the arch's end."""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.spatial.transform import Rotation

from siteplan.frame import site_frame
from tests.validation.jaw import CANCELLOUS, CAVITY, CORTEX, LINING, Jaw, Placing, site_truth
from tests.validation.lined import LinedJaw
from tests.validation.phantoms import COARSE_BLUR, FINE_BLUR, Case, Draw
from tests.validation.roof import Roof
from tests.validation.scanner import Scanner, scan_of

Shape = Callable[[Draw], Jaw]


@dataclass(frozen=True)
class Harder:
    """A group of phantoms: its shape, how far the plan is off, and how far the scan reaches along the arch.

    lean, tip: greatest tilt of the axis buccolingually and along the arch, degrees. aside: greatest distance of the
    planned axis from the ridge's middle. early: greatest distance of the planned point from the bone along the axis.
    """

    shape: Shape
    upper: bool = False
    lean: float = 6.0
    tip: float = 9.0
    aside: float = 0.8
    early: float = 0.8
    along: float = 4.0
    deep: float = 20.5


def _lower(draw: Draw) -> Jaw:
    hu = dict(Jaw().hu)
    hu[CORTEX], hu[CANCELLOUS] = draw(1350, 1650), draw(300, 550)
    return Jaw(
        half_width=draw(5.0, 6.2),
        half_height=draw(12, 13.5),
        exponent=draw(2.6, 3.1),
        narrowing=draw(0.08, 0.13),
        wave=draw(0.03, 0.07),
        phase=draw(0, 6),
        arc_radius=draw(42, 48),
        t_crest=draw(0.9, 2.2),
        t_buccal=draw(0.9, 2.3),
        t_lingual=draw(0.9, 2.3),
        t_base=draw(2.5, 3.2),
        cover=draw(2.0, 2.9),
        hu=hu,
    )


def _knife(draw: Draw) -> Jaw:
    """Narrow at the crest, wider below."""
    thin = draw(0.7, 1.3)
    return replace(
        _lower(draw),
        half_width=draw(3.6, 4.6),
        exponent=draw(1.5, 1.9),
        narrowing=draw(0.25, 0.4),
        t_crest=draw(1.5, 3.0),
        t_buccal=thin,
        t_lingual=draw(0.7, 1.3),
    )


def _roof(draw: Draw) -> Jaw:
    """Two straight flanks that meet in a rounded edge."""
    base = replace(_lower(draw), half_width=draw(4.0, 5.5), t_crest=draw(0.8, 3.0), wave=draw(0.0, 0.03))
    thin = (draw(0.6, 1.4), draw(0.6, 1.4))
    shape = {f.name: getattr(base, f.name) for f in fields(base)} | {"t_buccal": thin[0], "t_lingual": thin[1]}
    return Roof(**shape, angles=(draw(0.4, 0.8), draw(0.4, 0.8)), round_mm=draw(0.15, 0.5))


def _flat(draw: Draw) -> Jaw:
    return replace(_lower(draw), half_width=draw(7.0, 8.5), exponent=draw(4.0, 6.0), cheek=5.0)


def _hollow(draw: Draw) -> Jaw:
    """A lingual concavity below the ridge."""
    return replace(_lower(draw), hollow=draw(1.0, 3.0), hollow_depth=draw(7.5, 11.0), t_lingual=draw(1.0, 1.8))


def _low(draw: Draw) -> Jaw:
    """So low that the axis reaches the far cortex."""
    return replace(_lower(draw), half_height=draw(5.5, 8.5), t_base=draw(1.2, 2.8))


def _canal(draw: Draw) -> Jaw:
    return replace(_lower(draw), canal=(draw(-2.2, 2.2), draw(9.0, 14.0), draw(0.9, 1.7), draw(0.25, 0.6)))


def _end(draw: Draw) -> Jaw:
    root = (-draw(4.5, 6.5), draw(-0.5, 0.5), draw(1.8, 2.6), draw(9.0, 13.0))
    return replace(_lower(draw), end_s=draw(2.5, 6.0), roots=(root,))


def _gap(draw: Draw) -> Jaw:
    """A gap between two roots."""
    roots = tuple((sign * draw(4.5, 7.0), draw(-0.5, 0.5), draw(1.8, 2.6), draw(9.0, 13.0)) for sign in (1, -1))
    return replace(_lower(draw), roots=roots, wave=draw(0.0, 0.02))


def _molar_sinus(draw: Draw) -> Jaw:
    hu = dict(Jaw().hu)
    hu[CORTEX], hu[CANCELLOUS] = draw(1100, 1350), draw(150, 300)
    thin = [draw(0.5, 1.1) for _ in range(4)]
    return Jaw(
        draw(4.2, 6.5),
        draw(8.6, 9.6),
        draw(2.2, 3.5),
        draw(0.0, 0.1),
        draw(0.0, 0.07),
        draw(0, 6),
        draw(38, 48),
        *thin,
        draw(1.5, 3.0),
        sinus=(draw(-2.0, 2.0), draw(5.0, 11.5), draw(5, 9), draw(6, 10), draw(0.4, 1.2)),
        hu=hu,
    )


_LININGS = ("none", "even", "even", "slanting", "part", "dome", "fluid")


def _lined(draw: Draw) -> Jaw:
    """A sinus floor with any lining from none to 3 mm, or a sinus full of fluid."""
    base = _molar_sinus(draw)
    assert base.sinus is not None
    kind, thick = _LININGS[int(draw(0, len(_LININGS)))], draw(0.1, 1.0) if draw(0, 1) < 0.5 else draw(1.0, 3.0)
    hu = {**base.hu, LINING: draw(10, 70)}
    extra: dict[str, object] = {"lining_mm": 0.0 if kind in ("none", "dome") else thick}
    if kind == "slanting":
        extra["slant"] = (draw(-0.25, 0.25), draw(-0.25, 0.25))
    elif kind == "part":
        extra["part"] = (draw(0, 2 * np.pi), draw(-1.5, 1.5))
    elif kind == "dome":
        extra["dome"] = (draw(-2, 2), draw(-2, 2), draw(2.5, 5.0), thick)
    elif kind == "fluid":
        hu[CAVITY] = hu[LINING]
    shape = {f.name: getattr(base, f.name) for f in fields(base)}
    shape |= {"sinus": (*base.sinus[:4], draw(0.4, 1.8)), "hu": hu}
    return LinedJaw(**shape, **extra)


HARDER = {
    "leaning": Harder(_lower, lean=20.0, tip=20.0, aside=0.8, early=2.0),
    "off centre": Harder(_lower, aside=2.0, early=2.0),
    "knife edge": Harder(_knife, aside=0.5, lean=4.0),
    "wide flat": Harder(_flat, aside=2.0),
    "undercut": Harder(_hollow, lean=12.0, aside=1.5, deep=26.0),
    "low": Harder(_low),
    "canal": Harder(_canal),
    "arch end": Harder(_end, along=8.0, tip=4.0),
    "gap": Harder(_gap, along=8.5, tip=4.0),
    "sinus": Harder(_molar_sinus, upper=True),
    "roof": Harder(_roof, aside=0.5, lean=6.0),
    "lining": Harder(_lined, upper=True),
}
PLAIN = Harder(_lower, along=8.0)
FINE, COARSE = "fine", "coarse"
SCANS = {
    FINE: ((0.2, 0.25), FINE_BLUR, (40, 90), (0, 120)),
    COARSE: ((0.3,), COARSE_BLUR, (60, 100), (120, 180)),
}


def draw_harder(name: str, scan: str, rng: np.random.Generator) -> Case:
    """A random phantom of a group (`HARDER`, or "plain": an ordinary lower jaw with room along the arch)."""
    return draw_placed(name, scan, rng)[0]


def draw_placed(name: str, scan: str, rng: np.random.Generator) -> tuple[Case, Placing]:
    """The same with where its jaw stands."""
    group = PLAIN if name == "plain" else HARDER[name]

    def draw(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    jaw = group.shape(draw)
    turn = Rotation.from_euler("zyx", [draw(-12, 12), draw(-10, 10), draw(-10, 10)], degrees=True).as_matrix()
    place = Placing(turn, np.array([draw(25, 40), draw(-30, -10), draw(-10, 10)]), jaw, -1.0 if group.upper else 1.0)
    lateral, along, up = turn[:, 0], turn[:, 1], turn[:, 2] * place.up
    lean, tip = np.tan(np.radians(draw(-group.lean, group.lean))), np.tan(np.radians(draw(-group.tip, group.tip)))
    axis = -up + lean * lateral + tip * along
    axis /= np.linalg.norm(axis)
    point = place.centre + jaw.half_height * up + draw(-group.aside, group.aside) * lateral + draw(-1, 1) * along
    buccal = lateral - (lateral @ axis) * axis
    buccal /= np.linalg.norm(buccal)
    truth = site_truth(place, point - 1.5 * axis, axis, buccal, rng)
    frame = site_frame(truth.crest + draw(-group.early, group.early) * axis, axis, buccal)
    voxel, blur, noise, texture = SCANS[scan]
    scanner = Scanner(
        float(rng.choice(voxel)),
        draw(*blur),
        draw(*noise),
        draw(*texture),
        draw(0.75, 1.05),
        draw(-60, 120),
        edge_gradient=draw(0.4, 1.6),
    )
    m = group.along
    corner = np.array([[d, b, x] for d in (-5.5, group.deep) for b in (-12.5, 12.5) for x in (-m, m)])
    box = truth.crest + corner @ np.stack([frame.axis, frame.buccal, frame.distal])
    case = Case(f"{name}, {scan}", scan_of(place, scanner, box.min(0), box.max(0), rng), frame, truth, scanner)
    return case, place
