"""How far averaging intensities shifts bone edges: bars with known walls, projected, blurred and reconstructed.

`python -m tests.validation.edge_gradient` prints the shift of the outer surface and the loss of wall thickness
for several blurs, once blurred as intensities (what a detector does) and once as attenuations (no shift expected).
The difference divided by the squared blur gives the two factors in `siteplan/bone/edge_gradient.py`.
Two dimensions, parallel rays; a slice through a curved bar of bone in a cylinder of soft tissue. About 6 minutes.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates
from scipy.optimize import least_squares
from scipy.special import ndtr

Array = NDArray[np.float64]

_STEP_MM, _SIZE = 0.1, 480
_NYQUIST_PER_MM = 3.0
_MU_WATER_PER_MM = 0.02
_ANGLES = 360
_ARC_MM, _HALF_WIDTH_MM = 45.0, 5.7


def scene(cortex: float, cancellous: float, wall_mm: float) -> Array:
    """HU of the slice."""
    x = (np.arange(_SIZE) - _SIZE / 2 + 0.5) * _STEP_MM
    xx, yy = np.meshgrid(x, x)
    hu = np.where(np.hypot(xx, yy) < 21, 50.0, -1000.0)
    across = np.hypot(xx + _ARC_MM, yy) - _ARC_MM
    along = np.abs(np.arctan2(yy, xx + _ARC_MM) * _ARC_MM)
    hu = np.where((np.abs(across) < _HALF_WIDTH_MM) & (along < 18), cortex, hu)
    inside = (np.abs(across) < _HALF_WIDTH_MM - wall_mm) & (along < 18 - wall_mm)
    return np.where(inside, cancellous, hu)


def reconstruct(hu: Array, blur_mm: float, as_intensity: bool) -> Array:
    """Parallel projection, blur, filtered back-projection with a Hann window; HU."""
    mu = _MU_WATER_PER_MM * (1 + hu / 1000)
    s = (np.arange(520) - 260 + 0.5) * _STEP_MM
    f = np.fft.fftfreq(1040, _STEP_MM)
    window = np.where(np.abs(f) < _NYQUIST_PER_MM, 0.5 * (1 + np.cos(np.pi * f / _NYQUIST_PER_MM)), 0)
    ss, tt = np.meshgrid(s, s, indexing="ij")
    x = (np.arange(_SIZE) - _SIZE / 2 + 0.5) * _STEP_MM
    xx, yy = np.meshgrid(x, x)
    out = np.zeros_like(hu)
    for k in range(_ANGLES):
        c, n = np.cos(np.pi * k / _ANGLES), np.sin(np.pi * k / _ANGLES)
        rays = [(ss * n + tt * c) / _STEP_MM + _SIZE / 2 - 0.5, (ss * c - tt * n) / _STEP_MM + _SIZE / 2 - 0.5]
        p = map_coordinates(mu, rays, order=1, cval=0).sum(axis=1) * _STEP_MM
        if as_intensity:
            p = -np.log(gaussian_filter1d(np.exp(-p), blur_mm / _STEP_MM))
        else:
            p = gaussian_filter1d(p, blur_mm / _STEP_MM)
        out += np.interp(xx * c + yy * n, s, np.fft.ifft(np.fft.fft(p, 1040) * np.abs(f) * window).real[:520])
    result: Array = (out * np.pi / _ANGLES / _MU_WATER_PER_MM - 1) * 1000
    return result


def wall_fit(image: Array, side: int, wall_mm: float) -> tuple[float, float]:
    """Outer edge (mm inside the true one) and wall thickness on one side of the bar, by the blurred slab."""
    x = (np.arange(_SIZE) - _SIZE / 2 + 0.5) * _STEP_MM
    inward = _HALF_WIDTH_MM - side * x
    line = image[_SIZE // 2 - 8 : _SIZE // 2 + 8].mean(axis=0)
    near = (inward > -1.0) & (inward < wall_mm + 1.2)
    z, v = inward[near], line[near]

    def rest(p: Array) -> Array:
        edge, t, tau, outside, cortex, inside = p
        model: Array = (
            outside + (cortex - outside) * ndtr((z - edge) / tau) - (cortex - inside) * ndtr((z - edge - t) / tau)
        )
        out: Array = model - v
        return out

    found = least_squares(rest, [0, wall_mm, 0.25, 50, v.max(), 400]).x
    return float(found[0]), float(found[1])


def main() -> None:
    """Print the shifts."""
    print("cortex HU, wall mm, blur mm: outer shift per mm^2, thickness loss per mm^2 (mean of both sides)")
    for cortex, cancellous, wall in ((1547.0, 411.0, 2.0), (1158.0, 193.0, 0.8)):
        for blur in (0.107, 0.2, 0.28):
            shifts = []
            images = [reconstruct(scene(cortex, cancellous, wall), blur, way) for way in (True, False)]
            for side in (1, -1):
                (e1, t1), (e0, t0) = (wall_fit(image, side, wall) for image in images)
                shifts.append((e1 - e0, t0 - t1))
            outer, loss = np.mean(shifts, axis=0) / blur**2
            print(f"{cortex:.0f}, {wall:.1f}, {blur:.3f}: {outer:.2f}, {loss:.2f}", flush=True)


if __name__ == "__main__":
    main()
