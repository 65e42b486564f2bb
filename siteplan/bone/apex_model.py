"""Forward model of a narrow crest: both surfaces of its cortex as heights, blurred in two directions together.

The shell model looks along one normal at a time and corrects for one curvature. On a knife edge two slanted surfaces
meet within the blur, cortex is a wedge and no single normal describes it. Here the section is what it is: with o(b)
and i(b) the depths at which the outer and the inner surface lie at buccal position b,

    v(z, b) = sum over b' of g(b - b') [O + (C - O) P((z - o(b')) / tau_z) - (C - I) P((z - i(b')) / tau_z)],

P the normal distribution function and g a bell curve of SD tau_b. That is the exact blur of the section by a Gaussian,
up to the steps in b' and to what little blur in z and in b go together (scans much blunter across slices than along
them, and an axis tilted to these). From plane to plane along the arch the section moves by two slopes.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

_ROOT_TWO_PI = float(np.sqrt(2 * np.pi))
_FAR = 7.0
GLOBALS = 6
"""Parameters after those of the two surfaces: slope of depth and of buccal position per mm along the arch, grey
outside, of cortex and inside, log of the blur over what the site's fit found."""


@dataclass(frozen=True, eq=False)
class ApexModel:
    """Values and Jacobian of the model on a grid.

    Attributes:
        z, b, m: (R,), (C,), (M,) depth, buccal and distal position of rows, columns and planes.
        fine_b: (J,) positions b' at which the surfaces are taken, evenly spaced and reaching past the columns.
        outer, inner: (J, P) spline bases of the two surfaces there.
        spread: (3, 3) covariance of the blur in depth, buccal and distal direction, mm^2.
    """

    z: Array
    b: Array
    m: Array
    fine_b: Array
    outer: Array
    inner: Array
    spread: Array

    @property
    def parts(self) -> tuple[slice, slice, int]:
        """Coefficients of the outer and of the inner surface, and where the other parameters begin."""
        first, second = self.outer.shape[1], self.inner.shape[1]
        return slice(0, first), slice(first, first + second), first + second

    def evaluate(self, p: Array) -> tuple[Array, Array, Array]:
        """Values (R, C, M), Jacobian (R, C, M, P) and the share of what lies inside the inner surface (R, C, M)."""
        of_outer, of_inner, first = self.parts
        along, aside, soft, cortex, inside, log_blur = p[first:]
        moved = np.array([[1, 0, -along], [0, 1, -aside]])
        spread = moved @ self.spread @ moved.T
        tau_z, tau_b = np.exp(log_blur) * np.sqrt(np.diag(spread))
        # A steeper course along the arch brings blur from that direction into the section: d log tau / d slope.
        of_along, of_aside = -(moved @ self.spread)[:, 2] / np.diag(spread)
        rise, fall = cortex - soft, cortex - inside
        o, i = self.outer @ p[of_outer], self.inner @ p[of_inner]
        shape = (len(self.z), len(self.b), len(self.m))
        value, within = np.empty(shape), np.empty(shape)
        jacobian = np.empty((*shape, first + GLOBALS))
        for k, m in enumerate(self.m):
            across = (self.b - aside * m)[:, None] - self.fine_b
            weight = np.exp(-0.5 * (across / tau_b) ** 2)
            weight /= weight.sum(axis=1, keepdims=True)
            by_place = -across / tau_b**2 * weight
            by_place -= weight * by_place.sum(axis=1, keepdims=True)
            by_width = (across / tau_b) ** 2 * weight
            by_width -= weight * by_width.sum(axis=1, keepdims=True)
            depth = (self.z - along * m)[:, None]
            u1, u2 = (np.clip((depth - x) / tau_z, -_FAR, _FAR) for x in (o, i))
            p1, p2 = ndtr(u1), ndtr(u2)
            q1, q2 = (np.exp(-0.5 * u**2) / (_ROOT_TWO_PI * tau_z) for u in (u1, u2))
            solid, core = p1 @ weight.T, p2 @ weight.T
            here = jacobian[:, :, k]
            value[:, :, k] = soft + rise * solid - fall * core
            within[:, :, k] = core
            here[:, :, of_outer] = -rise * _spread_over(q1, weight, self.outer)
            here[:, :, of_inner] = fall * _spread_over(q2, weight, self.inner)
            by_tau_z = fall * ((q2 * u2 * tau_z) @ weight.T) - rise * ((q1 * u1 * tau_z) @ weight.T)
            by_tau_b = rise * (p1 @ by_width.T) - fall * (p2 @ by_width.T)
            here[:, :, first] = -m * (rise * (q1 @ weight.T) - fall * (q2 @ weight.T)) + of_along * by_tau_z
            here[:, :, first + 1] = -m * (rise * (p1 @ by_place.T) - fall * (p2 @ by_place.T)) + of_aside * by_tau_b
            here[:, :, first + 2], here[:, :, first + 3], here[:, :, first + 4] = 1 - solid, solid - core, core
            here[:, :, first + 5] = by_tau_z + by_tau_b
        return value, jacobian, within


def _spread_over(density: Array, weight: Array, basis: Array) -> Array:
    """(R, C, P) sums over fine positions: (R, J) densities, (C, J) weights, (J, P) basis."""
    both = weight.T[:, :, None] * basis[:, None, :]
    out: Array = (density @ both.reshape(len(basis), -1)).reshape(len(density), len(weight), basis.shape[1])
    return out
