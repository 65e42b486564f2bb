"""`python -m tests.validation.roots`: random bent roots with crowns, neighbours, plates and metal, traced from clicks.

Roots taper, bend, are oval and end round; they hold a pulp, and most a socket wall. Told is what the trace itself says
of a wrong length. Sizes are round textbook ones (from memory).
"""

import argparse
import sys
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from skimage.measure import marching_cubes

from siteplan.anatomy.root import Root, trace_root
from siteplan.anatomy.structure import Surface
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan
from tests.validation.jaw import AIR, CANCELLOUS, CORTEX, SOFT, Array
from tests.validation.scanner import Scanner
from tests.validation.structures_measure import _on_mesh
from tests.validation.structures_scan import scan_of
from tests.validation.structures_shapes import DENTINE, LIGAMENT, METAL

ENAMEL, PULP, LAMINA = 10, 11, 12
KINDS = ("alone", "beside another root", "crowns touch", "in the plate", "metal crown")
WRONG_MM = 1.0
"""Surface or tip this far off is wrong and must be told."""


@dataclass(frozen=True, eq=False)
class Tooth:
    """A tooth whose root begins at (x, y, neck) and runs down (-z) in the jaw's own frame, mm."""

    x: float
    y: float
    neck: float
    length: float
    wide: tuple[float, float]
    taper: float
    bend: Array
    tilt: Array
    ligament: float
    lamina: float
    pulp: float
    crown: int | None

    def axis(self, depth: Array) -> tuple[Array, Array]:
        """x, y (...) of its axis at depths below the neck."""
        share = np.maximum(depth / self.length, 0.0) ** 2
        x, y = (at + self.tilt[n] * depth + self.bend[n] * share for n, at in enumerate((self.x, self.y)))
        return np.asarray(x), np.asarray(y)

    def root(self, q: Array) -> Array:
        """About the distance (N,) to the root's surface, negative inside; zero exactly on it."""
        depth = self.neck - q[:, 2]
        x, y = self.axis(depth)
        size = 1.0 - self.taper * np.clip(depth / self.length, 0.0, 1.0)
        size = size * np.sqrt(np.clip(1.0 - np.clip((depth - self.length + 1.6) / 1.6, 0.0, 1.0) ** 2, 1e-3, 1.0))
        side = (np.hypot((q[:, 0] - x) / self.wide[0], (q[:, 1] - y) / self.wide[1]) - size) * np.mean(self.wide)
        over = 1.0 if self.crown is not None else 0.0
        return np.maximum(np.maximum(side, depth - self.length), -depth - over)

    def tip(self) -> Array:
        """(3,) in the jaw's frame."""
        x, y = self.axis(np.array(self.length))
        return np.array([float(x), float(y), self.neck - self.length])


@dataclass(frozen=True, eq=False)
class Bar:
    """A straight piece of lower jaw with teeth; what `scan_of` asks of a scene."""

    teeth: tuple[Tooth, ...]
    half: float
    shell: float
    turn: Array
    at: Array
    hu: dict[int, float] = field(default_factory=dict)

    def to_lps(self, q: Array) -> Array:
        """Patient points (..., 3)."""
        return np.asarray(q @ self.turn.T + self.at)

    def label(self, points: Array) -> NDArray[np.int8]:
        """Material at patient points (N, 3)."""
        q = (points - self.at.astype(points.dtype)) @ self.turn.astype(points.dtype)
        y, z = np.abs(q[:, 1]), q[:, 2]
        out = np.full(len(q), SOFT, dtype=np.int8)
        crowned = any(t.crown is not None for t in self.teeth)
        out[(z > (2.5 if crowned else 9.0)) | (y > self.half + 5.0)] = AIR
        bone = (y / self.half) ** 4 + (np.abs(z + 13.0) / 13.0) ** 6 < 1
        marrow = (y / (self.half - self.shell)) ** 4 + (np.abs(z + 13.0) / (13.0 - 0.9 * self.shell)) ** 6 < 1
        out[bone] = CORTEX
        out[bone & marrow] = CANCELLOUS
        near = [np.flatnonzero(np.hypot(q[:, 0] - t.x, q[:, 1] - t.y) < 7.0) for t in self.teeth]
        deep = [t.root(q[k]) for t, k in zip(self.teeth, near, strict=True)]
        for t, k, d in zip(self.teeth, near, deep, strict=True):
            wall = k[(d < t.ligament + t.lamina) & bone[k]]
            out[wall[out[wall] == CANCELLOUS]] = LAMINA
        for t, k, d in zip(self.teeth, near, deep, strict=True):
            out[k[(d < t.ligament) & bone[k]]] = LIGAMENT
        for t, k, d in zip(self.teeth, near, deep, strict=True):
            out[k[d < 0]] = DENTINE
            depth = t.neck - q[k, 2]
            x, y = t.axis(depth)
            if t.crown is not None:
                wide = self.teeth[1].x / 2 + 0.1 if len(self.teeth) > 1 else t.wide[0] + 1.2
                u, v, w = (q[k, 0] - x) / wide, (q[k, 1] - y) / (t.wide[1] + 1.3), (-depth - 3.5) / 3.8
                c = (np.abs(u) ** 3 + np.abs(v) ** 3 + np.abs(w) ** 4) ** (1 / 3) - 1
                out[k[c < 0]] = t.crown
                if t.crown == ENAMEL:
                    out[k[c < -0.5]] = DENTINE
            core = np.hypot(q[k, 0] - x, q[k, 1] - y) < t.pulp * np.clip(1.1 - depth / t.length, 0.3, 1.0)
            out[k[core & (d < -0.3)]] = PULP
        return out


def draw_root(kind: str, rng: np.random.Generator) -> tuple[Scan, Bar]:
    """A random scan of a kind; the first tooth of the bar is the one to trace."""

    def tooth(x: float, y: float, neck: float, crown: int | None) -> Tooth:
        wide = rng.uniform(1.8, 2.8)
        return Tooth(
            x,
            y,
            neck,
            rng.uniform(9, 15),
            (wide, wide * rng.uniform(0.9, 1.35)),
            rng.uniform(0.45, 0.75),
            rng.uniform(-1.2, 1.2, 2),
            rng.uniform(-0.1, 0.1, 2),
            rng.uniform(0.15, 0.3),
            rng.uniform(0.2, 0.45) if rng.random() < 0.6 else 0.0,
            rng.uniform(0.25, 0.55),
            crown,
        )

    half, shell = rng.uniform(5.5, 6.8), rng.uniform(1.2, 2.2)
    crown = {"metal crown": METAL, "crowns touch": ENAMEL}.get(kind, ENAMEL if rng.random() < 0.4 else None)
    first = tooth(0.0, rng.uniform(-0.8, 0.8), rng.uniform(0.0, 1.2), crown)
    if kind == "in the plate":
        first = tooth(0.0, half - first.wide[1] - rng.uniform(0.2, 0.9), first.neck, crown)
        first.bend[1], first.tilt[1] = min(first.bend[1], 0.2), 0.0
    teeth = [first]
    if kind != "alone":
        gap = rng.uniform(0.5, 1.5) if kind == "beside another root" else rng.uniform(1.2, 2.5)
        other = tooth(0.0, first.y, first.neck, None if crown is None else ENAMEL)
        beside = tooth(first.wide[0] + other.wide[0] + gap, first.y, first.neck, other.crown)
        beside.tilt[:], beside.bend[0], first.bend[0] = first.tilt, abs(beside.bend[0]), -abs(first.bend[0])
        teeth.append(beside)
    turn = Rotation.from_euler("zyx", rng.uniform(-10, 10, 3), degrees=True).as_matrix()
    at = np.array([rng.uniform(20, 40), rng.uniform(-30, 30), rng.uniform(-20, 20)])
    hu = {DENTINE: rng.uniform(1500, 1900), ENAMEL: rng.uniform(2400, 2900), PULP: 60.0, LAMINA: rng.uniform(900, 1300)}
    hu |= {CANCELLOUS: rng.uniform(250, 550), CORTEX: rng.uniform(1300, 1650)}
    bar = Bar(tuple(teeth), half, shell, turn, at, hu)
    box = np.array([[x, y, z] for x in (-8, 11) for y in (-half - 4, half + 4) for z in (-20, 10)])
    corners = bar.to_lps(box)
    scanner = Scanner(
        float(rng.choice([0.25, 0.3, 0.4])),
        rng.uniform(0.13, 0.28),
        rng.uniform(40, 90),
        rng.uniform(40, 140),
        1.0,
        0.0,
    )
    return scan_of(bar, scanner, corners.min(0), corners.max(0), rng), bar


def errors_mm(root: Root, bar: Bar, rng: np.random.Generator) -> tuple[Array, float]:
    """Distances (N,) of the found surface from the true one 1 mm and more below the crest, and of the tip."""
    tooth = bar.teeth[0]
    low = np.array([tooth.x - 5, tooth.y - 5, tooth.neck - tooth.length - 1])
    axes = [np.arange(low[n], low[n] + size, 0.2) for n, size in enumerate((10.0, 10.0, tooth.length + 4.0))]
    q = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    value = tooth.root(q.reshape(-1, 3)).reshape(q.shape[:3])
    corners, _, normals, _ = marching_cubes(value, 0.0, spacing=(0.2,) * 3)
    true, normals = bar.to_lps(corners + low), normals @ bar.turn.T
    assert isinstance(root.structure.shape, Surface)
    found = _on_mesh(root.structure.shape, rng)
    inside = ((found - bar.at) @ bar.turn)[:, 2] < -1.0
    away, nearest = cKDTree(true).query(found[inside])
    # The truth's corners lie 0.2 mm apart: between them its plane counts, as far as it may be taken for one.
    level = np.abs(np.sum((found[inside] - true[nearest]) * normals[nearest], axis=1))
    return np.where(away < 0.4, level, away), float(np.linalg.norm(root.apex_lps_mm - bar.to_lps(tooth.tip())))


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.roots", description=__doc__)
    parser.add_argument("--cases", type=int, default=4, help="scans of each kind, two clicks on each (about 10 s each)")
    parser.add_argument("--first", type=int, default=0, help="number of the first scan")
    args = parser.parse_args()
    heads = f"kind | traced | off over {WRONG_MM:g} mm | told | told though right | worst of the rest, mm | inside"
    print(f"| {heads} |\n" + "| --- " * 7 + "|")
    for n, kind in enumerate(KINDS):
        rows = []
        for number in range(args.first, args.first + args.cases):
            rng = np.random.default_rng([63, n, number])
            scan, bar = draw_root(kind, rng)
            tooth = bar.teeth[0]
            for share in (0.3, 0.65):
                x, y = tooth.axis(np.array(share * tooth.length))
                middle = np.array([float(x), float(y), tooth.neck - share * tooth.length])
                try:
                    root = trace_root(scan, bar.to_lps(middle) + rng.normal(0, 0.4, 3))
                except GeometryError as error:
                    print(f"{kind} {number}: {error}", file=sys.stderr)
                    continue
                away, tip = errors_mm(root, bar, rng)
                worst = max(float(away.max()), tip)
                told = "set the tip by hand" in root.structure.note
                inside = float((away <= 1.96 * root.structure.uncertainty_mm).mean())
                rows.append((worst, float(away.max()), told, inside))
                print(f"{kind} {number} {share} surface {away.max():.2f} tip {tip:.2f} told {told}", file=sys.stderr)
        r = np.array(rows, dtype=float).reshape(-1, 4)
        off = r[:, 0] > WRONG_MM
        cells = [kind, f"{len(r)}/{2 * args.cases}", f"{int(off.sum())}", f"{int(r[off, 2].sum())}"]
        cells += [f"{int(r[~off, 2].sum())}", f"{r[~off, 1].max(initial=0.0):.2f}", f"{r[:, 3].mean():.0%}"]
        print("| " + " | ".join(cells) + " |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
