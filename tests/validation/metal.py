"""`python -m tests.validation.metal`: sites beside a metal post, with the streaks that hardening and starved rays make.

Slices with the post are projected in parallel with two energies and few photons and reconstructed; what that adds to
the ideal slice is put into the scan. Printed: error and coverage of the measures, how many errors above 0.4 mm carry no
flag, and whether metal was told.
"""

import argparse
import sys
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from skimage.transform import iradon, radon

from siteplan.bone.calibration import Calibration
from siteplan.bone.measure import measure_bone
from siteplan.flags import Flag
from siteplan.scan.volume import Scan
from tests.validation.collect import pairs_of
from tests.validation.harder import draw_harder
from tests.validation.jaw import LEVELS
from tests.validation.phantoms import Case

_MU_WATER_PER_MM = 0.02
_POST_HU = 7000.0
"""Titanium on a scale that does not clip (order of magnitude, from memory)."""
_ENERGIES = ((0.5, 1.25, 1.6), (0.5, 0.75, 0.5))
"""Share of the beam, factor on tissue, factor on metal: a soft and a hard half (our own choice)."""
_PHOTONS = 4000.0
_EVERY = 10
_SILENT_MM = 0.4


def with_post(case: Case, away_mm: float, radius_mm: float, rng: np.random.Generator) -> Scan:
    """The scan with an upright post `away_mm` from the axis along the arch, 10 mm deep, and its streaks."""
    scan, frame = case.scan, case.frame
    grey = scan.voxels.astype(np.float32)
    k, j, i = np.indices(grey.shape)
    depth, buccal, distal = np.moveaxis(frame.from_lps(scan.index_to_lps(np.stack([k, j, i], axis=-1))), -1, 0)
    post = np.clip((radius_mm - np.hypot(distal - away_mm, buccal)) / scan.spacing_kji_mm[0] + 0.5, 0, 1)
    post *= (depth > -2) & (depth < 10)
    hu = (grey - case.scanner.intercept) / case.scanner.slope
    rows = np.flatnonzero(post.any(axis=(1, 2)))
    added = np.zeros_like(grey)
    some = rows[::_EVERY]
    streaks = [_streaks(hu[r], post[r], scan.spacing_kji_mm[0], rng) for r in some]
    for row in rows:
        near = int(np.argmin(np.abs(some - row)))
        added[row] = streaks[near]
    total = hu * (1 - post) + _POST_HU * post + added
    stored = np.clip(case.scanner.slope * total + case.scanner.intercept, -1500, 12000)
    return replace(scan, voxels=np.round(stored).astype(np.int16))


def _streaks(
    hu: NDArray[np.float32], post: NDArray[np.float64], voxel_mm: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """What two energies and few photons add to a slice, HU."""
    side = 2 * (max(hu.shape) // 2) + 2
    pad = [((side - n) // 2, side - n - (side - n) // 2) for n in hu.shape]
    tissue = np.pad(_MU_WATER_PER_MM * (1 + hu * (1 - post) / 1000), pad) * voxel_mm
    metal = np.pad(_MU_WATER_PER_MM * (_POST_HU / 1000) * post, pad) * voxel_mm
    angles = np.arange(0, 180, 2.0)
    p_tissue, p_metal = (radon(x, angles, circle=False) for x in (tissue, metal))
    # A scan of water alone is taken to be corrected: only what goes with metal is added.
    seen = sum(w * np.exp(-a * p_tissue - b * p_metal) for w, a, b in _ENERGIES)
    plain = sum(w * np.exp(-a * p_tissue) for w, a, _ in _ENERGIES)
    counts = np.maximum(rng.poisson(_PHOTONS * seen), 1) / _PHOTONS
    through = p_metal > 1e-3
    error = np.where(through, np.log(plain) - np.log(counts) - p_metal, 0.0)
    image = iradon(error, angles, filter_name="hann", circle=False, output_size=side)
    image *= 1000 / (voxel_mm * _MU_WATER_PER_MM)
    a, b = pad[0][0], pad[1][0]
    out: NDArray[np.float32] = image[a : a + hu.shape[0], b : b + hu.shape[1]].astype(np.float32)
    return out


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.metal", description=__doc__)
    parser.add_argument("--cases", type=int, default=4, help="sites per distance (about 15 s each)")
    parser.add_argument("--first", type=int, default=0, help="number of the first site")
    args = parser.parse_args()
    print("| post, mm from the axis | quantity | measured | MAE (worst) | coverage | silent | metal told |")
    print("|" + " --- |" * 7)
    for away in (3.5, 5.5, 8.0):
        rows: dict[str, list[tuple[float, bool, bool]]] = {}
        absent: dict[str, int] = {}
        told = 0
        for number in range(args.first, args.first + args.cases):
            rng = np.random.default_rng([88, round(10 * away), number])
            case = draw_harder("plain", "fine", rng)
            scan = with_post(case, -away, float(rng.uniform(1.6, 2.2)), rng)
            scale = Calibration(case.scanner.slope, case.scanner.intercept)
            bone = measure_bone(scan, case.frame, levels_mm=LEVELS, calibration=scale)
            told += bone.metal_share > 0
            for name, truth, m in pairs_of(case, bone):
                if m.value is None or m.low is None or m.high is None:
                    absent[name] = absent.get(name, 0) + 1
                    continue
                hu = name.endswith("HU")
                silent = abs(m.value - truth) > _SILENT_MM and not m.flags and not hu
                silent |= hu and not m.low <= truth <= m.high and Flag.METAL_NEAR not in m.flags
                rows.setdefault(name, []).append((abs(m.value - truth), m.low <= truth <= m.high, silent))
            print(f"{away} {number} metal share {bone.metal_share:.2f}", file=sys.stderr, flush=True)
        for name, found in rows.items():
            error, inside, silent = (np.array(x) for x in zip(*found, strict=True))
            print(
                f"| {away} | {name} | {len(found)}/{len(found) + absent.get(name, 0)} | {error.mean():.3f} "
                f"({error.max():.2f}) | {inside.mean():.0%} | {silent.sum()} | {told}/{args.cases} |",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
