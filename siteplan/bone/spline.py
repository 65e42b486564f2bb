"""Uniform cubic B-splines on an interval: smooth functions of arc length with few coefficients."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spline:
    """`count` coefficients over [0, length]; `count` >= 4, knots evenly spaced."""

    length: float
    count: int

    @classmethod
    def spaced(cls, length: float, spacing: float) -> "Spline":
        """Knots about `spacing` apart."""
        return cls(length, max(round(length / spacing), 1) + 3)

    @property
    def spacing(self) -> float:
        """Distance between knots."""
        return self.length / (self.count - 3)

    def basis(self, s: Array) -> Array:
        """(N, count) values of the basis functions at positions `s` (N,), held constant beyond the ends."""
        u = np.clip(np.asarray(s, dtype=np.float64), 0, self.length) / self.spacing
        first = np.clip(np.floor(u).astype(np.int64), 0, self.count - 4)
        f = u - first
        weights = np.stack([(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3], axis=1) / 6
        out = np.zeros((len(u), self.count))
        rows = np.arange(len(u))
        for k in range(4):
            out[rows, first + k] += weights[:, k]
        return out

    def bending(self, order: int = 2) -> Array:
        """(R, count) differences of the coefficients, per mm to the power `order`."""
        return np.diff(np.eye(self.count), n=order, axis=0) / self.spacing**order
