"""A simulated scan of a `Scene`: labels on a fine grid, then the blur, the noise and the grey scale of `scanner`."""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from siteplan.scan.volume import GreyScale, Patient, Scan, SeriesFacts
from tests.validation.jaw import AIR, CANCELLOUS, CAVITY, CORTEX, LUMEN, SOFT, WALL, Array
from tests.validation.scanner import Scanner, Volume, _filtered, _hann, _mtf
from tests.validation.structures_shapes import DENTINE, LIGAMENT, METAL

TEXTBOOK_HU = {
    AIR: -1000.0,
    CAVITY: -1000.0,
    SOFT: 50.0,
    CORTEX: 1550.0,
    CANCELLOUS: 430.0,
    WALL: 900.0,
    LUMEN: 60.0,
    DENTINE: 1680.0,
    LIGAMENT: 80.0,
    METAL: 8000.0,
}
"""Round textbook values (from memory)."""

SCALE_END_HU = 3071.0
"""Where a 12-bit scale that begins at -1024 ends."""


class Scannable(Protocol):
    """Anything that says which material lies where, and how grey it is where `TEXTBOOK_HU` does not say."""

    @property
    def hu(self) -> dict[int, float]:
        """HU of a label."""

    def label(self, points: Array) -> NDArray[np.int8]:
        """Labels (N,) at patient points (N, 3)."""


def scan_of(scene: Scannable, scanner: Scanner, low: Array, high: Array, rng: np.random.Generator) -> Scan:
    """Scan the box between two patient points; two fine cells to a voxel in each direction."""
    v = scanner.voxel_mm
    h = v / 2
    count = 2 * np.ceil((high - low) / v).astype(int)
    axes = [low[a] + h * (np.arange(count[a]) + 0.5) - v / 2 for a in range(3)]
    hu, cancellous = _raster(scene, axes)
    if scanner.texture_hu:
        grain = gaussian_filter(rng.standard_normal(hu.shape).astype(np.float32), 0.21 / h)
        hu += cancellous * grain * np.float32(scanner.texture_hu / grain.std())
    blurred = _filtered(hu, h, lambda fr, fz: _mtf(fr, fz, scanner.blur_mm))
    k, j, i = (n // 2 for n in blurred.shape)
    value = blurred.reshape(k, 2, j, 2, i, 2).mean(axis=(1, 3, 5))
    white = rng.standard_normal(value.shape).astype(np.float32)
    noise = _filtered(white, v, lambda fr, fz: (fr + 0.02) * _hann(fr) * np.sinc(fz * v) ** 2 * np.sinc(fr * v))
    value += noise * np.float32(scanner.noise_hu / noise.std())
    value = np.clip(value, -1024.0, SCALE_END_HU)
    grey = np.round(scanner.slope * value + scanner.intercept).astype(np.int16)
    affine = np.eye(4)
    affine[:3, :3] *= v
    affine[:3, 3] = low
    n = grey.shape[0]
    facts = SeriesFacts("1", "1", "CT", "1", (), "simulated", "", n)
    return Scan(grey, affine, np.ones(n), np.zeros(n), GreyScale("US", False, "simulated"), Patient(), facts)


def _raster(scene: Scannable, axes: list[Array]) -> tuple[Volume, Volume]:
    """HU and the share of cancellous bone, slab by slab so that memory stays small."""
    greys = {**TEXTBOOK_HU, **scene.hu}
    table = np.zeros(max(greys) + 1, dtype=np.float32)
    for label, value in greys.items():
        table[label] = value
    x, y, z = (a.astype(np.float32) for a in axes)
    labels = np.empty((len(z), len(y), len(x)), dtype=np.int8)
    for start in range(0, len(z), 24):
        part = z[start : start + 24]
        points = np.stack(np.meshgrid(part, y, x, indexing="ij")[::-1], axis=-1)
        labels[start : start + 24] = scene.label(points.reshape(-1, 3)).reshape(points.shape[:-1])
    return table[labels], (labels == CANCELLOUS).astype(np.float32)
