"""Random phantoms by regime."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from siteplan.frame import SiteFrame, site_frame
from siteplan.scan.volume import Scan
from tests.validation.jaw import CANCELLOUS, CORTEX, SOFT, Array, Jaw, Placing, SiteTruth, site_truth
from tests.validation.scanner import Scanner, scan_of

Draw = Callable[[float, float], float]


@dataclass(frozen=True)
class Case:
    """One simulated site."""

    regime: str
    scan: Scan
    frame: SiteFrame
    truth: SiteTruth
    scanner: Scanner


@dataclass(frozen=True)
class Regime:
    """What a group of phantoms has in common: ranges of voxel, blur, noise, texture, and the cortex."""

    upper: bool
    voxel: tuple[float, ...]
    blur: tuple[float, float]
    noise: tuple[float, float]
    texture: tuple[float, float]
    crest: tuple[float, float]
    plates: tuple[float, float]
    sinus: bool = False


SOFT_TISSUE_HU = (35.0, 70.0)
"""Textbooks give this range (from memory)."""
FINE_BLUR, COARSE_BLUR = (0.09, 0.14), (0.25, 0.31)
REGIMES = {
    "fine lower": Regime(False, (0.2, 0.25), FINE_BLUR, (40, 70), (0, 0), (1.4, 2.2), (1.2, 2.3)),
    "fine lower textured": Regime(False, (0.2, 0.25), FINE_BLUR, (60, 120), (100, 180), (0.9, 2.2), (0.9, 2.3)),
    "fine upper": Regime(True, (0.2, 0.25), FINE_BLUR, (40, 70), (0, 0), (0.6, 1.0), (0.55, 0.95), True),
    "fine 0.5": Regime(True, (0.2, 0.25), FINE_BLUR, (40, 70), (0, 100), (0.45, 0.6), (0.45, 0.6)),
    "fine 0.3": Regime(True, (0.2, 0.25), FINE_BLUR, (40, 70), (0, 100), (0.28, 0.36), (0.28, 0.36)),
    "coarse lower": Regime(False, (0.3,), COARSE_BLUR, (60, 100), (120, 180), (1.2, 2.2), (1.2, 2.3)),
    "coarse 1.0": Regime(True, (0.3,), COARSE_BLUR, (60, 100), (120, 180), (0.9, 1.1), (0.9, 1.1)),
    "coarse 0.7": Regime(True, (0.3,), COARSE_BLUR, (60, 100), (120, 180), (0.6, 0.85), (0.6, 0.85), True),
    "coarse 0.5": Regime(True, (0.3,), COARSE_BLUR, (60, 100), (120, 180), (0.45, 0.6), (0.45, 0.6)),
    "coarse 0.3": Regime(True, (0.3,), COARSE_BLUR, (60, 100), (120, 180), (0.28, 0.36), (0.28, 0.36)),
    "wide field lower": Regime(False, (0.4,), (0.25, 0.35), (50, 90), (60, 140), (1.2, 2.2), (1.2, 2.3)),
}


def draw_case(
    regime: str,
    rng: np.random.Generator,
    *,
    hardening: float = Scanner.hardening,
    cortex_hu: tuple[float, float] | None = None,
) -> Case:
    """A random phantom of the regime with one site; `hardening` darkens around dense bone.

    Args:
        cortex_hu: bounds that the cortex is drawn from instead of the regime's own.
    """
    r = REGIMES[regime]

    def draw(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    jaw = _jaw(r, draw, cortex_hu)
    # Gum and muscle are known to this only (`calibration.SOFT_TISSUE_HU`), and the drift of the scale is read off them.
    jaw = replace(jaw, hu={**jaw.hu, SOFT: draw(*SOFT_TISSUE_HU)})
    up = -1.0 if r.upper else 1.0
    turn = Rotation.from_euler("zyx", [draw(-8, 8), draw(-6, 6), draw(-6, 6)], degrees=True).as_matrix()
    centre = np.array([draw(25, 40), draw(-30, -10), draw(-10, 10)])
    place = Placing(turn, centre, jaw, up)
    frame, truth = _site(place, draw, rng)
    scanner = Scanner(
        float(rng.choice(r.voxel)),
        draw(*r.blur),
        draw(*r.noise),
        draw(*r.texture),
        draw(0.75, 1.05),
        draw(-60, 120),
        hardening,
        draw(0.4, 1.6),
    )
    corner = np.array([[d, b, m] for d in (-5.5, 20.5) for b in (-12.5, 12.5) for m in (-4.0, 4.0)])
    box = truth.crest + corner @ np.stack([frame.axis, frame.buccal, frame.distal])
    return Case(regime, scan_of(place, scanner, box.min(0), box.max(0), rng), frame, truth, scanner)


def _jaw(r: Regime, draw: Draw, cortex_hu: tuple[float, float] | None) -> Jaw:
    base = Jaw()
    hu = dict(base.hu)
    hu[CORTEX] = draw(*(cortex_hu or ((1100, 1350) if r.upper else (1400, 1650))))
    hu[CANCELLOUS] = draw(150, 300) if r.upper else draw(350, 550)
    if not r.upper:
        return Jaw(
            draw(5.0, 6.2),
            draw(12, 13.5),
            draw(2.6, 3.1),
            draw(0.08, 0.13),
            draw(0.03, 0.07),
            draw(0, 6),
            draw(42, 48),
            draw(*r.crest),
            draw(*r.plates),
            draw(*r.plates),
            draw(2.5, 3.2),
            draw(2.0, 2.9),
            canal=(draw(-0.8, 0.8), draw(11.5, 14.0), 1.5, 0.5),
            hu=hu,
        )
    height = draw(8.6, 9.6)
    return Jaw(
        draw(4.2, 5.2),
        height,
        draw(2.4, 2.9),
        draw(0.03, 0.08),
        draw(0.03, 0.07),
        draw(0, 6),
        draw(40, 46),
        draw(*r.crest),
        draw(*r.plates),
        draw(*r.plates),
        draw(*r.plates),
        draw(2.4, 3.0),
        sinus=(draw(-0.8, 0.8), draw(8.6, 11.5), draw(8, 9), draw(9, 10), draw(0.6, 0.95)) if r.sinus else None,
        hu=hu,
    )


def _site(place: Placing, draw: Draw, rng: np.random.Generator) -> tuple[SiteFrame, SiteTruth]:
    """A tilted axis near the middle of the ridge and its truths; the planned point is off the bone surface."""
    up = place.rotation[:, 2] * place.up
    lateral, along = place.rotation[:, 0], place.rotation[:, 1]
    axis = -up + np.tan(np.radians(draw(-6, 6))) * lateral + np.tan(np.radians(draw(-9, 9))) * along
    axis /= np.linalg.norm(axis)
    crest = place.centre + place.jaw.half_height * up + draw(-0.8, 0.8) * lateral + draw(-1, 1) * along
    tangent: Array = along
    buccal = lateral - (lateral @ axis) * axis
    buccal -= 0.0 * tangent
    buccal /= np.linalg.norm(buccal)
    truth = site_truth(place, crest - 1.5 * axis, axis, buccal, rng)
    planned = truth.crest + draw(-0.8, 0.8) * axis
    return site_frame(planned, axis, buccal), truth
