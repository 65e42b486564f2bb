"""`python -m tests.validation.arches`: the arch found in whole, toothless, metal-filled and cropped jaws.

A jaw is a ridge of bone along a power curve, with teeth, a palate or a chin, a spine and soft tissue around it; nothing
here uses what `siteplan.anatomy` fits. Sizes are round textbook ones (from memory).
"""

import argparse
import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from siteplan.anatomy.arch import Arch, find_arch
from siteplan.errors import GeometryError
from siteplan.scan.volume import GreyScale, Patient, Scan, SeriesFacts
from tests.validation.metal import _streaks

Array = NDArray[np.float64]

VOXEL_MM = 0.8
CROWN_HU, TOOTH_HU, CORTEX_HU, MARROW_HU, SOFT_HU, AIR_HU = 6000.0, 1900.0, 1400.0, 350.0, 50.0, -1000.0

FIELDS = {
    "whole": (-60.0, 60.0, -40.0, 75.0),
    "80 mm": (-40.0, 40.0, -36.0, 44.0),
    "front 50 mm": (-25.0, 25.0, -36.0, 14.0),
    "side 50 mm": (0.0, 50.0, -22.0, 28.0),
    "corner 60 mm": (-10.0, 50.0, -36.0, 24.0),
}
"""x from, x to, y from, y to, mm, of what is left of the scan; the arch's front lies at about y = -28."""


@dataclass(frozen=True, eq=False)
class MadeJaw:
    """A scan and what is true of it: the middle of the ridge (N, 3) LPS mm, right end first."""

    scan: Scan
    crest_lps_mm: Array


def make_jaw(rng: np.random.Generator, *, upper: bool, teeth: bool, metal: int, field: str) -> MadeJaw:
    """A random jaw, scanned. `metal` of its teeth wear metal crowns, with the streaks that go with them."""
    half, depth, power = rng.uniform(22, 28), rng.uniform(42, 52), rng.uniform(2.0, 2.8)
    middle, tilt = np.array([rng.uniform(-2, 2), rng.uniform(-30, -26)]), rng.uniform(-0.04, 0.04)
    x = np.linspace(-half, half, 400)
    line = np.stack([middle[0] + x, middle[1] + depth * (np.abs(x) / half) ** power + tilt * x], axis=1)
    x0, x1, y0, y1 = FIELDS[field]
    gx, gy = np.arange(x0, x1, VOXEL_MM), np.arange(y0, y1, VOXEL_MM)
    gz = np.arange(-34.0, 16.0, VOXEL_MM) if not upper else np.arange(-16.0, 34.0, VOXEL_MM)
    flat = np.stack(np.meshgrid(gy, gx, indexing="ij")[::-1], axis=-1)
    away = cKDTree(line).query(flat.reshape(-1, 2))[0].reshape(flat.shape[:2])
    thick = rng.uniform(4.0, 6.0) if teeth else rng.uniform(2.6, 4.5)
    inside = np.hypot(flat[..., 0], flat[..., 1] - 20.0) < 58.0
    palate = ~(flat[..., 1] < np.interp(flat[..., 0], line[:, 0], line[:, 1])) & (np.abs(flat[..., 0]) < half)
    palate &= flat[..., 1] < middle[1] + depth
    spine = np.hypot(flat[..., 0], flat[..., 1] - 58.0) < 11.0
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    places = line[np.searchsorted(s, np.arange(5.0, s[-1] - 3.0, 8.0))]
    crowned = rng.permutation(len(places))[:metal]
    hu = np.full((len(gz), len(gy), len(gx)), SOFT_HU, dtype=np.float32)
    shape = np.zeros_like(hu)
    for k, z in enumerate(gz):
        up = -z if upper else z  # towards the mouth
        wide = thick * float(np.clip(0.55 + 0.05 * (2.0 - up), 0.55, 1.15))
        plane = np.where(inside, SOFT_HU, AIR_HU)
        if up <= 0.0 and up > -28.0:
            plane = np.where(away < wide, CORTEX_HU, plane)
            plane = np.where((away < wide - 1.6) & (up < -2.0), MARROW_HU, plane)
        if upper and -20.0 < up < -17.0:
            plane = np.where(palate, CORTEX_HU, plane)
        if upper and up < -12.0:
            plane = np.where((away < wide - 1.2) & (flat[..., 1] > middle[1] + 18.0), AIR_HU, plane)
        plane = np.where(spine, MARROW_HU + 300.0, plane)
        for n, place in enumerate(places if teeth else ()):
            near = np.hypot(*(flat - place).T).T
            if -11.0 < up < 9.0:
                plane = np.where(near < (3.6 if up > 0 else 2.6), TOOTH_HU, plane)
            if n in crowned and 2.0 < up < 9.0:
                shape[k] = np.maximum(shape[k], near < 3.9)
        hu[k] = plane
    hu = ndimage.gaussian_filter(hu, 0.4 / VOXEL_MM) + rng.normal(0, 60.0, hu.shape).astype(np.float32)
    if metal:
        hu = _with_metal(hu, shape, rng)
    return MadeJaw(_scan(hu, np.array([x0, y0, gz[0]])), np.column_stack([line, np.zeros(len(line))]))


def _with_metal(hu: NDArray[np.float32], shape: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    """Crowns and their streaks; one slice's streaks serve its neighbours, which hold the same crowns."""
    rows = np.flatnonzero(shape.any(axis=(1, 2)))
    if not len(rows):
        return hu
    middle = int(rows[len(rows) // 2])
    added = _streaks(hu[middle], shape[middle].astype(np.float64), VOXEL_MM, rng)
    out = hu.copy()
    out[rows] = hu[rows] * (1 - shape[rows]) + CROWN_HU * shape[rows] + added
    return out


def _scan(hu: NDArray[np.float32], origin: Array) -> Scan:
    affine = np.diag([VOXEL_MM, VOXEL_MM, VOXEL_MM, 1.0])
    affine[:3, 3] = origin
    n = len(hu)
    facts = SeriesFacts("1", "1", "CT", "1", (), "", "simulated", n)
    stored = np.rint(np.clip(hu, -1024, 3071)).astype(np.int16)
    return Scan(stored, affine, np.ones(n), np.zeros(n), GreyScale("US", False, "simulated"), Patient(), facts)


def inside_field(made: MadeJaw) -> Array:
    """The part of the true crest (N, 3) that lies 3 mm or more inside the scan."""
    ends = made.scan.index_to_lps([(0, 0, 0), [n - 1 for n in made.scan.shape]])
    line = made.crest_lps_mm
    good = ((line[:, :2] > ends[0, :2] + 3.0) & (line[:, :2] < ends[1, :2] - 3.0)).all(axis=1)
    return line[good]


def compare(arch: Arch, made: MadeJaw) -> tuple[float, float, float]:
    """Mean and worst distance of the found arch from the true one in the plane, and how much of the truth it covers
    (share of the true points in the field within 4 mm of it)."""
    found = arch.at(np.linspace(0, arch.length_mm, 300))[:, :2]
    true = made.crest_lps_mm[:, :2]
    away = cKDTree(true).query(found)[0]
    covered = cKDTree(found).query(inside_field(made)[:, :2])[0] < 4.0
    return float(away.mean()), float(away.max()), float(covered.mean())


KINDS = {
    "whole teeth": {"teeth": True, "metal": 0},
    "no teeth": {"teeth": False, "metal": 0},
    "three metal crowns": {"teeth": True, "metal": 3},
    "ten metal crowns": {"teeth": True, "metal": 10},
}


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.arches", description=__doc__)
    parser.add_argument("--cases", type=int, default=3, help="jaws of each kind, field and side (about 1 s each)")
    parser.add_argument("--first", type=int, default=0, help="number of the first jaw")
    args = parser.parse_args()
    heads = (
        "jaw | field | teeth | found | mean of mm off | worst mm off | least share covered | silent over 4 mm | said"
    )
    print(f"| {heads} |\n" + "| --- " * 9 + "|")
    for upper in (False, True):
        for field in FIELDS:
            for kind, of in KINDS.items():
                rows, said = [], set()
                for number in range(args.first, args.first + args.cases):
                    seed = [55, number, upper, list(FIELDS).index(field), list(KINDS).index(kind)]
                    rng = np.random.default_rng(seed)
                    made = make_jaw(rng, upper=upper, teeth=bool(of["teeth"]), metal=int(of["metal"]), field=field)
                    near = inside_field(made)[len(inside_field(made)) // 3] - [0, 0, -2.0 if upper else 2.0]
                    try:
                        arch = find_arch(made.scan, near, upper=upper)
                    except GeometryError as error:
                        said.add(str(error)[:60])
                        continue
                    if "Doubt" in arch.note:
                        said.add(arch.note.split("Doubt")[1][:60])
                    rows.append((*compare(arch, made), "Doubt" not in arch.note))
                r = np.array(rows, dtype=float).reshape(-1, 4)
                jaw = "upper" if upper else "lower"
                cells = [jaw, field, kind, f"{len(r)}/{args.cases}"]
                if len(r):
                    silent = int(((r[:, 1] > 4.0) & (r[:, 3] > 0)).sum())
                    cells += [f"{r[:, 0].mean():.1f}", f"{r[:, 1].max():.1f}", f"{r[:, 2].min():.0%}", str(silent)]
                else:
                    cells += ["", "", "", ""]
                print("| " + " | ".join([*cells, "; ".join(sorted(said))]) + " |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
