"""A dark lumen with an optional bright wall in bone, fitted to cross-sections below the voxel.

The model of one cross-section is a blurred disc, a blurred ring around it and a tilted background:

    grey(u, v) = B + Gu u + Gv v + A D(rho, r) + (W + Wu cos + Wv sin) (D(rho, r + w) - D(rho, r))

with D a disc blurred by a Gaussian of standard deviation `blur_mm`. The edge of a blurred disc sits at
r - blur^2 / (2 r): a curved front moves by half the curvature times the variance (mean-curvature flow, from memory).
All cross-sections are fitted at once.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from siteplan.anatomy.fit_many import Fitted, Known, fit_many

Floats = NDArray[np.float64]

RADIUS_MEAN_MM, RADIUS_SD_MM = 1.35, 0.40
"""What the lumen radius is before looking. Diameters 2.56 +- 0.53 mm: Do TT et al., 2024, J Orthod Sci 13:45;
2.97 mm: J Endod 2016;42(7); widened here so that the scan decides."""

SHIFT_SD_MM = 0.8
"""How far a cross-section's centre may reasonably lie from where the path put it (our own)."""

NEAR_MM, FADE_MM = 0.6, 0.5
"""Beyond the lumen's edge: how far the fit counts in full, and how fast it fades after that (our own)."""

START_RADII_MM = (1.0, RADIUS_MEAN_MM, 1.9)
"""Radii from which a careful fit begins: from one alone, a wall with gaps holds the fit at a wrong radius (simulated
canals of 0.8 to 2.0 mm radius)."""

NEIGHBOURS = 3.0
"""Standard deviation, in cross-sections, over which the choice of a first radius is shared (our own)."""

_LOW = np.array([-2.5, -2.5, 0.5, *[-np.inf] * 7])
_HIGH = np.array([2.5, 2.5, 3.0, *[np.inf] * 7])
"""Bounds of du, dv, r in mm; then A, B, Gu, Gv, W, Wu, Wv in grey, free."""


@dataclass(frozen=True, slots=True)
class Wall:
    """What all cross-sections share: blur of the scan and thickness of the wall, mm."""

    blur_mm: float
    wall_mm: float


@dataclass(frozen=True, eq=False)
class CrossSections:
    """grey: (N, P) at offsets u_mm, v_mm (P,); cell_mm2: area in which noise counts as one sample."""

    grey: Floats
    u_mm: Floats
    v_mm: Floats
    cell_mm2: float
    pixel_mm: float

    def every(self, nth: int) -> "CrossSections":
        """Each `nth` cross-section."""
        return CrossSections(self.grey[::nth], self.u_mm, self.v_mm, self.cell_mm2, self.pixel_mm)


@dataclass(frozen=True, eq=False)
class LumenFit:
    """Fitted cross-sections.

    Attributes:
        shift_mm: (N, 2) of the centre along u, v.
        radius_mm: (N,) of the lumen.
        contrast: (N,) grey of the surrounding bone minus grey of the lumen.
        shift_sd_mm, radius_sd_mm, contrast_sd: (N,) standard deviations from the fit.
        residual_sd: (N,) grey.
        costs: (N,) what stays unexplained, for comparing walls, blurs and first radii.
    """

    shift_mm: Floats
    radius_mm: Floats
    contrast: Floats
    shift_sd_mm: Floats
    radius_sd_mm: Floats
    contrast_sd: Floats
    residual_sd: Floats
    costs: Floats

    @property
    def cost(self) -> float:
        """Of all cross-sections together."""
        return float(self.costs.sum())


def fit_lumen(sections: CrossSections, wall: Wall, start_radius_mm: float = RADIUS_MEAN_MM) -> LumenFit:
    """Fit every cross-section; offsets that are NaN (outside the scan) count for nothing."""
    good = np.isfinite(sections.grey)
    grey = np.nan_to_num(sections.grey)
    start = _start(sections, start_radius_mm)
    fitted = fit_many(
        lambda x: _model(sections, x, wall, grey),
        start,
        _known(start, _scatter(sections.grey)),
        good,
        independent=min(sections.pixel_mm**2 / sections.cell_mm2, 1.0),
        low=_LOW,
        high=_HIGH,
        trust=lambda x: _nearby(sections, x),
    )
    return _result(fitted)


def fit_lumen_carefully(sections: CrossSections, wall: Wall) -> LumenFit:
    """The same from several first radii; for each cross-section (in order along the canal) what leaves least."""
    fits = [fit_lumen(sections, wall, start) for start in START_RADII_MM]
    # A lumen does not jump from one cross-section to the next: neighbours decide together.
    costs = gaussian_filter1d(np.stack([f.costs for f in fits]), NEIGHBOURS, axis=1, mode="nearest")
    best = np.argmin(costs, axis=0)

    def chosen(name: str) -> Floats:
        every = np.stack([getattr(f, name) for f in fits])
        return np.asarray(every[best, np.arange(len(best))], dtype=np.float64)

    names = ("shift_mm", "radius_mm", "contrast", "shift_sd_mm", "radius_sd_mm", "contrast_sd", "residual_sd", "costs")
    return LumenFit(**{name: chosen(name) for name in names})


def best_blur(sections: CrossSections, blurs_mm: Floats, wall_mm: float) -> Wall:
    """The shared blur that leaves the least unexplained, out of a few."""
    trials = [Wall(float(b), wall_mm) for b in blurs_mm]
    costs = [fit_lumen_carefully(sections, t).cost for t in trials]
    return trials[int(np.argmin(costs))]


def _model(sections: CrossSections, x: Floats, wall: Wall, grey: Floats) -> tuple[Floats, Floats]:
    """Residual (N, P) = grey - model, and the model's derivatives (N, P, 10)."""
    u, v = sections.u_mm[None, :], sections.v_mm[None, :]
    du, dv, r, a, b, gu, gv, w0, wu, wv = (x[:, n, None] for n in range(x.shape[1]))
    pu, pv = u - du, v - dv
    rho = np.sqrt(pu**2 + pv**2 + 1e-6)
    cos, sin = pu / rho, pv / rho
    inner, inner_rho, inner_r = _disc(rho, r, wall.blur_mm)
    outer, outer_rho, outer_r = _disc(rho, r + wall.wall_mm, wall.blur_mm)
    ring, amplitude = outer - inner, w0 + wu * cos + wv * sin
    model = b + gu * u + gv * v + a * inner + amplitude * ring
    by_rho = a * inner_rho + amplitude * (outer_rho - inner_rho)
    by_r = a * inner_r + amplitude * (outer_r - inner_r)
    one = np.ones_like(rho)
    columns = [-by_rho * cos, -by_rho * sin, by_r, inner, one, one * u, one * v, ring, ring * cos, ring * sin]
    return grey - model, np.stack(columns, axis=-1)


def _disc(rho: Floats, r: Floats, blur: float) -> tuple[Floats, Floats, Floats]:
    """Blurred disc at distance rho from its centre, and its derivatives by rho and by r."""
    z = (r - blur**2 / (2 * r) - rho) / blur
    bell = np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * blur)
    return ndtr(z), -bell, bell * (1 + blur**2 / (2 * r**2))


def _start(sections: CrossSections, radius_mm: float) -> Floats:
    rho = np.hypot(sections.u_mm, sections.v_mm)
    x = np.zeros((len(sections.grey), len(_LOW)))
    x[:, 2] = radius_mm
    x[:, 4] = mean_where(sections.grey, (rho > 2.0)[None, :])
    x[:, 3] = mean_where(sections.grey, (rho < 0.9)[None, :]) - x[:, 4]
    return np.nan_to_num(x)


def _known(start: Floats, scale: Floats) -> Known:
    """What is known before: the centre near the path, radius as published, no wall, no contrast taken for granted."""
    n = len(start)
    mean = np.zeros_like(start)
    mean[:, 2], mean[:, 4] = RADIUS_MEAN_MM, start[:, 4]
    near = [np.full(n, SHIFT_SD_MM), np.full(n, SHIFT_SD_MM), np.full(n, RADIUS_SD_MM)]
    grey = [6 * scale, 10 * scale, 6 * scale, 6 * scale, 2 * scale, scale, scale]
    return Known(mean, np.stack(near + grey, axis=1))


def _nearby(sections: CrossSections, x: Floats) -> Floats:
    """(N, P) full weight up to just outside the wall, fading beyond: there another cortex may begin."""
    rho = np.hypot(sections.u_mm - x[:, :1], sections.v_mm - x[:, 1:2])
    out: Floats = np.exp(-0.5 * np.maximum((rho - x[:, 2:3] - NEAR_MM) / FADE_MM, 0.0) ** 2)
    return out


def _scatter(grey: Floats) -> Floats:
    mean = mean_where(grey, np.ones(grey.shape, dtype=bool))
    square = mean_where((grey - mean[:, None]) ** 2, np.ones(grey.shape, dtype=bool))
    return np.sqrt(np.nan_to_num(square)) + 1e-3


def mean_where(grey: Floats, mask: NDArray[np.bool_]) -> Floats:
    """(N,) mean of each row of `grey` (N, P) over `mask`, NaN values left out; NaN where nothing is left."""
    good = mask & np.isfinite(grey)
    count = good.sum(axis=1)
    return np.where(count > 0, np.where(good, grey, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _result(fitted: Fitted) -> LumenFit:
    return LumenFit(
        shift_mm=fitted.x[:, :2].copy(),
        radius_mm=fitted.x[:, 2].copy(),
        contrast=-fitted.x[:, 3],
        shift_sd_mm=fitted.sd[:, :2].max(axis=1),
        radius_sd_mm=fitted.sd[:, 2],
        contrast_sd=fitted.sd[:, 3],
        residual_sd=fitted.noise,
        costs=fitted.costs,
    )
