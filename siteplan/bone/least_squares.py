"""Levenberg-Marquardt with a normal prior and Huber weights, for problems of a dozen parameters."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_HUBER = 2.5


def levenberg(
    model: Callable[[Array], tuple[Array, Array]],
    data: Array,
    centre: Array,
    prior_sd: Array,
    limit: Array,
    variance: float | Array,
    iterations: int = 25,
    *,
    start: Array | None = None,
    penalty: Array | None = None,
) -> tuple[Array, Array]:
    """Fit `model` to `data` (N,).

    Args:
        model: values (N,) and Jacobian (N, P) at parameters (P,).
        centre, prior_sd: mean and SD of each parameter before the data; the fit starts at the mean.
            An infinite SD leaves a parameter free.
        limit: largest change of each parameter in one step.
        variance: variance of one datum, or of each (N,), times the number of data that share one piece of noise.
        start: (P,) other place to start from. penalty: (P, P) prior besides `prior_sd`, drawn to `centre` as well.

    Returns:
        Parameters (P,) and their covariance (P, P).
    """
    p = centre.copy() if start is None else start.copy()
    penalty = np.diag(1 / prior_sd**2) + (0.0 if penalty is None else penalty)
    damping = 1e-2
    value, jacobian = model(p)
    h = penalty
    for _ in range(iterations):
        r = data - value
        scale = 1.4826 * float(np.median(np.abs(r))) + 1e-6
        w = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(r), 1e-9)) / np.maximum(variance, scale**2)
        h = jacobian.T @ (jacobian * w[:, None]) + penalty
        g = jacobian.T @ (w * r) - penalty @ (p - centre)
        cost = w @ r**2 + (p - centre) @ penalty @ (p - centre)
        for _ in range(6):
            move = np.linalg.solve(h + damping * np.diag(np.diag(h)), g)
            trial = p + np.clip(move, -limit, limit)
            new_value, new_jacobian = model(trial)
            if w @ (data - new_value) ** 2 + (trial - centre) @ penalty @ (trial - centre) < cost:
                damping = max(damping / 5, 1e-8)
                break
            damping *= 6
        else:
            break
        small = bool((np.abs(trial - p) < 1e-3 * limit).all())
        p, value, jacobian = trial, new_value, new_jacobian
        if small:
            break
    return p, np.linalg.inv(h).astype(np.float64)
