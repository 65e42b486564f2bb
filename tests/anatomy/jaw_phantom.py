"""Small invented jaws of known geometry: hard-edged shapes on a fine grid, then blur, voxel averaging and noise.

Nothing here uses the models that `siteplan.anatomy` fits: the shapes are filled point by point, and the blur is a
filter. HU of the materials are round textbook values (from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from siteplan.scan import GreyScale, Patient, Scan, SeriesFacts

AIR, SOFT, CANCELLOUS, CORTEX, WALL, LUMEN, DENTINE, LIGAMENT = -1000.0, 50.0, 430.0, 1550.0, 900.0, 60.0, 1680.0, 80.0
SUB = 2


@dataclass(frozen=True, eq=False)
class Quality:
    """How good the scan is."""

    voxel_mm: float = 0.3
    blur_mm: float = 0.25
    noise: float = 45.0
    noise_grain_mm: float = 0.2
    texture: float = 0.0
    texture_grain_mm: float = 0.25


FINE = Quality(0.25, 0.16, 45.0)
COARSE = Quality(0.3, 0.42, 60.0, 0.25, 180.0)


@dataclass(frozen=True, eq=False)
class CanalPhantom:
    """A straight bar of jaw bone with a winding canal."""

    scan: Scan
    centreline_lps_mm: NDArray[np.float64]
    radius_mm: NDArray[np.float64]
    invisible: NDArray[np.bool_]


def as_scan(values: NDArray[np.float32], voxel_mm: float, origin: NDArray[np.float64]) -> Scan:
    affine = np.diag([voxel_mm, voxel_mm, voxel_mm, 1.0])
    affine[:3, 3] = origin
    depth = values.shape[0]
    return Scan(
        np.rint(values).astype(np.int16),
        affine,
        np.full(depth, 0.83),
        np.full(depth, 90.0),
        GreyScale("US", False, "invented"),
        Patient(),
        SeriesFacts("", "", "CT", "", (), "", "", depth),
    )


def grid(size_xyz_mm: tuple[float, float, float], quality: Quality) -> tuple[NDArray[np.float32], ...]:
    """Fine coordinates z, y, x (open grids), the centres of sub-voxels; the middle of the object is 0."""
    axes = []
    for length in size_xyz_mm[::-1]:
        n = round(length / quality.voxel_mm) * SUB
        axes.append(((np.arange(n) + 0.5) / SUB * quality.voxel_mm - length / 2).astype(np.float32))
    return np.meshgrid(*axes, indexing="ij", sparse=True)


def scanned(
    hu: NDArray[np.float32],
    cancellous: NDArray[np.bool_],
    quality: Quality,
    rng: np.random.Generator,
    centre: tuple[float, ...],
) -> Scan:
    """What a scanner makes of a fine volume of HU: pattern, blur, voxels, correlated noise."""
    fine = quality.voxel_mm / SUB
    if quality.texture:
        pattern = ndimage.gaussian_filter(
            rng.standard_normal(hu.shape, dtype=np.float32), quality.texture_grain_mm / fine
        )
        hu = hu + cancellous * pattern * (quality.texture / pattern.std())
    hu = ndimage.gaussian_filter(hu, quality.blur_mm / fine, mode="nearest")
    k, j, i = (n // SUB for n in hu.shape)
    values = hu[: k * SUB, : j * SUB, : i * SUB].reshape(k, SUB, j, SUB, i, SUB).mean(axis=(1, 3, 5))
    noise = ndimage.gaussian_filter(
        rng.standard_normal(values.shape, dtype=np.float32), quality.noise_grain_mm / quality.voxel_mm
    )
    values = values + noise * (quality.noise / noise.std())
    shape = np.array([i, j, k])
    origin = np.array(centre) - shape * quality.voxel_mm / 2 + quality.voxel_mm / 2
    return as_scan(values, quality.voxel_mm, origin)


def canal_phantom(
    seed: int,
    quality: Quality,
    *,
    radius_mm: tuple[float, float] = (1.0, 1.6),
    wall_share: float = 0.7,
    gap_mm: tuple[float, float] | None = None,
    length_mm: float = 36.0,
) -> CanalPhantom:
    """A bar along y with a canal of random course and radius.

    Args:
        wall_share: share of the canal's surface that has a bright wall.
        gap_mm: stretch of y where the lumen is filled with cancellous bone and has no wall: nothing to see.
    """
    rng = np.random.default_rng(seed)
    z, y, x = grid((16.0, length_mm, 24.0), quality)
    shell = ((np.abs(x) / 6.0) ** 3 + (np.abs(z) / 10.5) ** 3) ** (1 / 3)
    hu = np.where(shell < 1, np.where(shell < 0.72, CANCELLOUS, CORTEX), SOFT) + 0 * y
    hu = hu.astype(np.float32)
    cancellous = np.broadcast_to(shell < 0.72, hu.shape)
    line, radius = _course(rng, length_mm, radius_mm)
    flat = hu.reshape(-1)
    near = _near(z, y, x, line)
    points = np.stack([np.broadcast_to(a, hu.shape).reshape(-1)[near] for a in (x, y, z)], axis=1)
    distance, at = cKDTree(line).query(points, distance_upper_bound=4.0)
    at = np.minimum(at, len(line) - 1)
    thickness = 0.3 + 0.3 * rng.random()
    offset = points - line[at]
    turn = np.arctan2(offset[:, 2], offset[:, 0])
    holes = np.sin(2.1 * turn + 0.45 * points[:, 1] + 6 * rng.random()) + 0.7 * np.sin(
        0.9 * points[:, 1] + 6 * rng.random()
    )
    walled = holes < np.quantile(holes, wall_share) if wall_share < 1 else np.ones(len(holes), dtype=bool)
    visible = np.ones(len(line), dtype=bool) if gap_mm is None else (line[:, 1] < gap_mm[0]) | (line[:, 1] > gap_mm[1])
    part = flat[near]
    part = np.where((distance < radius[at] + thickness) & walled & visible[at], WALL, part)
    part = np.where((distance < radius[at]) & visible[at], LUMEN, part)
    flat[near] = part
    pattern = np.array(cancellous)
    pattern.reshape(-1)[near[(distance < radius[at] + thickness) & visible[at]]] = False
    centre = (30.0, -20.0, -50.0)
    return CanalPhantom(scanned(hu, pattern, quality, rng, centre), line + np.array(centre), radius, ~visible)


def _course(
    rng: np.random.Generator, length_mm: float, radius_mm: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    y = np.arange(-length_mm / 2 + 1, length_mm / 2 - 1, 0.1)
    x, z = (
        rng.uniform(-1, 1) + rng.uniform(0.3, 1.2) * np.sin(2 * np.pi * y / rng.uniform(25, 60) + 6 * rng.random())
        for _ in range(2)
    )
    z = 1.5 * z - 2.0 + 0.07 * y
    middle, half = sum(radius_mm) / 2, (radius_mm[1] - radius_mm[0]) / 2
    radius = middle + half * np.sin(2 * np.pi * y / rng.uniform(20, 50) + 6 * rng.random())
    return np.stack([x, y, z], axis=1), radius


def _near(
    z: NDArray[np.float32], y: NDArray[np.float32], x: NDArray[np.float32], line: NDArray[np.float64]
) -> NDArray[np.int64]:
    lx = np.interp(y.ravel(), line[:, 1], line[:, 0])[None, :, None]
    lz = np.interp(y.ravel(), line[:, 1], line[:, 2])[None, :, None]
    return np.flatnonzero((np.abs(x - lx) < 3.0) & (np.abs(z - lz) < 3.0))


@dataclass(frozen=True, eq=False)
class SinusPhantom:
    """Bone with an air-filled ellipsoid over a plate; `lining_mm` of soft tissue on the plate."""

    scan: Scan
    centre_lps_mm: NDArray[np.float64]
    semi_mm: NDArray[np.float64]
    turn: NDArray[np.float64]

    def signed_mm(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Signed distance (N,) to the bony wall, negative in the cavity: first order, exact near the wall."""
        q = (points - self.centre_lps_mm) @ self.turn
        f = np.linalg.norm(q / self.semi_mm, axis=1)
        return np.asarray((f - 1) * f / np.linalg.norm(q / self.semi_mm**2, axis=1))


def sinus_phantom(seed: int, quality: Quality, lining_mm: float = 0.0) -> SinusPhantom:
    rng = np.random.default_rng(seed)
    z, y, x = grid((26.0, 26.0, 26.0), quality)
    semi = np.array([rng.uniform(7, 9), rng.uniform(9, 11), rng.uniform(7, 9)])
    middle = np.array([rng.uniform(-1, 1), rng.uniform(-1, 1), 3.0 + rng.uniform(-1, 1)])
    turn = np.linalg.qr(np.eye(3) + 0.15 * rng.standard_normal((3, 3)))[0]
    turn = turn * np.sign(np.diag(turn))
    plate = rng.uniform(0.6, 1.2)
    offset = [a - m for a, m in zip((x, y, z), middle, strict=True)]
    q = [sum(offset[d] * np.float32(turn[d, e]) for d in range(3)) for e in range(3)]
    f = np.sqrt(sum((q[e] / semi[e]) ** 2 for e in range(3)))
    slope = np.sqrt(sum((q[e] / semi[e] ** 2) ** 2 for e in range(3))) / np.maximum(f, 1e-6)
    signed = (f - 1) / np.maximum(slope, 1e-6)
    hu = np.where(signed < plate, 1200.0, 250.0)
    hu = np.where(signed < 0, np.where(signed > -lining_mm, SOFT, AIR), hu)
    hu = np.where((np.abs(x) > 12) | (z < -11), SOFT, hu).astype(np.float32)
    centre = (-30.0, -20.0, 20.0)
    cancellous = (signed > plate) & (np.abs(x) <= 12) & (z >= -11)
    return SinusPhantom(scanned(hu, cancellous, quality, rng, centre), np.array(centre) + middle, semi, turn)


@dataclass(frozen=True, eq=False)
class RootPhantom:
    """A cone stump of dentine in cancellous bone and crestal cortex, with a thin ligament all around."""

    scan: Scan
    base_lps_mm: NDArray[np.float64]
    tip_lps_mm: NDArray[np.float64]
    base_radius_mm: float
    tip_radius_mm: float

    def signed_mm(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Signed distance (N,) to the cone's surface, negative inside."""
        return _cone_distance(points, self.base_lps_mm, self.tip_lps_mm, self.base_radius_mm, self.tip_radius_mm)


def root_phantom(seed: int, quality: Quality) -> RootPhantom:
    rng = np.random.default_rng(seed)
    z, y, x = grid((24.0, 16.0, 18.0), quality)
    shell = (np.abs(x) / 6.5) ** 3 + (np.abs(z + 3) / 10.0) ** 3 + 0 * y
    inner = (np.abs(x) / 4.8) ** 3 + (np.abs(z + 3) / 8.4) ** 3 + 0 * y
    cancellous = inner < 1
    hu = np.where(shell < 1, np.where(cancellous, CANCELLOUS, CORTEX), SOFT).astype(np.float32)
    base = np.array([rng.uniform(-0.5, 0.5), rng.uniform(-1, 1), 8.0])
    tip = np.array([rng.uniform(-1, 1), rng.uniform(-1, 1), -2.0 + rng.uniform(-1.5, 1.5)])
    radii = (float(rng.uniform(1.9, 2.5)), float(rng.uniform(0.8, 1.2)))
    points = np.stack([np.broadcast_to(a, hu.shape).reshape(-1) for a in (x, y, z)], axis=1)
    near = np.flatnonzero(np.linalg.norm(points[:, :2], axis=1) < 5.5)
    distance = _cone_distance(points[near], base, tip, *radii)
    ligament = rng.uniform(0.18, 0.3)
    flat, marrow = hu.reshape(-1), cancellous.reshape(-1)
    part = np.where(distance < ligament, LIGAMENT, flat[near])
    flat[near] = np.where(distance < 0, DENTINE, part)
    marrow[near[distance < ligament]] = False
    centre = np.array([30.0, -20.0, -40.0])
    scan = scanned(hu, cancellous, quality, rng, tuple(centre))
    return RootPhantom(scan, base + centre, tip + centre, *radii)


def _cone_distance(
    points: NDArray[np.float64], base: NDArray[np.float64], tip: NDArray[np.float64], r0: float, r1: float
) -> NDArray[np.float64]:
    """Exact signed distance to a cone stump with flat ends: a trapezium in the half plane (radius, height)."""
    axis = tip - base
    length = float(np.linalg.norm(axis))
    h = (points - base) @ axis / length
    r = np.sqrt(np.maximum(((points - base) ** 2).sum(axis=1) - h**2, 0))
    p = np.stack([r, h], axis=1)
    corners = np.array([[0, 0], [r0, 0], [r1, length], [0, length]], dtype=float)
    best = np.full(len(p), np.inf)
    for a, b in ((0, 1), (1, 2), (2, 3)):
        way = corners[b] - corners[a]
        t = np.clip((p - corners[a]) @ way / (way @ way), 0, 1)
        best = np.minimum(best, np.linalg.norm(p - corners[a] - t[:, None] * way, axis=1))
    inside = (h > 0) & (h < length) & (r < r0 + (r1 - r0) * np.clip(h / length, 0, 1))
    return np.where(inside, -best, best)
