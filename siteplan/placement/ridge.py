"""The outer bone surface on both sides of a site as two sheets, for distances from bodies that lie off the axis."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from siteplan.bone import BoneFindings, SiteBlock
from siteplan.bone.half_maximum import HalfMaximumReader
from siteplan.bone.levels import GreyLevels
from siteplan.bone.section import section_of
from siteplan.frame import SiteFrame
from siteplan.placement.profile import Array

REACH_MM = 4.0
"""How far the sheets reach mesially and distally: the radius of the widest fixture and the shift that is searched."""

STEP_MM = 1.0
"""Distance between the sections: jaw surfaces bend little over a millimetre along the arch (our own choice)."""

BETWEEN_VOXELS = 0.06
"""Standard deviation, in voxels, that the sheets add to that of the measured edges: between layers, beside the axis and
across a tilted body. With it 95 of 100 true covers lie inside the interval, without it 70 did (16,000 levels on bodies
in simulated jaws with voxels of 0.2 to 0.4 mm, held against their shapes)."""


@dataclass(frozen=True, eq=False)
class Ridge:
    """Outer surface of the ridge.

    Attributes:
        frame: origin at the bone entry. depth_mm (D,): even steps. distal_mm (M,).
        buccal_mm, lingual_mm: (D, M) position of the outer surface across the axis; NaN where there is none.
        sd_mm: standard deviation of these positions anywhere, None where the bone measurement states none.
    """

    frame: SiteFrame
    depth_mm: Array
    distal_mm: Array
    buccal_mm: Array
    lingual_mm: Array
    sd_mm: float | None

    @property
    def step_mm(self) -> float:
        """Distance between layers."""
        return float(self.depth_mm[1] - self.depth_mm[0])

    def entry_mm(self, buccal_mm: Array, distal_mm: Array) -> Array:
        """Depth (n,) at which bone begins at the given places, NaN where no layer holds any.

        Between the first layer that spans a place and the one above it, where an edge passes it. In the last step below
        a flat crest edges say little: there bone begins at the crest of that section (`crest_mm`).
        """
        column = np.clip(np.rint((distal_mm - self.distal_mm[0]) / STEP_MM).astype(int), 0, len(self.distal_mm) - 1)
        first = self._first_layer(buccal_mm, column)
        above = np.maximum(first - 1, 0)
        crest = np.interp(distal_mm, self.distal_mm, self.crest_mm)
        up = np.clip(self.depth_mm[first] - crest, 0.0, 2 * self.step_mm)
        at_crest = self.depth_mm[above] < crest + self.step_mm
        for sheet, sign in ((self.buccal_mm, 1.0), (self.lingual_mm, -1.0)):
            here, there = sign * sheet[first, column], sign * sheet[above, column]
            passed = ~at_crest & (sign * buccal_mm > there)
            up = np.where(passed, self.step_mm * (here - sign * buccal_mm) / np.where(passed, here - there, 1.0), up)
        entry: Array = np.where(first > 0, self.depth_mm[first] - up, self.depth_mm[0])
        return np.where(first >= 0, entry, np.nan)

    def _first_layer(self, buccal_mm: Array, column: NDArray[np.intp]) -> NDArray[np.intp]:
        """The first layer (n,) whose bone spans each place; -1 where none does."""
        b = buccal_mm[:, None]
        spans = (self.lingual_mm.T[column] <= b) & (b <= self.buccal_mm.T[column])
        return np.where(spans.any(axis=1), spans.argmax(axis=1), -1)

    @cached_property
    def crest_mm(self) -> Array:
        """Depth (M,) at which bone begins in each section: 0 on the axis, beside it by how much wider the ridge is.

        Bone begins between two layers; the widths of the first ones are told finer than that. A section that is as wide
        as the one on the axis is further down begins by as much higher.
        """
        width = self.buccal_mm - self.lingual_mm
        middle = width[:, len(self.distal_mm) // 2]
        rows = np.flatnonzero(np.isfinite(middle) & (self.depth_mm >= 0.0))[:_CREST_LAYERS]
        crest = np.zeros(len(self.distal_mm))
        if len(rows) < 2:
            return crest
        wide, depth = np.maximum.accumulate(middle[rows]), self.depth_mm[rows]
        for column in range(len(crest)):
            own = np.flatnonzero(np.isfinite(width[:, column]))[:_CREST_LAYERS]
            own = own[(width[own, column] > wide[0]) & (width[own, column] < wide[-1])]
            if len(own):
                crest[column] = np.median(self.depth_mm[own] - np.interp(width[own, column], wide, depth))
        return crest

    def bottom_mm(self, distal_mm: Array) -> Array:
        """Depth (n,) of the deepest layer in which both sides were found at the given places; 0 where in none."""
        known = np.isfinite(self.buccal_mm) & np.isfinite(self.lingual_mm)
        deepest = np.where(known, self.depth_mm[:, None], 0.0).max(axis=0)
        result: Array = np.interp(distal_mm, self.distal_mm, deepest)
        return result


_CREST_LAYERS = 8
"""So many layers from the crest down tell where bone begins in a section: about 2 mm (our own choice)."""


@lru_cache(maxsize=4)
def ridge_of(bone: BoneFindings) -> Ridge:
    """Sheets through the measured edges of the site's section.

    In the section through the axis they are the edges that `bone` measured. Away from it, each is moved by what the
    half-maximum rule says that the surface moves: the rule's bias is the same in both sections and falls out.
    Findings never change, so the last few results are kept.
    """
    block = bone.block
    rows = np.flatnonzero(block.depth_mm >= -_ABOVE_MM)
    depth = block.depth_mm[rows]
    offsets = np.arange(-REACH_MM, REACH_MM + STEP_MM / 2, STEP_MM)
    plain = {float(m): _half_maximum(bone, float(m), depth) for m in offsets}
    sheets = []
    for side, measured in enumerate((bone.buccal_edge_mm, bone.lingual_edge_mm)):
        middle = plain[0.0][side]
        own = measured[rows] if np.isfinite(measured).any() else middle
        sheets.append(np.stack([own + (plain[float(m)][side] - middle) for m in offsets], axis=1))
    return Ridge(block.frame, depth, offsets, sheets[0], sheets[1], _edge_sd(bone))


_ABOVE_MM = 3.0
"""The crest may be this much higher beside the axis than where the axis enters bone."""


def _half_maximum(bone: BoneFindings, distal_mm: float, depth_mm: Array) -> tuple[Array, Array]:
    """Buccal and lingual edge by the half-maximum rule in the section at `distal_mm`."""
    b = bone.block
    moved = SiteBlock(b.values, b.frame, b.depth_mm, b.buccal_mm, b.distal_mm - distal_mm, b.spacing_mm, b.voxel_mm)
    levels = GreyLevels(None, bone.context.soft, 0.0, 0.0, bone.context.step)
    reader = HalfMaximumReader(moved, section_of(moved, levels), levels)
    edges = np.full((2, len(depth_mm)), np.nan)
    for k, depth in enumerate(depth_mm):
        line = reader.line(float(depth))
        for row, (edge, sign) in enumerate(((line.buccal.outer, 1), (line.lingual.outer, -1))):
            if edge.at_mm is not None:
                edges[row, k] = sign * edge.at_mm
    return edges[0], edges[1]


def _edge_sd(bone: BoneFindings) -> float | None:
    """The largest standard deviation among the measured outer edges, and what lies between them and beside the axis."""
    found = [
        (m.high - m.low) / (2 * 1.959964)
        for m in (*bone.levels.buccal_mm, *bone.levels.lingual_mm)
        if m.value is not None and m.low is not None and m.high is not None
    ]
    return float(np.hypot(max(found), BETWEEN_VOXELS * max(bone.block.voxel_mm))) if found else None
