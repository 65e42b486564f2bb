"""Joint fit of the shell model to all voxels beside a site's outer surface.

One least-squares problem per site: position of the surface (along the curve and from plane to plane), cortex
thickness, grey levels outside and inside as smooth functions of arc length, one grey level of cortex, and the blur
along and across slices. Levenberg-Marquardt on the normal equations; noise differs outside and inside the bone
and is correlated between voxels, both estimated from the residuals.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfftn, next_fast_len, rfftn
from scipy.ndimage import gaussian_filter1d

from siteplan.bone.outline import Cells, Curve
from siteplan.bone.shell_layout import Layout, edge_bend
from siteplan.bone.shell_model import ShellState, ShellValues, shell
from siteplan.bone.spline import Spline
from siteplan.bone.wings import excess_kurtosis

Array = NDArray[np.float64]

_MISFIT_REACH_MM = 0.6
_SHARED_INSIDE = 12.0
"""Voxels of marrow that share one piece of noise: grain with an SD of 0.2 mm in voxels of 0.3 mm gives 13, which is
(2 sqrt(pi) 0.2 / 0.3)^3, noise of the detector less. What the residuals of one site say of it scatters by a factor of
three, so it is taken half way to this in logarithms: where it came out at 2, intervals were too narrow (from simulated
jaws)."""
_LOOSE = 25.0
_HUBER = 2.5
"""Residuals beyond this many SD count less: teeth, canals and air near the band are not the model's business."""


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known before the fit: mean and SD of each global quantity, and how rough the functions may be.

    Attributes:
        cortex, cortex_sd: grey level of dense cortex. blur_xy, blur_z: blur SD in mm along and across slices with
            `blur_sd_share`, the relative SD of each.
        tilt_bend, log_t_bend: SD of the second derivative of log thickness (1/mm^2), and four times that of the edge's
            tilt from plane to plane.
        level_bend: SD of the second derivative of grey levels, grey per mm^2.
        log_t_sd: SD of log thickness about its start value; weak.
        cortex_local_sd: SD of the local grey level of cortex about the shared one: what scatter and hardening leave.
        loose: stretches of arc length (from, to) along which the inside level may change abruptly (air near the plate).
        per_hu, voxel_mm: grey per provisional HU, and voxel edge in slices; carried along for later corrections.
    """

    cortex: float
    cortex_sd: float
    blur_xy: float
    blur_z: float
    blur_xy_sd: float
    blur_z_sd: float
    tilt_bend: float = 0.08
    log_t_bend: float = 0.08
    level_bend: float = 15.0
    inside_bend: float = 25.0
    log_t_sd: float = 1.2
    cortex_local_sd: float = 15.0
    loose: tuple[tuple[float, float], ...] = ()
    per_hu: float = 1.0
    voxel_mm: float = 0.25


@dataclass(frozen=True, eq=False)
class Voxels:
    """The data of a fit: cells of the section times planes along the arch.

    Attributes:
        cells: where each cell lies beside the curve. plane_mm: (M,) distal position of each plane.
        grey: (N, M) values. known: (N, M) which of them exist.
    """

    cells: Cells
    plane_mm: Array
    grey: Array
    known: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class ShellFit:
    """Result: the curve it refers to, parameters, their covariance, and what the residuals say.

    Attributes:
        theta: (P,) parameters in the order of `Layout`. covariance: (P, P).
        local_misfit: (P,) the same near each point of the curve.
        noise_outside, noise_inside: SD of single voxels. spread_outside, spread_inside: how many voxels share
            one independent piece of noise. misfit: mean squared residual in units of the noise.
    """

    curve: Curve
    layout: Layout
    prior: Prior
    theta: Array
    covariance: Array
    noise_outside: float
    noise_inside: float
    spread_outside: float
    spread_inside: float
    misfit: float
    local_misfit: Array


class Problem:
    """The fit of one site: bases evaluated once, then solved by `solve`."""

    def __init__(
        self, curve: Curve, voxels: Voxels, layout: Layout, prior: Prior, slice_dir: Array, n_dir: Array
    ) -> None:
        """Set up.

        Args:
            slice_dir: (3,) slice normal of the scan in block directions (depth, buccal, distal).
            n_dir: (N, 2) in-plane normal at each cell (depth, buccal).
        """
        self.curve, self.voxels, self.layout, self.prior = curve, voxels, layout, prior
        s = voxels.cells.s_mm
        self.b_edge, self.b_tilt, self.b_cortex = layout.edge.basis(s), layout.tilt.basis(s), layout.cortex.basis(s)
        self.b_t, self.b_out, self.b_in = layout.thickness.basis(s), layout.outside.basis(s), layout.inside.basis(s)
        self.bend = np.clip(np.interp(s, curve.s_mm, curve.curvature), -1.0, 1.0)
        self.m = voxels.plane_mm
        self.n_dir, self.slice_dir, self.parts = n_dir, slice_dir, layout.slices()
        blur = (prior.blur_xy, prior.blur_z)
        self.excess = self._over_planes(excess_kurtosis(n_dir @ slice_dir[:2], blur, prior.voxel_mm))
        self.penalty, self.centre = self._prior_terms()

    def _prior_terms(self) -> tuple[Array, Array]:
        """Quadratic prior as a matrix and the vector it pulls towards."""
        p, lay = self.prior, self.layout
        total = sum(lay.sizes)
        penalty, centre = np.zeros((total, total)), np.zeros(total)
        edge, tilt, bow, thick, out, inn, cortex, blur, local = self.parts

        def smooth(part: slice, spline: Spline, sd: float, loose: tuple[tuple[float, float], ...] = ()) -> None:
            d = spline.bending() * np.sqrt(spline.spacing) / sd
            # Row r of the differences is centred on knot r, at arc length r * spacing.
            where = np.arange(len(d)) * spline.spacing
            for low, high in loose:
                d[(where > low - spline.spacing) & (where < high + spline.spacing)] /= _LOOSE
            penalty[part, part] += d.T @ d

        smooth(edge, lay.edge, edge_bend(p.blur_xy))
        smooth(tilt, lay.tilt, p.tilt_bend / 4)
        smooth(bow, lay.tilt, p.tilt_bend / 8)
        smooth(thick, lay.thickness, p.log_t_bend)
        smooth(out, lay.outside, p.level_bend)
        smooth(inn, lay.inside, p.inside_bend, p.loose)
        penalty[edge, edge] += np.eye(lay.edge.count) / 1.0**2
        penalty[tilt, tilt] += np.eye(lay.tilt.count) / 0.3**2
        penalty[bow, bow] += np.eye(lay.tilt.count) / 0.03**2
        penalty[thick, thick] += np.eye(lay.thickness.count) / p.log_t_sd**2
        penalty[cortex, cortex] += 1 / p.cortex_sd**2
        centre[cortex] = p.cortex
        penalty[blur, blur] += np.diag([1 / p.blur_xy_sd**2, 1 / p.blur_z_sd**2])
        centre[blur] = np.log([p.blur_xy, p.blur_z])
        penalty[local, local] += np.eye(lay.cortex.count) / p.cortex_local_sd**2
        smooth(local, lay.cortex, p.cortex_local_sd / 8)
        return penalty, centre

    def state(self, theta: Array) -> tuple[ShellState, Array]:
        """Functions at all voxels (flattened N x M), and d tau / d log blur (2, N*M)."""
        edge, tilt, bow, thick, out, inn, cortex, blur, local = self.parts
        slope = self.b_tilt @ theta[tilt]
        curl = self.b_tilt @ theta[bow]
        e = (self.b_edge @ theta[edge])[:, None] + slope[:, None] * self.m + curl[:, None] * self.m**2
        # Surface normal in 3D: in-plane normal minus the slope from plane to plane.
        steep = slope[:, None] + 2 * curl[:, None] * self.m
        across = (self.n_dir @ self.slice_dir[:2])[:, None] - steep * self.slice_dir[2]
        length2 = 1 + steep**2
        var_xy, var_z = np.exp(2 * theta[blur])
        share_z = across**2
        tau2 = var_xy * (length2 - share_z) + var_z * share_z
        tau = np.sqrt(tau2)
        d_tau = np.stack([(var_xy * (length2 - share_z) / tau).ravel(), (var_z * share_z / tau).ravel()])
        state = ShellState(
            x=(self.voxels.cells.distance_mm[:, None] - e).ravel(),
            t=self._over_planes(np.exp(self.b_t @ theta[thick])),
            outside=self._over_planes(self.b_out @ theta[out]),
            inside=self._over_planes(self.b_in @ theta[inn]),
            cortex=self._over_planes(theta[cortex][0] + self.b_cortex @ theta[local]),
            tau=tau.ravel(),
            bend=self._over_planes(self.bend),
            excess=self.excess,
        )
        return state, d_tau

    def _over_planes(self, per_cell: Array) -> Array:
        """(N*M,) values of cells (N,), the same in every plane."""
        return np.repeat(per_cell, len(self.m))

    def normal_equations(self, theta: Array, weight: Array) -> tuple[Array, Array, Array, ShellValues]:
        """J'WJ, J'Wr without prior, residuals (N*M,) and model values. `weight` (N*M,)."""
        state, d_tau = self.state(theta)
        v = shell(state)
        r = np.where(self.voxels.known.ravel(), self.voxels.grey.ravel() - v.value, 0.0)
        n, m = len(self.voxels.cells.s_mm), len(self.m)
        # Columns that depend on the plane only through powers of m are contracted over planes first.
        base = [v.by_edge, v.by_edge * np.tile(self.m, n), v.by_edge * np.tile(self.m**2, n)]
        base += [v.by_t * state.t, v.by_outside, v.by_inside, v.by_cortex, v.by_tau * d_tau[0], v.by_tau * d_tau[1]]
        base += [v.by_cortex]
        local = np.stack(base).reshape(10, n, m)
        w = weight.reshape(n, m)
        pair = np.einsum("anm,bnm->abn", local * w, local, optimize=True)
        pull = np.einsum("anm,nm->an", local, w * r.reshape(n, m))
        bases = (
            [self.b_edge, self.b_tilt, self.b_tilt, self.b_t, self.b_out, self.b_in]
            + [np.ones((n, 1))] * 3
            + [self.b_cortex]
        )
        ends = np.cumsum([0, *(b.shape[1] for b in bases)])
        total = int(ends[-1])
        h, g = np.zeros((total, total)), np.zeros(total)
        for a in range(10):
            g[ends[a] : ends[a + 1]] = bases[a].T @ pull[a]
            for b in range(a, 10):
                block = bases[a].T @ (bases[b] * pair[a, b][:, None])
                h[ends[a] : ends[a + 1], ends[b] : ends[b + 1]] = block
                h[ends[b] : ends[b + 1], ends[a] : ends[a + 1]] = block.T
        return h, g, r, v


def solve(
    problem: Problem, start: Array, noise: tuple[float, float], iterations: int = 12, final: bool = True
) -> ShellFit:
    """Levenberg-Marquardt from `start`; noise and its correlation are re-estimated on the way.

    Args:
        noise: first guess of the SD of single voxels outside and inside bone.
    """
    theta = start.copy()
    known = problem.voxels.known.ravel()
    sd_out, sd_in, spread_out, spread_in = noise[0], noise[1], 4.0, 8.0
    damping = 1e-3
    cost = np.inf
    weight = known.astype(float) / (sd_out**2 * spread_out)
    h, g, r, v = problem.normal_equations(theta, weight)
    for step in range(iterations):
        if step in (0, 2, 5):
            sd_out, sd_in, spread_out, spread_in = _noise(problem, r, v, known, final and step > 0)
            sd = sd_out + (sd_in - sd_out) * v.into_inside
            spread = spread_out + (spread_in - spread_out) * v.into_inside
            robust = np.minimum(1.0, _HUBER * sd / np.maximum(np.abs(r), 1e-9))
            if final and step > 0:
                # Near the answer what does not fit (a sinus floor that joins the plate) loses nearly all its pull.
                robust = robust**2
            weight = known * robust / (sd**2 * spread)
            h, g, r, v = problem.normal_equations(theta, weight)
            cost = _cost(problem, theta, r, weight)
        away = theta - problem.centre
        a = h + problem.penalty
        b = g - problem.penalty @ away
        for _ in range(6):
            move = np.linalg.solve(a + damping * np.diag(np.diag(a)), b)
            trial = theta + np.clip(move, -_limits(problem), _limits(problem))
            h2, g2, r2, v2 = problem.normal_equations(trial, weight)
            new = _cost(problem, trial, r2, weight)
            if new <= cost:
                damping = max(damping / 6, 1e-9)
                break
            damping *= 8
        else:
            break
        gain = cost - new
        theta, h, g, r, v, cost = trial, h2, g2, r2, v2, new
        if step > 5 and gain < 1e-3 * max(cost, 1.0) * 0.01:
            break
    covariance: Array = np.linalg.inv(h + problem.penalty).astype(np.float64)
    score = np.where(known, (r / (sd_out + (sd_in - sd_out) * v.into_inside)) ** 2, np.nan).reshape(
        problem.voxels.known.shape
    )
    return ShellFit(
        problem.curve,
        problem.layout,
        problem.prior,
        theta,
        covariance,
        sd_out,
        sd_in,
        spread_out,
        spread_in,
        float(np.nanmean(score)),
        _local_misfit(problem, score),
    )


def _local_misfit(problem: Problem, score: Array) -> Array:
    """(P,) mean squared normalised residual within about a millimetre of each point of the curve."""
    curve, s = problem.curve, problem.voxels.cells.s_mm
    bins = np.clip((s / curve.length_mm * len(curve.s_mm)).astype(np.int64), 0, len(curve.s_mm) - 1)
    each, count = np.nansum(score, axis=1), np.isfinite(score).sum(axis=1)
    total = np.bincount(bins, each, len(curve.s_mm))
    number = np.bincount(bins, count, len(curve.s_mm))
    width = _MISFIT_REACH_MM / float(curve.s_mm[1])
    smooth: Array = gaussian_filter1d(total, width, mode="nearest") / np.maximum(
        gaussian_filter1d(number.astype(float), width, mode="nearest"), 1e-9
    )
    return smooth


def _limits(problem: Problem) -> Array:
    """Largest single step per parameter: keeps the fit from jumping to another surface."""
    edge, tilt, bow, thick, _, _, _, blur, _ = problem.parts
    limit = np.full(sum(problem.layout.sizes), np.inf)
    limit[edge], limit[tilt], limit[bow], limit[thick], limit[blur] = 0.4, 0.2, 0.05, 0.5, 0.2
    return limit


def _cost(problem: Problem, theta: Array, r: Array, weight: Array) -> float:
    away = theta - problem.centre
    return float(weight @ r**2 + away @ problem.penalty @ away)


def _noise(
    problem: Problem, r: Array, v: ShellValues, known: NDArray[np.bool_], correlation: bool
) -> tuple[float, float, float, float]:
    """SD outside (with cortex) and inside, and how many voxels share one independent piece of noise there."""
    outer, inner = known & (v.into_inside < 0.1), known & (v.into_inside > 0.8)
    result = []
    for where in (outer, inner):
        if where.sum() < 100:
            result.append((float(np.std(r[known])), 6.0))
            continue
        sd = 1.4826 * float(np.median(np.abs(r[where])))
        result.append((max(sd, 1e-6), _shared(problem, r, where, sd) if correlation else 5.0))
    shared_inside = float(np.sqrt(result[1][1] * _SHARED_INSIDE)) if correlation else result[1][1]
    return result[0][0], result[1][0], result[0][1], shared_inside


def _shared(problem: Problem, r: Array, where: NDArray[np.bool_], sd: float) -> float:
    """Sum of the residuals' autocorrelation over lags of up to about a millimetre in all three directions."""
    n, m = problem.voxels.known.shape
    cells = problem.voxels.cells
    rows, cols = cells.row - cells.row.min(), cells.column - cells.column.min()
    shape = (int(rows.max()) + 1, int(cols.max()) + 1, m)
    field, mask = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    good = (where & (np.abs(r) < 4 * sd)).reshape(n, m)
    field[rows, cols] = np.where(good, r.reshape(n, m), 0.0)
    mask[rows, cols] = good
    lag = 3
    size = [next_fast_len(a + 2 * lag, real=True) for a in shape]
    f, k = rfftn(field, size), rfftn(mask, size)
    auto, count = irfftn(np.abs(f) ** 2, size), irfftn(np.abs(k) ** 2, size)
    index = np.arange(-lag, lag + 1)
    window = np.ix_(index, index, index)
    covariance = auto[window] / np.maximum(count[window], 1.0)
    rho = covariance / covariance[lag, lag, lag]
    return float(np.clip(rho[count[window] > 50].sum(), 2.0, 60.0))
