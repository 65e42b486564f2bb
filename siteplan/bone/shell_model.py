"""Forward model of the bone's shell in a scan: outside, cortex and inside, each even, blurred together.

With x the distance into the bone from the outer surface, t the cortex thickness and tau the blur,

    v = O + (C - O) P((x - a) / tau) - (C - I) P((x - t - b) / tau),      P = normal distribution function,

the model of Treece et al. 2010 (Med Image Anal 14:276-290), here fitted to all voxels beside the surface at once
rather than profile by profile. a and b = curvature * tau^2 / 2 are the shifts of a curved edge under blur: a disc of
radius R blurred by a narrow Gaussian of standard deviation tau reads half height at R - tau^2 / (2 R). Real blur is no
bell curve: its excess kurtosis enters by the next term of the Edgeworth series, P - excess / 24 * He3 * bell.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

_ROOT_TWO_PI = float(np.sqrt(2 * np.pi))
_FAR = 7.0
"""Beyond this many SD an edge is not felt; the cut also keeps denormal numbers, which are slow, out of the sums."""
_LEAST_BEND_SHARE = 0.25
"""The inner surface's curvature is limited where its centre comes close."""


@dataclass(frozen=True, eq=False)
class ShellState:
    """Values of the model's functions at N voxels.

    Attributes:
        x: (N,) distance into the bone from the current outer surface, mm. t: (N,) cortex thickness.
        outside, inside: (N,) grey levels. cortex: grey level of cortex. tau: (N,) blur SD along x.
        bend: (N,) curvature of the outer surface, 1/mm. excess: (N,) excess kurtosis of the blur, 0 = a bell curve.
    """

    x: Array
    t: Array
    outside: Array
    inside: Array
    cortex: Array | float
    tau: Array
    bend: Array
    excess: Array | float = 0.0


@dataclass(frozen=True, eq=False)
class ShellValues:
    """Model values (N,) and their derivatives by each function's local value."""

    value: Array
    by_edge: Array
    by_t: Array
    by_outside: Array
    by_inside: Array
    by_cortex: Array
    by_tau: Array
    into_bone: Array
    into_inside: Array


def shell(state: ShellState) -> ShellValues:
    """Evaluate model and derivatives."""
    s = state
    bend_inside = s.bend / np.maximum(1 - s.bend * s.t, _LEAST_BEND_SHARE)
    u1 = np.clip((s.x - s.bend * s.tau**2 / 2) / s.tau, -_FAR, _FAR)
    u2 = np.clip((s.x - s.t - bend_inside * s.tau**2 / 2) / s.tau, -_FAR, _FAR)
    (p1, q1), (p2, q2) = _blurred(u1, s.tau, s.excess), _blurred(u2, s.tau, s.excess)
    rise, fall = s.cortex - s.outside, s.cortex - s.inside
    return ShellValues(
        value=s.outside + rise * p1 - fall * p2,
        by_edge=-rise * q1 + fall * q2,
        by_t=fall * q2,
        by_outside=1 - p1,
        by_inside=p2,
        by_cortex=p1 - p2,
        by_tau=-rise * q1 * (u1 + s.bend * s.tau) + fall * q2 * (u2 + bend_inside * s.tau),
        into_bone=p1,
        into_inside=p2,
    )


def _blurred(u: Array, tau: Array, excess: Array | float) -> tuple[Array, Array]:
    """Blurred unit step and its slope: bell curve and the fourth term of the Edgeworth series."""
    step, bell = ndtr(u), np.exp(-0.5 * u**2) / _ROOT_TWO_PI
    if isinstance(excess, float):
        return step, bell / tau
    u2 = u**2
    return step - excess / 24 * u * (u2 - 3) * bell, bell / tau * (1 + excess / 24 * (u2 * (u2 - 6) + 3))
