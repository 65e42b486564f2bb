"""`BoneFindings`: everything measured about the bone of one site."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.block import SiteBlock
from siteplan.bone.calibration import Calibration
from siteplan.bone.density import DensityClass
from siteplan.bone.drift import SoftField
from siteplan.bone.grey import GreyContext
from siteplan.bone.reading import SectionReader
from siteplan.bone.sharpening import Sharpening
from siteplan.frame import SiteFrame
from siteplan.measures import Measure

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LevelMeasures:
    """What is measured on lines across the axis; one entry per depth asked for, in that order.

    Attributes:
        ridge_width: outer surface to outer surface. buccal_mm, lingual_mm: from the axis to the outer surface.
        buccal_plate, lingual_plate: cortex along the line. mesiodistal_width: only where both ends are bounded.
    """

    ridge_width: tuple[Measure, ...]
    buccal_mm: tuple[Measure, ...]
    lingual_mm: tuple[Measure, ...]
    buccal_plate: tuple[Measure, ...]
    lingual_plate: tuple[Measure, ...]
    mesiodistal_width: tuple[Measure, ...]


@dataclass(frozen=True, slots=True)
class Undercut:
    """A concavity of the outer surface below the ridge.

    Attributes:
        side: "buccal" or "lingual".
        depth: how far the surface lies inside the line that touches it above and below.
        position: depth below the crest of its deepest point.
        angle: between the axis and the surface where it turns inwards most steeply, degrees.
        path_leaves_bone_at: depth at which the straight axis leaves the bone there, absent when it stays inside.
    """

    side: str
    depth: Measure
    position: Measure
    angle: Measure
    path_leaves_bone_at: Measure


@dataclass(frozen=True, slots=True)
class RidgeForm:
    """Published class of the cross-section and its numbers; `label` is None where these do not allow one.

    probabilities: of each class, given the intervals of both numbers; what is left to 1 is covered by no class.
    """

    label: str | None
    table: str
    source: str
    status: str
    why: str
    height: Measure
    width: Measure
    probabilities: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class BoneFindings:
    """Bone of one site; depth 0 of everything here is the bone entry.

    Attributes:
        block: values in the site's frame. frame: its origin is the bone entry (the planned point when the axis
            meets no bone).
        crest_offset: mm along the axis; positive when bone starts below the planned point.
        levels_mm, levels: the standard depths and what was measured there.
        profile_depth_mm, profile_grey: (D,) grey value along the axis.
        mean_grey: standard cylinder (radius 1.75 mm, bone entry to 10 mm below); thirds: the same by its crestal,
            middle and apical third.
        trabecular_grey: mean of the cancellous bone in it alone; trabecular_hu: the same in HU, on the
            provisional scale where no other was given.
        mean_hu: absent unless a calibration was given; provisional_hu: on the scan's own scale when it was not.
        soft_field: soft tissue's level around the site, for the drift of the scale.
        buccal_edge_mm, lingual_edge_mm: (D,) outer surface per layer, NaN where there is none (lingual negative).
        buccal_inner_mm, lingual_inner_mm: (D,) inner surface of the plates likewise.
        quick: whether these are the fast values shown while a hand moves.
        shape: name of the reader that found the edges.
    """

    block: SiteBlock
    frame: SiteFrame
    crest_offset: Measure
    levels_mm: tuple[float, ...]
    levels: LevelMeasures
    crestal_cortex: Measure
    second_cortex_depth: Measure
    second_cortex: Measure
    canal_roof_depth: Measure
    canal_lumen_depth: Measure
    available_height: Measure
    profile_depth_mm: Array
    profile_grey: Array
    mean_grey: Measure
    thirds: tuple[Measure, ...]
    trabecular_grey: Measure
    trabecular_hu: Measure
    mean_hu: Measure
    provisional_hu: Measure
    density: tuple[DensityClass, ...]
    calibration: Calibration | None
    blur_fwhm: Measure
    blur_fwhm_across_slices: Measure
    noise_sd: Measure
    drift: Measure
    metal_share: float
    undercuts: tuple[Undercut, ...]
    ridge_form: RidgeForm
    buccal_edge_mm: Array
    lingual_edge_mm: Array
    buccal_inner_mm: Array
    lingual_inner_mm: Array
    quick: bool
    context: GreyContext
    reader: SectionReader = field(repr=False)
    sharpening: Sharpening | None = field(default=None, repr=False)
    soft_field: SoftField | None = field(default=None, repr=False)

    @property
    def ridge_width(self) -> tuple[Measure, ...]:
        """Ridge width at `levels_mm`."""
        return self.levels.ridge_width

    @property
    def buccal_plate(self) -> tuple[Measure, ...]:
        """Buccal plate at `levels_mm`."""
        return self.levels.buccal_plate

    @property
    def lingual_plate(self) -> tuple[Measure, ...]:
        """Lingual plate at `levels_mm`."""
        return self.levels.lingual_plate

    @property
    def mesiodistal_width(self) -> tuple[Measure, ...]:
        """Mesiodistal width at `levels_mm`."""
        return self.levels.mesiodistal_width

    def more_levels(self, depths_mm: Sequence[float]) -> LevelMeasures:
        """The same measures at other depths below the bone entry, from the same block and fit."""
        from siteplan.bone.lines import level_measures

        return level_measures(self.reader, self.block, depths_mm, self.context.soft, quick=self.quick)
