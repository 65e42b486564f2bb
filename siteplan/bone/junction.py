"""Cortex along one line where another layer joins the shell, so that thickness jumps and the joint fit cannot follow.

Where a sinus floor runs into a plate, cortex along a line across the ridge is plate and floor together. There a few
rows of the section around the line are fitted on their own: the outer surface, the grey levels of soft tissue and
cortex and the blur come from the joint fit; place and slope of the inner surface and the grey value behind it are free.
A straight oblique edge under blur is exact in this model (`shell_model` without curvature).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from siteplan.bone.block import SiteBlock
from siteplan.bone.least_squares import levenberg
from siteplan.bone.shell_fit import ShellFit

Array = NDArray[np.float64]

_ROWS_MM, _PLANES_MM = 0.65, 0.6
"""Half height and half width of the strip whose rows are fitted; planes are averaged first."""
_OUTSIDE_MM, _BEHIND_MM = 0.7, 0.9
"""How far the strip reaches outside the bone and behind the inner surface."""
_LEAST_MM, _MOST_MM = 0.15, 6.0
_NORMAL_95 = 1.959964
_ROOT_TWO_PI = float(np.sqrt(2 * np.pi))
_FAR = 7.0
_ROUNDS = 2
"""The strip's end follows the inner surface once."""
_SAME_START_MM = 0.15
_ALIKE_MM = 0.3
"""Fits from different starts that end closer than this are one answer."""
_DARK_GAP, _CLEAR_GAP = 0.55, 0.75
"""A gap between plate and floor is believed when grey falls by the first share of the step to cancellous bone, and
believed without doubt from the second on."""
_MODEL_SD_MM = 0.21
"""SD of what the strip leaves out: wide enough that such a plate always carries its flag (both: our own estimates from
simulated sinus floors, where single answers were 1.8 mm off)."""
_PRIOR_SD_MM, _PRIOR_SLOPE, _PRIOR_BEND = 0.8, 0.7, 0.3
"""SD of the thickness about its start, of its change per mm along the axis, and of half its bend per mm^2 (our own
estimates)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line across the ridge, seen from the axis outwards.

    Attributes:
        depth_mm: of the line. sign: +1 buccal, -1 lingual. outer_mm: distance of the outer surface as the scan shows
            it; outer_slope: its change per mm of depth. outside: grey of soft tissue there.
    """

    depth_mm: float
    sign: int
    outer_mm: float
    outer_slope: float
    outside: float


@dataclass(frozen=True, slots=True)
class Junction:
    """One answer.

    Attributes:
        thickness_mm: along the line. sd_mm: its SD from noise.
        misfit: mean squared residual in units of the noise.
        dip: how far grey falls behind the cortex, as a share of the step from cortex to the site's cancellous bone.
    """

    thickness_mm: float
    sd_mm: float
    misfit: float
    dip: float


@dataclass(frozen=True, eq=False)
class JunctionFitter:
    """Fits lines of one site; `slice_dir` (3,) is the scan's slice normal in block directions."""

    block: SiteBlock
    fit: ShellFit
    slice_dir: Array

    def thickness(self, line: Line, starts_mm: list[float]) -> tuple[float, float] | None:
        """Thickness along the line and its SD, from fits from several starts; None when none of them settled.

        Where they disagree, a thin plate with a narrow gap behind it and one thick layer both explain the grey values:
        the thin one is taken while the gap is dark enough, and the SD makes the interval span both.
        """
        distinct = [s for k, s in enumerate(starts_mm) if all(abs(s - o) > _SAME_START_MM for o in starts_mm[:k])]
        found = [j for j in (self._fit(line, start) for start in distinct) if j is not None]
        if not found:
            return None
        thin, thick = (f(found, key=lambda j: j.thickness_mm) for f in (min, max))
        apart = thick.thickness_mm - thin.thickness_mm
        if apart < _ALIKE_MM:
            best = min(found, key=lambda j: j.misfit)
            if best.dip < _CLEAR_GAP:
                apart = max(max(starts_mm) - best.thickness_mm, 0.0) / _NORMAL_95
            return best.thickness_mm, float(np.hypot(np.hypot(best.sd_mm, apart), _MODEL_SD_MM))
        chosen = thin if thin.dip > _DARK_GAP else thick
        return chosen.thickness_mm, apart / _NORMAL_95 + _MODEL_SD_MM

    def _fit(self, line: Line, start_mm: float) -> Junction | None:
        part = self.fit.layout.slices()
        cortex = float(self.fit.theta[part[6]][0])
        per_hu = self.fit.prior.per_hu
        t = float(np.clip(start_mm, 0.3, _MOST_MM))
        p = np.array([t, 0.0, 0.0, 0.0, cortex])
        for _ in range(_ROUNDS):
            strip = self._strip(line, float(p[0]))
            if strip is None:
                return None
            x, z, grey = strip
            behind = float(np.median(grey[x > p[0] + 0.4])) if (x > p[0] + 0.4).any() else float(grey.min())
            centre = np.array([p[0], p[1], p[2], behind, cortex])
            sd = np.array([_PRIOR_SD_MM, _PRIOR_SLOPE, _PRIOR_BEND, 600 * per_hu, 60 * per_hu])
            limit = np.array([0.3, 0.2, 0.2, 400 * per_hu, 60 * per_hu])
            planes = 2 * _PLANES_MM / self.block.spacing_mm
            variance = self.fit.noise_outside**2 * self.fit.spread_outside / planes

            def model(q: Array, x: Array = x, z: Array = z) -> tuple[Array, Array]:
                return self._model(q, x, z, line)

            p, covariance = levenberg(model, grey, centre, sd, limit, variance)
        t = float(p[0])
        if not _LEAST_MM < t < _MOST_MM or not np.isfinite(p).all():
            return None
        inside = float(np.median(self.fit.layout.inside.basis(self.fit.curve.s_mm) @ self.fit.theta[part[5]]))
        step = max(float(p[4]) - inside, 100 * per_hu)
        rest = grey - self._model(p, x, z, line)[0]
        return Junction(
            t,
            float(np.sqrt(covariance[0, 0])),
            float((rest**2).mean()) / self.fit.noise_outside**2,
            float(p[4] - p[3]) / step,
        )

    def _strip(self, line: Line, thickness_mm: float) -> tuple[Array, Array, Array] | None:
        """Distance inwards from the outer surface, depth from the line, and grey value (N,) each."""
        b = self.block
        rows = np.flatnonzero(np.abs(b.depth_mm - line.depth_mm) <= _ROWS_MM)
        planes = np.abs(b.distal_mm) <= _PLANES_MM + 1e-9
        inward = line.outer_mm - line.sign * b.buccal_mm
        columns = np.flatnonzero((inward > -_OUTSIDE_MM) & (inward < thickness_mm + _BEHIND_MM))
        if len(rows) < 2 or len(columns) < 5:
            return None
        grey = b.values[np.ix_(rows, columns)][:, :, planes].mean(axis=2).astype(np.float64)
        if not np.isfinite(grey).all():
            return None
        x, z = np.broadcast_arrays(inward[columns], (b.depth_mm[rows] - line.depth_mm)[:, None])
        return x.ravel(), z.ravel(), grey.ravel()

    def _model(self, p: Array, x: Array, z: Array, line: Line) -> tuple[Array, Array]:
        """Values and Jacobian by thickness, its slope and half curvature, grey behind, grey of cortex."""
        t, slope, bend, behind, cortex = p
        # Inward distance of both surfaces from where the line meets the outer one, as functions of depth.
        outer = -line.outer_slope * z
        inner = outer + t + slope * z + bend * z**2
        tau1, tau2 = self._blur(line, -line.outer_slope), self._blur(line, slope - line.outer_slope)
        u1, u2 = np.clip((x - outer) / tau1, -_FAR, _FAR), np.clip((x - inner) / tau2, -_FAR, _FAR)
        p1, p2 = ndtr(u1), ndtr(u2)
        value = line.outside + (cortex - line.outside) * p1 - (cortex - behind) * p2
        by_t = (cortex - behind) * np.exp(-0.5 * u2**2) / (_ROOT_TWO_PI * tau2)
        return value, np.stack([by_t, by_t * z, by_t * z**2, p2, p1 - p2], axis=1)

    @cached_property
    def _blurs(self) -> tuple[float, float]:
        along, across = np.exp(self.fit.theta[self.fit.layout.slices()[7]])
        return float(along), float(across)

    def _blur(self, line: Line, slope: float) -> float:
        """SD of the blur along the line for a surface whose place changes by `slope` per mm of depth."""
        along, across = self._blurs
        length2 = 1 + slope**2
        share = (slope * self.slice_dir[0] + line.sign * self.slice_dir[1]) ** 2
        return float(np.sqrt(along**2 * max(length2 - share, 0.0) + across**2 * share))
