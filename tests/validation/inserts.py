"""`python -m tests.validation.inserts`: calibrate on simulated insert phantoms, then measure jaws with the scale.

For each draw one device scans a phantom of known rods and a jaw. The rods are found automatically and given by place;
both scales must return the device's own line, and the jaw's mean must lie within 30 HU or 5 % of the truth, in the
right class wherever the truth is more than 60 HU from a bound.
"""

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

from siteplan.bone.calibration import Calibration, provisional_calibration
from siteplan.bone.density import classify, density_tables
from siteplan.bone.inserts import fit_inserts, measure_inserts, read_inserts
from siteplan.bone.levels import grey_levels
from siteplan.bone.measure import measure_bone
from siteplan.errors import LibraryFileError
from siteplan.scan.volume import Scan
from tests.validation.phantoms import Case, draw_case
from tests.validation.scanner import Scanner, imaged

RODS_HU = (-700.0, -100.0, 250.0, 550.0, 900.0, 1350.0)
"""Foam, fat-like, and four hydroxyapatite-like rods, as in phantoms for bone mineral (common practice, no source)."""
_RING_MM, _ROD_MM, _BODY_MM, _HALF_MM = 12.0, 2.8, 20.0, 3.6
_TABLE = "five-class"
_FAR_HU = 60.0


def rods_scan(scanner: Scanner, rng: np.random.Generator) -> tuple[Scan, list[tuple[float, float]]]:
    """A cylinder of water with upright rods, and the rods' places."""
    h = scanner.voxel_mm / 2
    n = 2 * int(np.ceil((_BODY_MM + 3) / scanner.voxel_mm))
    x = (np.arange(2 * n) - n + 0.5) * h
    turn = rng.uniform(0, np.pi / 3)
    centres = [(_RING_MM * np.cos(a + turn), _RING_MM * np.sin(a + turn)) for a in np.arange(len(RODS_HU)) * np.pi / 3]
    yy, xx = np.meshgrid(x, x, indexing="ij")

    def share(distance: np.ndarray) -> np.ndarray:
        return np.clip(0.5 - distance / h, 0, 1)

    order = rng.permutation(len(RODS_HU))
    plane = -1000.0 + 1000.0 * share(np.hypot(xx, yy) - _BODY_MM)
    for k, (cx, cy) in zip(order, centres, strict=True):
        plane += share(np.hypot(xx - cx, yy - cy) - _ROD_MM) * RODS_HU[k]
    planes = 2 * int(np.ceil(2 * _HALF_MM / scanner.voxel_mm))
    hu = np.repeat(plane[None].astype(np.float32), planes, axis=0)
    none = np.zeros_like(hu)
    low = np.array([x[0] + h / 2, x[0] + h / 2, -_HALF_MM + h / 2])
    scan = imaged(hu, none, none, scanner, low, rng)
    return scan, [centres[int(np.flatnonzero(order == k)[0])] for k in range(len(RODS_HU))]


def insert_text(centres: list[tuple[float, float]] | None) -> str:
    """The insert file."""
    lines = []
    for k, hu in enumerate(RODS_HU):
        lines += ["[[insert]]", f'name = "rod {k + 1}"', f"hu = {hu}"]
        if centres is not None:
            lines += [f"centre_mm = [{centres[k][0]:.3f}, {centres[k][1]:.3f}, 0.0]", "radius_mm = 2.0"]
    return "\n".join(lines)


def scale_of(scan: Scan, centres: list[tuple[float, float]] | None) -> Calibration:
    """Calibration from a phantom scan, as the command makes it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "inserts.toml"
        path.write_text(insert_text(centres), encoding="utf-8")
        return fit_inserts(measure_inserts(scan, read_inserts(path)))[0]


def _judged(case: Case, scale: Calibration | None) -> tuple[float, bool, bool | None]:
    """Error of the mean in HU, whether the interval holds the truth and the class is right (None: near a bound)."""
    used = scale if scale is not None else provisional_calibration(grey_levels(case.scan))
    bone = measure_bone(case.scan, case.frame, calibration=used)
    mean = bone.mean_hu if scale is not None else bone.provisional_hu
    truth = case.truth.mean_hu
    table = density_tables()[_TABLE]
    bounds = [c.low for c in table.classes if c.low is not None]
    near = min(abs(truth - b) for b in bounds) <= _FAR_HU
    right = next(c.label for c in table.classes if c.low is None or truth >= c.low)
    label = classify(mean, table, scale is not None).label
    if mean.value is None or mean.low is None or mean.high is None:
        raise RuntimeError(f"{case.regime}: no mean was measured")
    return mean.value - truth, mean.low <= truth <= mean.high, None if near else label == right


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.inserts", description=__doc__)
    parser.add_argument("--cases", type=int, default=4, help="devices per regime (about 10 s each)")
    parser.add_argument("--first", type=int, default=0, help="number of the first device")
    parser.add_argument(
        "--regimes", nargs="*", default=["fine lower textured", "fine upper", "coarse lower", "coarse 0.7"]
    )
    args = parser.parse_args()
    print("| regime | scale | slope off (95 % holds) | mean HU: MAE (worst) | within 30 HU or 5 % | coverage | class |")
    print("|" + " --- |" * 7)
    for k, regime in enumerate(args.regimes):
        found: dict[str, list[tuple[float, bool, float, bool, bool, bool | None]]] = {}
        for number in range(args.first, args.first + args.cases):
            rng = np.random.default_rng([77, k, number])
            case = draw_case(regime, rng)
            scan, centres = rods_scan(case.scanner, rng)
            scales: dict[str, Calibration | None] = {"rods given": scale_of(scan, centres), "air and gum": None}
            try:
                scales["rods found"] = scale_of(scan, None)
            except LibraryFileError as error_:
                print(f"{regime} {number}: {error_}", file=sys.stderr)
            for name, scale in scales.items():
                error, inside, right = _judged(case, scale)
                off, holds = float("nan"), True
                if scale is not None:
                    off = scale.slope / case.scanner.slope - 1
                    holds = abs(scale.slope - case.scanner.slope) <= 1.96 * scale.slope_sd + 1e-9
                good = abs(error) <= max(30.0, 0.05 * case.truth.mean_hu)
                found.setdefault(name, []).append((off, holds, error, good, inside, right))
            print(f"{regime} {number}", file=sys.stderr, flush=True)
        for name, rows in found.items():
            off, holds, error, good, inside, right = (list(x) for x in zip(*rows, strict=True))
            judged = [r for r in right if r is not None]
            slope = "" if name == "air and gum" else f"{100 * float(np.mean(off)):+.1f} % ({sum(holds)}/{len(holds)})"
            print(
                f"| {regime} | {name} | {slope} | {np.abs(error).mean():.0f} ({np.abs(error).max():.0f}) | "
                f"{sum(good)}/{len(good)} | {sum(inside)}/{len(inside)} | {sum(judged)}/{len(judged)} |",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
