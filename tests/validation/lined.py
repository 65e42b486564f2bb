"""A jaw under a sinus whose floor carries soft lining: even, slanting, in part only, as a dome, or none at all."""

from dataclasses import dataclass

import numpy as np

from tests.validation.jaw import CAVITY, CORTEX, LINING, Array, Jaw

_RAMP_MM = 0.8
"""A lining that covers a part of the floor runs out over this length."""


@dataclass(frozen=True)
class LinedJaw(Jaw):
    """Thickness of the lining at (s, u): `lining_mm`, sloping by `slant` along s and u, never below zero.

    part: (direction in the plane of s and u, place along it) beyond which there is no lining. dome: (s, u, radius,
    height) of a further swelling.
    """

    lining_mm: float = 0.0
    slant: tuple[float, float] = (0.0, 0.0)
    part: tuple[float, float] | None = None
    dome: tuple[float, float, float, float] | None = None

    def lining(self, s: Array, u: Array) -> Array:
        """Thickness across the floor, mm."""
        thick = self.lining_mm + self.slant[0] * s + self.slant[1] * u
        if self.part is not None:
            along = s * np.cos(self.part[0]) + u * np.sin(self.part[0])
            thick = thick * np.clip((self.part[1] - along) / _RAMP_MM, 0, 1)
        if self.dome is not None:
            away2 = ((s - self.dome[0]) ** 2 + (u - self.dome[1]) ** 2) / self.dome[2] ** 2
            thick = thick + self.dome[3] * np.sqrt(np.maximum(1 - away2, 0))
        assert self.sinus is not None
        out: Array = np.clip(thick, 0, 0.8 * min(self.sinus[2], self.sinus[3]))
        return out

    def sinus_layers(self, s: Array, u: Array) -> tuple[tuple[Array | float, int], ...]:
        """Plate, lining and air, from outside."""
        assert self.sinus is not None
        return (self.sinus[4], CORTEX), (0.0, LINING), (-self.lining(s, u), CAVITY)
