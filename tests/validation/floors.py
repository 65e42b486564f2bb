"""`python -m tests.validation.floors`: floors of a sinus under no lining, linings of every kind, and fluid.

Each jaw of the group `lining` (`harder`) is scanned finely and coarsely and goes through the whole measurement. Printed
by scan and by the true thickness of the lining on the axis: error of floor plate and available height, and coverage.
"""

import argparse
import sys
from dataclasses import dataclass

import numpy as np

from siteplan.bone.calibration import Calibration
from siteplan.bone.measure import measure_bone
from siteplan.flags import Flag
from siteplan.measures import Measure
from tests.validation.harder import COARSE, FINE, draw_placed
from tests.validation.jaw import AIR, CAVITY

SEED = 112
BINS = (("none", 0.0), ("to 0.3", 0.3), ("to 0.8", 0.8), ("to 1.5", 1.5), ("to 5", 5.0), ("fluid", np.inf))
"""Upper ends of the true thickness, mm."""
SILENT_MM = 0.4
COUNTED = {Flag.DARK_BEYOND, Flag.UNCERTAIN, Flag.THICKNESS_OR_DENSITY}
"""What warns of a wrong floor; other flags speak of other things."""


@dataclass(frozen=True)
class Found:
    """One floor: scan, true lining (infinite where all is fluid), and truth and measure of two quantities."""

    scan: str
    lining: float
    plate: tuple[float, Measure]
    height: tuple[float, Measure]


def one(scan: str, number: int) -> Found | None:
    """Measure one floor; None where the axis misses the sinus."""
    case, place = draw_placed("lining", scan, np.random.default_rng([SEED, number]))
    t = case.truth
    if t.sinus_plate is None or t.sinus_cavity is None:
        return None
    full = t.sinus_air is None or place.jaw.hu[CAVITY] != place.jaw.hu[AIR]
    lining = np.inf if full or t.sinus_air is None else t.sinus_air - t.sinus_cavity
    scale = Calibration(case.scanner.slope, case.scanner.intercept)
    bone = measure_bone(case.scan, case.frame, calibration=scale)
    plate = (t.sinus_cavity - t.sinus_plate, bone.second_cortex)
    return Found(scan, lining, plate, (t.sinus_plate, bone.available_height))


def summary(pairs: list[tuple[float, Measure]]) -> str:
    """Measured of all; mean absolute error, bias, worst; coverage; silently wrong."""
    told = [(truth, m) for truth, m in pairs if m.value is not None and m.low is not None and m.high is not None]
    if not told:
        return f"0/{len(pairs)} | | | | "
    error = np.array([(m.value or 0.0) - truth for truth, m in told])
    inside = np.mean([(m.low or 0.0) <= truth <= (m.high or 0.0) for truth, m in told])
    silent = sum(abs(e) > SILENT_MM and not COUNTED & set(m.flags) for e, (_, m) in zip(error, told, strict=True))
    return (
        f"{len(told)}/{len(pairs)} | {np.abs(error).mean():.3f} | {error.mean():+.3f} | "
        f"{np.abs(error).max():.2f} | {100 * inside:.0f} % | {silent}"
    )


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.floors", description=__doc__)
    parser.add_argument("--cases", type=int, default=10, help="jaws, each scanned twice (about 20 s each)")
    parser.add_argument("--first", type=int, default=0, help="number of the first jaw")
    args = parser.parse_args()
    found = []
    for number in range(args.first, args.first + args.cases):
        found += [x for scan in (FINE, COARSE) if (x := one(scan, number)) is not None]
        print(number, file=sys.stderr, flush=True)
    print("| scan | lining | quantity | n | mean error | bias | worst | held | silent |")
    print("|" + " --- |" * 9)
    for scan in (FINE, COARSE):
        least = -1.0
        for name, most in BINS:
            rows = [x for x in found if x.scan == scan and least < x.lining <= most]
            least = most
            if rows:
                print(f"| {scan} | {name} | plate | {summary([x.plate for x in rows])} |")
                print(f"| {scan} | {name} | height | {summary([x.height for x in rows])} |")
    return 0


if __name__ == "__main__":
    sys.exit(main())
