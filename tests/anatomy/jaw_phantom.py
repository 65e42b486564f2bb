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
