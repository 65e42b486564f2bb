"""A jaw whose ridge is a roof: two straight flanks that meet in a rounded edge, unlike the superellipse of `jaw`."""

from dataclasses import dataclass

import numpy as np

from tests.validation.jaw import Array, Jaw


@dataclass(frozen=True)
class Roof(Jaw):
    """Flanks at `angles` (buccal, lingual; radians from upright) meet at the crest, rounded over about `round_mm`.

    Cortex lies along the flanks with the thicknesses `t_buccal` and `t_lingual`, straight to where they meet, unless
    `t_crest` cuts the spongy bone's tip off flat.
    """

    angles: tuple[float, float] = (0.5, 0.5)
    round_mm: float = 0.3

    def _roof(self, s: Array, u: Array, w: Array, buccal: float, lingual: float, base: float) -> Array:
        """Distance outside two flanks, a wall to both sides and a base, each moved inwards; negative inside."""
        u = u - 0.3 * self.wave * self.half_width * np.sin(s / 8 + self.phase)
        sides = []
        for sign, angle, inward in ((1, self.angles[0], buccal), (-1, self.angles[1], lingual)):
            flank = sign * u * np.cos(angle) + (w - self.half_height) * np.sin(angle) + inward
            wall = sign * u - self.half_width + inward
            sides.append(np.logaddexp(flank / self.round_mm, wall / self.round_mm) * self.round_mm)
        edge = np.logaddexp(sides[0] / self.round_mm, sides[1] / self.round_mm) * self.round_mm
        return np.maximum(edge, -w - self.half_height + base)

    def outer(self, s: Array, u: Array, w: Array) -> Array:
        """< 1 inside the bone."""
        return 1 + self._roof(s, u, w, 0.0, 0.0, 0.0) / self.half_width

    def inner(self, s: Array, u: Array, w: Array) -> Array:
        """< 1 inside the cortex."""
        core = self._roof(s, u, w, self.t_buccal, self.t_lingual, self.t_base)
        return 1 + np.maximum(core, w - (self.half_height - self.t_crest)) / self.half_width
