"""Edges where the grey value crosses one fixed level: the plainest rule in use, for comparison only."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.block import SiteBlock
from siteplan.bone.levels import GreyLevels
from siteplan.bone.section import Section

OUTER_SHARE, INNER_SHARE = 0.40, 0.75
"""Thresholds as shares of the step from air to soft tissue, above soft tissue: 470 and 840 HU on a true scale."""


@dataclass(frozen=True)
class FixedThreshold:
    """Widths, plates and crest by two fixed levels."""

    block: SiteBlock
    section: Section
    levels: GreyLevels

    def line(self, depth_mm: float) -> tuple[float | None, float | None, float | None]:
        """Ridge width, buccal plate, lingual plate at a depth of the block."""
        b = self.block
        row = int(np.argmin(np.abs(b.depth_mm - depth_mm)))
        grey = b.values[row - 1 : row + 2][:, :, np.abs(b.distal_mm) <= 0.4].mean(axis=(0, 2))
        zero = int(np.argmin(np.abs(b.buccal_mm)))
        sides = [
            self._side(grey[zero:], self.section.bone[row, zero:]),
            self._side(grey[zero::-1], self.section.bone[row, zero::-1]),
        ]
        reach = [s[0] for s in sides]
        width = None if reach[0] is None or reach[1] is None else reach[0] + reach[1]
        return width, sides[0][1], sides[1][1]

    def crest(self) -> float | None:
        """Crestal cortex along the axis."""
        b = self.block
        near = np.ix_(np.abs(b.buccal_mm) <= 0.4, np.abs(b.distal_mm) <= 0.4)
        grey = b.values[:, near[0], near[1]].mean(axis=(1, 2))
        if self.section.entry_index is None:
            return None
        start = max(self.section.entry_index - 4, 0)
        stop = self.section.entry_index + round(6 / b.spacing_mm)
        return self._layer(grey[start:stop][::-1])[1]

    def _side(self, grey: NDArray[np.float32], bone: NDArray[np.bool_]) -> tuple[float | None, float | None]:
        ends = np.flatnonzero(~bone)
        if len(ends) == 0:
            return None, None
        return self._layer(grey[: ends[0] + 4])

    def _layer(self, grey: NDArray[np.float32]) -> tuple[float | None, float | None]:
        """Outer edge (distance from the first sample) and thickness of the last layer along `grey`."""
        h, soft, step = self.block.spacing_mm, self.levels.soft, self.levels.step
        outer_level, inner_level = soft + OUTER_SHARE * step, soft + INNER_SHARE * step
        above = np.flatnonzero(grey > outer_level)
        if len(above) == 0 or above[-1] + 1 >= len(grey):
            return None, None
        outer = self._cross(grey, int(above[-1]), outer_level, 1)
        dense = np.flatnonzero(grey > inner_level)
        if len(dense) == 0:
            return outer * h, 0.0
        i = int(dense[-1])
        while i > 0 and grey[i - 1] > inner_level:
            i -= 1
        if i == 0:
            return outer * h, None
        inner = self._cross(grey, i, inner_level, -1)
        return outer * h, (outer - inner) * h

    @staticmethod
    def _cross(grey: NDArray[np.float32], i: int, level: float, step: int) -> float:
        share = float((grey[i] - level) / max(float(grey[i] - grey[i + step]), 1e-9))
        return i + step * share
