"""From an invented jaw to grey values: partial volume, trabecular pattern, blur, noise, 12-bit storage."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from sample_volumes.anatomy import Material
from sample_volumes.patients import Patient

FINE = 2
"""Samples per voxel along each direction, before blur."""
STORED_OFFSET = -1100.0
"""Rescale Intercept: grey value of stored 0, so that 12 bits hold air as well as enamel."""
_WAVES = 120
_WAVELENGTHS_MM = (1.0, 2.6)
_NOISE_GRAIN_VOXELS = 0.55


def grid(patient: Patient, voxel_mm: float) -> tuple[tuple[int, int, int], NDArray[np.float64]]:
    """Shape (K, J, I) and the LPS mm of the first voxel centre."""
    i, j, k = (round(extent / voxel_mm) for extent in patient.size)
    return (k, j, i), np.array(patient.corner) + voxel_mm / 2


def stored_values(patient: Patient, voxel_mm: float) -> NDArray[np.uint16]:
    """(K, J, I) stored 12-bit values of the scan."""
    hu = _blurred(_fine_hu(patient, voxel_mm), patient.blur_sigma * FINE / voxel_mm)
    grey = patient.slope * hu + patient.intercept + _noise(hu.shape, patient)
    return np.clip(np.rint(grey - STORED_OFFSET), 0, 4095).astype(np.uint16)


def _fine_hu(patient: Patient, voxel_mm: float) -> NDArray[np.float32]:
    """HU on a grid `FINE` times as dense."""
    (k, j, i), _ = grid(patient, voxel_mm)
    step = voxel_mm / FINE
    x, y, z = (np.array(patient.corner[a]) + step * (np.arange(n * FINE) + 0.5) for a, n in enumerate((i, j, k)))
    table = np.array([patient.hu[material] for material in Material], np.float32)
    out = np.empty((len(z), len(y), len(x)), np.float32)
    plane = np.stack(np.meshgrid(y, x, indexing="ij")[::-1], axis=-1).reshape(-1, 2)
    waves = _Texture(patient)
    for layer, height in enumerate(z):
        points = np.column_stack([plane, np.full(len(plane), height)])
        codes = patient.scene.material(points)
        values = table[codes]
        marrow = codes == Material.CANCELLOUS
        values[marrow] += waves.at(points[marrow])
        out[layer] = values.reshape(len(y), len(x))
    return out


class _Texture:
    """The trabecular pattern: a sum of plane waves of random direction, length and phase; mean 0."""

    def __init__(self, patient: Patient) -> None:
        rng = np.random.Generator(np.random.PCG64(patient.seed))
        directions = rng.standard_normal((_WAVES, 3))
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        lengths = rng.uniform(*_WAVELENGTHS_MM, _WAVES)
        self._waves = (2 * np.pi * directions / lengths[:, None]).T.astype(np.float32)
        self._phases = rng.uniform(0, 2 * np.pi, _WAVES).astype(np.float32)
        self._size = np.float32(patient.texture_sd * np.sqrt(2 / _WAVES))

    def at(self, points: NDArray[np.float64]) -> NDArray[np.float32]:
        """(N,) HU to add at points (N, 3)."""
        angle = points.astype(np.float32) @ self._waves + self._phases
        return np.asarray(self._size * np.cos(angle).sum(axis=1))


def _blurred(fine: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Blurred on the fine grid, then averaged over each voxel."""
    soft = gaussian_filter(fine, sigma, mode="nearest")
    k, j, i = (n // FINE for n in soft.shape)
    return np.asarray(soft.reshape(k, FINE, j, FINE, i, FINE).mean(axis=(1, 3, 5)))


def _noise(shape: tuple[int, ...], patient: Patient) -> NDArray[np.float32]:
    """Grain as a reconstruction leaves it: neighbouring voxels are not independent."""
    rng = np.random.Generator(np.random.PCG64(patient.seed + 1000))
    grain = gaussian_filter(rng.standard_normal(shape, dtype=np.float32), _NOISE_GRAIN_VOXELS, mode="wrap")
    return np.asarray(patient.noise_sd * grain / grain.std())
