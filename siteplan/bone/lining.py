"""Soft lining between a floor plate and the air of a cavity, for the fit in `floor_fit`.

A sinus has a lining of 0.3 to 2 mm and more (from memory). Left out of the model, its soft tissue is taken for bone.
The term is a further step, from soft tissue to air, blurred as the others; its surface is a paraboloid of its own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

LINING_PARAMETERS = 7
"""Log thickness on the axis, air's grey level, and the thickness's slopes (b, m) and half curvatures (bb, mm, bm)."""
TRIED_MM = ((0.15, 0.4), (0.4, 0.35), (1.0, 0.35))
"""Thicknesses tried, and the SD of log thickness around each: together they cover 0.1 to 2 mm."""
SEEN_SD = 0.15
"""SD of log thickness of a lining that is seen on the profile (our own)."""
_UNEVEN = (0.2, 0.2, 0.08, 0.08, 0.08)
"""SD of slopes and half curvatures of its thickness per mm of thickness: a thin lining is an even one (our own)."""
_LEVEL_SHARE = 0.08
"""Soft tissue and air at the site may differ from the scan's by this share of the step between them (our own)."""
_LEAST_SHARE = 0.1
"""A slanting lining keeps at least this share of its thickness at the rim of the disc."""
_FAR = 7.0


@dataclass(frozen=True, eq=False)
class LiningPrior:
    """Prior of the lining's own parameters (LINING_PARAMETERS,), and the SD of soft tissue's level."""

    soft_sd: float
    centre: Array
    prior_sd: Array
    limit: Array


def lining_prior(thick_mm: float, log_sd: float, air: float, step: float) -> LiningPrior:
    """Prior of a lining of about `thick_mm` under air of grey level `air`."""
    level = _LEVEL_SHARE * step
    return LiningPrior(
        level,
        np.array([np.log(thick_mm), air, *[0.0] * 5]),
        np.array([log_sd, level, *(thick_mm * x for x in _UNEVEN)]),
        np.array([0.3, 0.2 * step, *[0.1] * 5]),
    )


@dataclass(frozen=True, eq=False)
class AirStep:
    """The step's values (N,) and derivatives by depth below the plate, soft level, blur and its own parameters."""

    value: Array
    by_depth: Array
    by_soft: Array
    by_tau: Array
    by_own: Array


def air_step(own: Array, soft: float, below: Array, design: Array, tau: Array) -> AirStep:
    """The step from lining to air at `below` mm (N,) under the plate's lower surface.

    Args:
        own: (LINING_PARAMETERS,). design: (N, 6) the paraboloid's terms 1, b, m, bb, mm, bm. tau: (N,) blur SD.
    """
    thick = float(np.exp(own[0]))
    raw = thick + design[:, 1:] @ own[2:]
    free = raw > _LEAST_SHARE * thick
    u = np.clip((below - np.where(free, raw, _LEAST_SHARE * thick)) / tau, -_FAR, _FAR)
    share = ndtr(u)
    fall = float(own[1]) - soft
    by_depth = fall * np.exp(-0.5 * u**2) / (np.sqrt(2 * np.pi) * tau)
    by_own = np.empty((len(below), LINING_PARAMETERS))
    by_own[:, 0] = -by_depth * np.where(free, thick, _LEAST_SHARE * thick)
    by_own[:, 1] = share
    by_own[:, 2:] = -(by_depth * free)[:, None] * design[:, 1:]
    return AirStep(fall * share, by_depth, -share, -by_depth * u, by_own)


def log_evidence(residual: Array, off_prior: Array, covariance: Array, prior_sd: Array, variance: float) -> float:
    """Laplace's approximation to the log probability of the data under a model, up to what models share.

    Args:
        residual: (N,) data minus model. off_prior: (P,) distance from the prior's mean in its SD. covariance: (P, P).
        prior_sd: (P,). variance: of one datum, times the data that share one piece of noise.
    """
    bound = 2.5 * np.sqrt(variance)
    r = np.abs(residual)
    misfit = np.where(r <= bound, r**2, 2 * bound * r - bound**2).sum() / variance
    _, log_det = np.linalg.slogdet(covariance)
    return float(-0.5 * (misfit + off_prior @ off_prior) + 0.5 * log_det - np.log(prior_sd).sum())
