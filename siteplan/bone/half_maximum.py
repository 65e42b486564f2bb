"""Edges by the half-maximum rule on averaged profiles: fast, and biased where cortex is thinner than the blur.

An edge lies half way between the plateau on its one side and the plateau on its other side. For a slab thinner
than about 1.5 times the blur the rule reads too wide (Prevrhal 2003, Med Phys 30:1-8), so what this reader says
about thin cortex carries a flag.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.below import half_maximum_below, nothing_below
from siteplan.bone.block import SiteBlock
from siteplan.bone.levels import GreyLevels
from siteplan.bone.reading import AxisReading, Edge, LineReading, Plate
from siteplan.bone.section import Section
from siteplan.flags import Flag

Profile = NDArray[np.float64]

_SIDE_MM = 0.4
"""Profiles are averaged this far to each side, mesiodistally and along the other direction of the section."""
_OUTSIDE_MM = (0.8, 2.0)
"""Where the outer plateau is read, counted outwards from the first bone."""
_CORTEX_REACH_MM = 4.0
"""The densest cortex is looked for this far inwards; thicker shells are found by their inner edge anyway."""
_INSIDE_MM = 4.0
"""The inner plateau is the median of what follows the inner flank, this far."""
_LEAST_CONTRAST = 0.12
"""Cortex must stand out from the bone beneath by this share of its height over soft tissue."""
_EDGE_SD_STEPS = 0.35
"""SD of an edge in steps of the block (our own estimate from simulated volumes)."""
_THIN_BELOW_MM, _THIN_SD_SHARE = 1.2, 0.4
"""Below this thickness the rule reads too wide: +0.68 mm at 0.5 mm, +0.27 mm at 1 mm in one clinical system (Prevrhal
2003, Med Phys 30:1-8); the interval grows by this share of what is missing."""

_NONE = Edge(None, None, (Flag.NO_EDGE_FOUND,))


@dataclass(frozen=True, eq=False)
class HalfMaximumReader:
    """`SectionReader` by the half-maximum rule."""

    block: SiteBlock
    section: Section
    levels: GreyLevels
    method: str = "half maximum"

    def line(self, depth_mm: float, *, rough: bool = False) -> LineReading:
        """Edges on the line across the axis; NaN values end the line."""
        b = self.block
        row = int(np.argmin(np.abs(b.depth_mm - depth_mm)))
        axis = int(np.argmin(np.abs(b.buccal_mm)))
        if not self.section.bone[row, axis]:
            edge_of_volume = not np.isfinite(self.section.grey[row]).all()
            none = Edge(None, None, (Flag.EDGE_OF_VOLUME if edge_of_volume else Flag.BEYOND_BONE,))
            plate = Plate(none, none, none)
            return LineReading(plate, plate)
        half = max(1, round(_SIDE_MM / 2 / b.spacing_mm))
        near = np.abs(b.distal_mm) <= _SIDE_MM + 1e-9
        rows = slice(max(row - half, 0), row + half + 1)
        grey = b.values[rows][:, :, near].mean(axis=(0, 2))
        return LineReading(
            self._plate(b.buccal_mm[axis:], grey[axis:], self.section.bone[row, axis:]),
            self._plate(-b.buccal_mm[axis::-1], grey[axis::-1], self.section.bone[row, axis::-1]),
        )

    def surface(self, depth_mm: float) -> tuple[float | None, float | None]:
        """Outer surface buccally and lingually; None where the axis lies outside the bone."""
        line = self.line(depth_mm)
        lingual = line.lingual.outer.at_mm
        return line.buccal.outer.at_mm, None if lingual is None else -lingual

    def axis(self) -> AxisReading:
        """Edges along the axis."""
        return self._axis

    @cached_property
    def _axis(self) -> AxisReading:
        b, entry = self.block, self.section.entry_index
        if entry is None:
            none = Edge(None, None, (Flag.NO_BONE_ON_AXIS,))
            return AxisReading(none, none, none, None, nothing_below(none))
        near_b = np.abs(b.buccal_mm) <= _SIDE_MM + 1e-9
        near_m = np.abs(b.distal_mm) <= _SIDE_MM + 1e-9
        grey = b.values[:, near_b][:, :, near_m].mean(axis=(1, 2)).astype(np.float64)
        outer, inner = slab_edges(b.depth_mm, grey, entry, self.section.soft, self.section.dense)
        thick = _difference(inner, outer)
        below = nothing_below()
        end = inner.at_mm if inner.at_mm is not None else outer.at_mm
        if end is not None:
            below = half_maximum_below(b, self.section, self.levels, grey, end)
        return AxisReading(outer, inner, thick, None, below)

    def _plate(self, distance: Profile, grey: Profile, bone: NDArray[np.bool_]) -> Plate:
        """Plate on a half line that starts at the axis; `distance` grows outwards."""
        outside = np.flatnonzero(~bone)
        if len(outside) == 0 or not np.isfinite(grey[: outside[0] + 1]).all():
            finite = bool(np.isfinite(grey).all())
            none = Edge(None, None, (Flag.UNBOUNDED if finite else Flag.EDGE_OF_VOLUME,))
            return Plate(none, none, none)
        # Walk inwards: reverse so that positions grow from outside to the axis.
        x, v = -distance[::-1], grey[::-1].astype(np.float64)
        first = len(x) - int(outside[0])
        outer, inner = slab_edges(x, v, first, self.section.soft, self.section.dense)
        thick = _difference(inner, outer)
        return Plate(_negated(outer), _negated(inner), thick)


def slab_edges(x: Profile, v: Profile, first: int, soft: float, dense: float) -> tuple[Edge, Edge]:
    """Outer and inner half-maximum edge of a slab met when walking along growing `x`.

    Args:
        x, v: (N,) positions and grey values. first: index of the first bone sample.
    """
    start = x[min(first, len(x) - 1)]
    before = (x >= start - _OUTSIDE_MM[1]) & (x <= start - _OUTSIDE_MM[0]) & np.isfinite(v)
    outside = min(float(np.median(v[before])), soft + 0.3 * (dense - soft)) if before.any() else soft
    reach = (x >= start - 0.3) & (x <= start + _CORTEX_REACH_MM) & np.isfinite(v)
    if not reach.any():
        return _NONE, Edge(None, None, (Flag.EDGE_OF_VOLUME,))
    index = np.flatnonzero(reach)
    values = v[index]
    if values.max() <= outside:
        return _NONE, _NONE
    # The first maximum within 10 % of the highest: a second, deeper plate must not be taken for this one.
    top = int(index[np.flatnonzero(values >= outside + 0.9 * (values.max() - outside))[0]])
    while top + 1 < len(v) and v[top + 1] > v[top]:
        top += 1
    plateau = v[(x >= x[top]) & (x <= x[top] + 1.0) & (v > outside + 0.9 * (v[top] - outside))]
    peak = float(np.median(plateau)) if len(plateau) else float(v[top])
    outer = _crossing(x, v, top, (outside + peak) / 2, -1)
    return outer, _inner(x, v, top, peak, outside)


def _inner(x: Profile, v: Profile, top: int, peak: float, outside: float) -> Edge:
    """Where the slab ends on its far side."""
    need = _LEAST_CONTRAST * (peak - outside)
    after = np.flatnonzero(np.isfinite(v[top:]) & (v[top:] < peak - 2 * need)) + top
    if len(after) == 0:
        return Edge(None, None, (Flag.ALL_CORTEX,))
    beyond = (x >= x[after[0]] + 0.5) & (x <= x[after[0]] + _INSIDE_MM) & np.isfinite(v)
    floor = float(np.median(v[beyond])) if beyond.sum() >= 3 else float(v[after[0]])
    inside = min(floor, float(v[after[0]]))
    return _crossing(x, v, top, (inside + peak) / 2, +1)


def _crossing(x: Profile, v: Profile, start: int, level: float, step: int) -> Edge:
    """First crossing of `level` when walking from `start` down the flank, by linear interpolation."""
    i = start
    while 0 <= i + step < len(v) and np.isfinite(v[i + step]):
        if v[i + step] <= level:
            share = (v[i] - level) / max(v[i] - v[i + step], 1e-9)
            return Edge(float(x[i] + share * (x[i + step] - x[i])), _EDGE_SD_STEPS * abs(float(x[1] - x[0])))
        i += step
    return _NONE


def _difference(inner: Edge, outer: Edge) -> Edge:
    if inner.at_mm is None or outer.at_mm is None:
        return Edge(None, None, inner.flags or outer.flags)
    thickness = abs(inner.at_mm - outer.at_mm)
    sd = float(np.hypot(inner.sd_mm or 0.0, outer.sd_mm or 0.0)) + _THIN_SD_SHARE * max(_THIN_BELOW_MM - thickness, 0.0)
    return Edge(thickness, sd)


def _negated(edge: Edge) -> Edge:
    return edge if edge.at_mm is None else Edge(-edge.at_mm, edge.sd_mm, edge.flags)
