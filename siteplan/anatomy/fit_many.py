"""The same small model fitted to many small data sets at once, with what is known beforehand (Gauss-Newton, damped).

Source of the method: damped least squares, Levenberg 1944 and Marquardt 1963; residuals beyond two standard deviations
count less (Huber PJ 1964); both from memory.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

Model = Callable[[Floats], tuple[Floats, Floats]]
"""Unknowns (N, Q) to residuals (N, P) = data - model, and the model's derivatives (N, P, Q)."""

_HUBER_SD = 2.0
_LEAST_NOISE = 0.02
"""Noise is never taken to be below this share of the spread of the data (our own)."""


@dataclass(frozen=True, eq=False)
class Known:
    """What is known of the unknowns beforehand: mean and standard deviation, (N, Q) each."""

    mean: Floats
    sd: Floats


@dataclass(frozen=True, eq=False)
class Fitted:
    """x, sd: (N, Q) values and standard deviations; noise: (N,) of the data; costs: (N,) residuals, outliers capped."""

    x: Floats
    sd: Floats
    noise: Floats
    costs: Floats

    @property
    def cost(self) -> float:
        """Of all data sets together."""
        return float(self.costs.sum())


def fit_many(
    model: Model,
    start: Floats,
    known: Known,
    good: NDArray[np.bool_],
    *,
    independent: float,
    low: Floats,
    high: Floats,
    trust: Callable[[Floats], Floats] | None = None,
    steps: int = 12,
) -> Fitted:
    """Fit N data sets of P values with Q unknowns each.

    Args:
        good: (N, P) which data count.
        independent: share of the P values that are independent samples of the noise (0 to 1).
        low, high: (Q,) bounds.
        trust: further weights (N, P) of the data, given the unknowns.
    """
    # Fewer data than unknowns fit exactly and would be believed without limit: what was known beforehand stays.
    good = good & (good.sum(axis=1) > start.shape[1])[:, None]
    x = np.clip(start, low, high)
    residual, jacobian = model(x)
    precision = 1 / known.sd**2
    least = _LEAST_NOISE * _spread_around_median(residual, good)
    damping = np.full(len(x), 1e-2)
    noise = np.maximum(_robust_sd(residual, good), least)
    hessian = np.empty((len(x), x.shape[1], x.shape[1]))
    for _ in range(steps):
        w = good.astype(np.float64) * np.minimum(1.0, _HUBER_SD / np.maximum(np.abs(residual) / noise[:, None], 1e-9))
        w = w * (independent / noise**2)[:, None] * (1.0 if trust is None else trust(x))
        weighted = jacobian * w[:, :, None]
        hessian = np.matmul(weighted.transpose(0, 2, 1), jacobian)
        gradient = np.matmul(weighted.transpose(0, 2, 1), residual[:, :, None])[..., 0] + precision * (known.mean - x)
        diagonal = np.arange(x.shape[1])
        hessian[:, diagonal, diagonal] += precision
        steep = hessian.copy()
        steep[:, diagonal, diagonal] *= 1 + damping[:, None]
        trial = np.clip(x + np.linalg.solve(steep, gradient[..., None])[..., 0], low, high)
        new_residual, new_jacobian = model(trial)
        before = (w * residual**2).sum(axis=1) + (precision * (x - known.mean) ** 2).sum(axis=1)
        after = (w * new_residual**2).sum(axis=1) + (precision * (trial - known.mean) ** 2).sum(axis=1)
        better = after < before
        x[better], residual[better], jacobian[better] = trial[better], new_residual[better], new_jacobian[better]
        damping = np.where(better, damping / 4, damping * 6)
        noise = np.maximum(_robust_sd(residual, good), least)
    # Unknowns in mm and in grey differ by orders of magnitude, which alone can make the inverse worthless.
    scale = np.sqrt(np.einsum("naa->na", hessian))
    sd = np.sqrt(np.einsum("naa->na", np.linalg.inv(hessian / (scale[:, :, None] * scale[:, None, :])))) / scale
    capped = np.minimum(residual**2, 9 * noise[:, None] ** 2)
    return Fitted(x, sd, noise, np.asarray((good * capped).sum(axis=1)))


def _robust_sd(residual: Floats, good: NDArray[np.bool_]) -> Floats:
    """(N,) standard deviation from the median of the absolute residuals (normal noise)."""
    size = np.abs(residual)
    if good.all():
        return np.asarray(np.median(size, axis=1) / 0.6745 + 1e-6)
    masked = np.where(good, size, np.nan)
    masked[~good.any(axis=1)] = 1.0
    return np.asarray(np.nanmedian(masked, axis=1) / 0.6745 + 1e-6)


def _spread_around_median(residual: Floats, good: NDArray[np.bool_]) -> Floats:
    count = np.maximum(good.sum(axis=1), 1)
    mean = (good * residual).sum(axis=1) / count
    return np.asarray(np.sqrt((good * (residual - mean[:, None]) ** 2).sum(axis=1) / count) + 1e-6)
