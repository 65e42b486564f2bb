"""A straight profile through layers (bone, plate, lining, air; or dentine, ligament, bone), fitted below the voxel.

    grey(t) = level[0] + sum over k of (level[k + 1] - level[k]) * Phi((t - edge[k]) / blur)

with Phi the normal distribution function: every edge is a step blurred by the same Gaussian. One edge is the wanted
one; the others are given by the thickness of the layers between.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from siteplan.anatomy.fit_many import Fitted, Known, fit_many

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Layer:
    """What is known of one layer: its level in grey, and its thickness in mm (None for the first and last)."""

    level: float
    level_sd: float
    thick_mm: float | None = None
    thick_sd_mm: float = 0.0
    thick_range_mm: tuple[float, float] = (0.02, 4.0)


@dataclass(frozen=True, eq=False)
class LayerFit:
    """edge_mm: (N,) of the wanted edge; thick_mm: (N, L - 2); level: (N, L); *_sd: their standard deviations.

    costs: (N,) squared residuals, outliers capped; cost: their sum.
    """

    edge_mm: Floats
    edge_sd_mm: Floats
    thick_mm: Floats
    thick_sd_mm: Floats
    level: Floats
    level_sd: Floats
    noise: Floats
    costs: Floats

    @property
    def cost(self) -> float:
        """Of all profiles together."""
        return float(self.costs.sum())


def fit_layers(
    t_mm: Floats,
    profiles: Floats,
    layers: tuple[Layer, ...],
    wanted: int,
    blur_mm: float,
    *,
    independent_mm: float,
    edge_mm: Floats | float = 0.0,
    edge_sd_mm: float = 1.0,
) -> LayerFit:
    """Fit all profiles (N, P), sampled at t_mm (P,), to the same layers.

    Args:
        wanted: which edge (0 to L - 2) is fitted directly; `edge_mm` is where to start, `edge_sd_mm` how far it may go.
        independent_mm: length of profile that counts as one independent sample of the noise.
    """
    n, count = len(profiles), len(layers)
    inner = layers[1:-1]
    start = np.zeros((n, 1 + len(inner) + count))
    start[:, 0] = edge_mm
    start[:, 1 : 1 + len(inner)] = [layer.thick_mm for layer in inner]
    start[:, 1 + len(inner) :] = [layer.level for layer in layers]
    sd = np.concatenate([[edge_sd_mm], [layer.thick_sd_mm for layer in inner], [layer.level_sd for layer in layers]])
    free = np.full(count, np.inf)
    low = np.concatenate([[-np.inf], [layer.thick_range_mm[0] for layer in inner], -free])
    high = np.concatenate([[np.inf], [layer.thick_range_mm[1] for layer in inner], free])
    good = np.isfinite(profiles)
    data = np.nan_to_num(profiles)
    step = float(t_mm[1] - t_mm[0])
    fitted = fit_many(
        lambda x: _model(t_mm, data, x, count, wanted, blur_mm),
        start,
        Known(start.copy(), np.broadcast_to(sd, start.shape)),
        good,
        independent=min(step / independent_mm, 1.0),
        low=low,
        high=high,
        steps=15,
    )
    return _result(fitted, len(inner))


def _model(t: Floats, data: Floats, x: Floats, count: int, wanted: int, blur: float) -> tuple[Floats, Floats]:
    inner = count - 2
    thick, level = x[:, 1 : 1 + inner], x[:, 1 + inner :]
    reach = np.concatenate([np.zeros((len(x), 1)), np.cumsum(thick, axis=1)], axis=1)
    edges = x[:, :1] + reach - reach[:, wanted : wanted + 1]
    z = (t[None, :, None] - edges[:, None, :]) / blur
    step = ndtr(z)
    bell = np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * blur)
    by_edge = -bell * np.diff(level, axis=1)[:, None, :]
    share = np.concatenate([np.ones((*step.shape[:2], 1)), step], axis=2) - np.concatenate(
        [step, np.zeros((*step.shape[:2], 1))], axis=2
    )
    model = (share * level[:, None, :]).sum(axis=2)
    columns = [by_edge.sum(axis=2)]
    for k in range(inner):
        # Edge j moves with thickness k when k lies between it and the wanted edge.
        sign = np.array([1.0 if wanted <= k < j else -1.0 if j <= k < wanted else 0.0 for j in range(count - 1)])
        columns.append((by_edge * sign).sum(axis=2))
    return data - model, np.concatenate([np.stack(columns, axis=-1), share], axis=-1)


def _result(f: Fitted, inner: int) -> LayerFit:
    return LayerFit(
        edge_mm=f.x[:, 0],
        edge_sd_mm=f.sd[:, 0],
        thick_mm=f.x[:, 1 : 1 + inner],
        thick_sd_mm=f.sd[:, 1 : 1 + inner],
        level=f.x[:, 1 + inner :],
        level_sd=f.sd[:, 1 + inner :],
        noise=f.noise,
        costs=f.costs,
    )
