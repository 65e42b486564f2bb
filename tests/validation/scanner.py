"""A simulated cone-beam scan of a jaw: partial volume, blur, correlated noise, cupping, its own grey scale.

The blur is that of filtered back-projection with a Hann window behind a Gaussian focal spot and square detector
pixels, so it is not exactly Gaussian; across slices the window is missing and the blur is smaller. Not
simulated but put in as a shift of the drawn surfaces is what comes from averaging intensities instead of attenuations;
its size was taken from projections (`edge_gradient`), and it varies from phantom to phantom.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import gaussian_filter

from siteplan.scan.volume import GreyScale, Patient, Scan, SeriesFacts
from tests.validation.jaw import (
    AIR,
    CANCELLOUS,
    CORTEX,
    LIGAMENT,
    LIGAMENT_MM,
    LUMEN,
    ROOT,
    SOFT,
    WALL,
    Array,
    Placing,
)

Volume = NDArray[np.float32]

OUTER_PER_MM, INNER_PER_MM = 0.29, 0.16
"""Surface shifts in mm per mm^2 of blur at 1500 HU of contrast, from `edge_gradient.py`."""
NYQUIST_PER_MM = 3.0
"""Detector pixels of 0.25 mm seen at the rotation axis of a 1.5-fold magnification."""


@dataclass(frozen=True)
class Scanner:
    """How the scan is made. blur_mm: SD of focal spot and detector at the axis. noise_hu, texture_hu: SD."""

    voxel_mm: float
    blur_mm: float
    noise_hu: float
    texture_hu: float = 0.0
    slope: float = 0.83
    intercept: float = 90.0
    hardening: float = 0.02
    edge_gradient: float = 1.0


def scan_of(place: Placing, scanner: Scanner, low: Array, high: Array, rng: np.random.Generator) -> Scan:
    """Scan the box between two patient points."""
    v = scanner.voxel_mm
    shape_ijk = np.ceil((high - low) / v).astype(int)
    h = v / 2
    fine_ijk = 2 * shape_ijk
    axes = [low[a] + h * (np.arange(fine_ijk[a]) + 0.5) - v / 2 for a in range(3)]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    hu, cancellous, dense = _raster(place, np.stack([x, y, z], axis=-1), h, scanner)
    return imaged(hu, cancellous, dense, scanner, low, rng)


def imaged(
    hu: Volume, cancellous: Volume, dense: Volume, scanner: Scanner, low: Array, rng: np.random.Generator
) -> Scan:
    """The scan of a raster of half voxels whose first centre is `low`: HU, shares of cancellous bone and of cortex."""
    v = scanner.voxel_mm
    h = v / 2
    if scanner.texture_hu:
        grain = gaussian_filter(rng.standard_normal(hu.shape).astype(np.float32), 0.21 / h)
        hu += cancellous * grain * np.float32(scanner.texture_hu / grain.std())
    hu -= np.float32(scanner.hardening) * gaussian_filter(dense * np.float32(1500), 3.0 / h)
    blurred = _filtered(hu, h, lambda fr, fz: _mtf(fr, fz, scanner.blur_mm))
    # Voxel centres fall between two fine cells: take the mean of the eight around each.
    k, j, i = (n // 2 for n in blurred.shape)
    value = blurred.reshape(k, 2, j, 2, i, 2).mean(axis=(1, 3, 5))
    white = rng.standard_normal(value.shape).astype(np.float32)
    noise = _filtered(white, v, lambda fr, fz: (fr + 0.02) * _hann(fr) * np.sinc(fz * v) ** 2 * np.sinc(fr * v))
    value += noise * np.float32(scanner.noise_hu / noise.std())
    grey = np.round(scanner.slope * value + scanner.intercept).astype(np.int16)
    affine = np.eye(4)
    affine[:3, :3] *= v
    affine[:3, 3] = low
    count = grey.shape[0]
    return Scan(
        grey,
        affine,
        np.ones(count),
        np.zeros(count),
        GreyScale("US", False, "simulated"),
        Patient(),
        SeriesFacts("1", "1", "CT", "1", (), "simulated", "", count),
    )


def _raster(place: Placing, points: Array, h: float, scanner: Scanner) -> tuple[Volume, Volume, Volume]:
    """HU with partial volume, the share of cancellous bone, and the share of cortex."""
    jaw = place.jaw
    s, u, w = (a.astype(np.float32) for a in place.to_jaw(points))

    def share(shape: Volume, grow: float = 0.0) -> Volume:
        """Share of a cell inside the surface shape = 1 moved outwards by `grow`, from the distance to it."""
        steep = np.sqrt(sum(g**2 for g in np.gradient(shape, h)))
        return np.clip(0.5 + ((1 - shape) / np.maximum(steep, 1e-6) + np.float32(grow)) / h, 0, 1)

    contrast = (jaw.hu[CORTEX] - jaw.hu[SOFT]) / 1500
    size = scanner.edge_gradient * scanner.blur_mm**2 * contrast

    gum = np.clip(0.5 + jaw.skin(u, w) / h, 0, 1)
    bone, inside = share(jaw.outer(s, u, w), -OUTER_PER_MM * size), share(jaw.inner(s, u, w), INNER_PER_MM * size)
    inside *= bone
    hu = np.float32(jaw.hu[AIR]) + gum * np.float32(jaw.hu[SOFT] - jaw.hu[AIR])
    hu += bone * (np.float32(jaw.hu[CORTEX]) - hu)
    hu += inside * np.float32(jaw.hu[CANCELLOUS] - jaw.hu[CORTEX])
    cancellous = inside
    if jaw.canal is not None:
        d = jaw.canal_distance(s, u, w)
        for radius, label in ((jaw.canal[2] + jaw.canal[3], WALL), (jaw.canal[2], LUMEN)):
            part = np.clip(0.5 + (radius - d) / h, 0, 1) * inside
            hu += part * (np.float32(jaw.hu[label]) - hu)
            cancellous = cancellous * (1 - part)
    if jaw.sinus is not None:
        for grow, label in jaw.sinus_layers(s, u):
            part = share(jaw.sinus_radius(s, u, w, grow)) * (bone if label == CORTEX else inside)
            hu += part * (np.float32(jaw.hu[label]) - hu)
            cancellous = cancellous * (1 - part)
    for root in jaw.roots:
        d = jaw.root_distance(s, u, w, root)
        for grow, label, where in ((LIGAMENT_MM, LIGAMENT, bone), (0.0, ROOT, gum)):
            part = np.clip(0.5 + (grow - d) / h, 0, 1) * where
            hu += part * (np.float32(jaw.hu[label]) - hu)
            cancellous = cancellous * (1 - part)
    return hu.astype(np.float32), cancellous.astype(np.float32), (bone - inside).astype(np.float32)


def _hann(fr: Array) -> Array:
    return np.where(fr < NYQUIST_PER_MM, 0.5 * (1 + np.cos(np.pi * np.minimum(fr / NYQUIST_PER_MM, 1))), 0.0)


def _mtf(fr: Array, fz: Array, blur: float) -> Array:
    pixel = 0.5 / NYQUIST_PER_MM
    in_plane = _hann(fr) * np.exp(-2 * (np.pi * fr * blur) ** 2) * np.sinc(fr * pixel)
    across = np.exp(-2 * (np.pi * fz * blur) ** 2) * np.sinc(fz * pixel) ** 3
    return in_plane * across


def _filtered(volume: Volume, h: float, response: object) -> Volume:
    """Multiply the spectrum by response(radial in-plane frequency, frequency across slices)."""
    shape = [fft.next_fast_len(n + 24, real=True) for n in volume.shape]
    fz, fy, fx = fft.fftfreq(shape[0], h), fft.fftfreq(shape[1], h), fft.rfftfreq(shape[2], h)
    fr = np.hypot(fy[:, None], fx)
    pad = [(12, n - m - 12) for n, m in zip(shape, volume.shape, strict=True)]
    spectrum = fft.rfftn(np.pad(volume, pad, mode="edge"), workers=1)
    for k, f in enumerate(fz):
        spectrum[k] *= response(fr, np.array(abs(f))).astype(np.float32)  # type: ignore[operator]
    out = fft.irfftn(spectrum, shape, workers=1)
    k, j, i = volume.shape
    return out[12 : 12 + k, 12 : 12 + j, 12 : 12 + i].astype(np.float32)
