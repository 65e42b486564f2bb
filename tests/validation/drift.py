"""`python -m tests.validation.drift`: a known drift of the grey scale laid over simulated scans.

The field is a slope across the scan and a bowl about an axis (cupping), both closed forms in HU that are added to every
voxel; the scans have no shading of their own. Printed: the reported drift against the field's own range along the true
bone surface, and the error (worst) of the mean as read and as corrected by the soft tissue at the site.
"""

import argparse
import sys
from dataclasses import dataclass, replace

import numpy as np

from siteplan.bone.calibration import Calibration
from siteplan.bone.grey import CYLINDER_DEPTH_MM
from siteplan.bone.measure import measure_bone
from siteplan.scan.volume import Scan
from tests.validation.jaw import Array
from tests.validation.phantoms import Case, draw_case

REGIMES = ("fine lower", "fine upper", "coarse lower")
FIELDS = ((0.0, 0.0), (3.0, 0.0), (0.0, 0.15), (2.0, 0.1))
"""Slope and bowl; a bowl of 0.15 HU/mm² is 60 HU at 20 mm."""


@dataclass(frozen=True)
class Field:
    """HU to add at a point: slope (3,) per mm from `centre`, and bowl per mm^2 of distance from its upright."""

    centre: Array
    slope: Array
    bowl: float

    def at(self, points: Array) -> Array:
        """HU at patient points (..., 3)."""
        away = points - self.centre
        out: Array = away @ self.slope + self.bowl * (away[..., 0] ** 2 + away[..., 1] ** 2)
        return out


def random_field(case: Case, rng: np.random.Generator, *, slope: float, bowl: float) -> Field:
    """A field whose middle lies up to 20 mm from the site, as an arch lies in a cone-beam field."""
    direction = rng.standard_normal(3)
    angle, away = rng.uniform(0, 2 * np.pi), rng.uniform(5, 20)
    centre = case.truth.crest + away * np.array([np.cos(angle), np.sin(angle), 0.0])
    return Field(centre, slope * direction / np.linalg.norm(direction), bowl)


def with_field(case: Case, field: Field) -> Scan:
    """The scan with the field added, in its own grey values."""
    scan = case.scan
    k, j, i = np.indices(scan.voxels.shape)
    hu = field.at(scan.index_to_lps(np.stack([k, j, i], axis=-1)))
    return replace(scan, voxels=np.round(scan.voxels + case.scanner.slope * hu).astype(np.int16))


def true_range(case: Case, field: Field) -> float:
    """Range of the field along the true outer surface from the crest to the foot of the standard cylinder, HU."""
    assert case.truth.edges is not None
    z, buccal, lingual = case.truth.edges
    t = case.truth
    values = [float(field.at(t.crest))]
    for reach, sign in ((buccal, 1), (lingual, -1)):
        ok = np.isfinite(reach) & (z <= CYLINDER_DEPTH_MM)
        values += list(field.at(t.crest + z[ok, None] * t.axis + sign * reach[ok, None] * t.buccal))
    return max(values) - min(values)


def _one(regime: str, k: int, number: int, slope: float, bowl: float) -> tuple[float, ...]:
    """True range; reported one with its interval; the mean's error as read and corrected, and whether it is held."""
    rng = np.random.default_rng([66, k, number])
    case = draw_case(regime, rng, hardening=0.0)
    field = random_field(case, rng, slope=slope, bowl=bowl)
    scale = Calibration(case.scanner.slope, case.scanner.intercept)
    bone = measure_bone(with_field(case, field), case.frame, calibration=scale)
    d, mean, truth = bone.drift, bone.mean_hu, case.truth.mean_hu
    if None in (d.value, d.low, d.high, mean.value, mean.low, mean.high):
        raise RuntimeError(f"{regime} {number}: no drift or no mean was measured")
    plain = scale.to_hu(bone.mean_grey.value or 0.0)
    low, value, high = (float(x or 0.0) / scale.slope for x in (d.low, d.value, d.high))
    inside = (mean.low or 0.0) <= truth <= (mean.high or 0.0)
    return true_range(case, field), value, low, high, plain - truth, (mean.value or 0.0) - truth, float(inside)


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.drift", description=__doc__)
    parser.add_argument("--cases", type=int, default=3, help="sites per regime and field (about 10 s each)")
    parser.add_argument("--first", type=int, default=0, help="number of the first site")
    args = parser.parse_args()
    print(
        "| regime | HU/mm, HU/mm² | n | range: true | reported, mean error | held | mean HU: plain | corrected | held |"
    )
    print("|" + " --- |" * 9)
    for k, regime in enumerate(REGIMES):
        for slope, bowl in FIELDS:
            numbers = range(args.first, args.first + args.cases)
            found = np.array([_one(regime, k, n, slope, bowl) for n in numbers])
            true, value, low, high, plain, mean, inside = found.T
            held = ((low <= true + 1e-6) & (true <= high)).sum()
            print(
                f"| {regime} | {slope:g}, {bowl:g} | {len(found)} | {true.mean():.0f} | "
                f"{np.abs(value - true).mean():.0f} | {held} | "
                f"{np.abs(plain).mean():.0f} ({np.abs(plain).max():.0f}) | {np.abs(mean).mean():.0f} "
                f"({np.abs(mean).max():.0f}) | {inside.sum():.0f} |",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
