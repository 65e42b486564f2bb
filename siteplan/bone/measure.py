"""`measure_bone`: one site, from scan and frame to everything known about its bone."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from siteplan.bone.below import fitted_below, nothing_below
from siteplan.bone.block import SiteBlock
from siteplan.bone.blur import air_edge_blur
from siteplan.bone.calibration import Calibration, provisional_calibration
from siteplan.bone.density import DensityClass, classify, density_tables
from siteplan.bone.findings import Array, BoneFindings, RidgeForm
from siteplan.bone.grey import (
    CYLINDER_DEPTH_MM,
    CYLINDER_RADIUS_MM,
    GreyContext,
    profile,
    region_weights,
    weighted_mean,
)
from siteplan.bone.half_maximum import HalfMaximumReader
from siteplan.bone.levels import GreyLevels, grey_levels
from siteplan.bone.lines import NORMAL_95, cortex_measure, edge_measure, level_measures
from siteplan.bone.reading import AxisReading, BelowCrest, Edge, LineReading, SectionReader
from siteplan.bone.sample import sample_block
from siteplan.bone.section import section_of
from siteplan.bone.shell_fit import ShellFit
from siteplan.bone.shell_reader import Shell, ShellReader
from siteplan.bone.shell_site import fit_shell
from siteplan.bone.sharpening import Sharpening, sharpening_of
from siteplan.bone.threads import one_thread
from siteplan.flags import Flag
from siteplan.frame import SiteFrame
from siteplan.measures import Measure
from siteplan.scan.volume import Scan

FWHM_PER_SD = 2.354820
"""2 sqrt(2 ln 2)."""
BLUR_SYSTEMATIC = 0.03
"""Relative SD of the fitted blur from what the model leaves out (our own estimate from simulated volumes)."""
LEVELS_MM = (1.0, 3.0, 5.0, 7.0, 10.0)


def measure_bone(
    scan: Scan,
    frame: SiteFrame,
    *,
    levels_mm: Sequence[float] = LEVELS_MM,
    calibration: Calibration | None = None,
    quick: bool = False,
) -> BoneFindings:
    """Measure the bone around a planned axis.

    Args:
        frame: the planned frame; the result counts depths from where its axis enters bone.
        levels_mm: depths below the bone entry for widths and plates.
        calibration: from grey to HU; without it `mean_hu` is absent and classes are marked.
        quick: half-maximum edges on a linear resample, for use while a hand moves.

    Raises:
        GeometryError: the site lies outside the scan.
    """
    levels = grey_levels(scan)
    planned = sample_block(scan, frame, smooth=not quick)
    reader, fit = _reader(scan, planned, levels, quick)
    entry = reader.axis().entry
    block = planned if entry.at_mm is None else rezeroed(planned, entry.at_mm)
    if entry.at_mm is not None:
        reader = ShiftedReader(reader, entry.at_mm)
    return _findings(
        scan, planned, block, reader, entry, levels, tuple(float(x) for x in levels_mm), calibration, quick, fit
    )


def rezeroed(block: SiteBlock, entry_mm: float) -> SiteBlock:
    """The same values with depth counted from `entry_mm`."""
    return SiteBlock(
        block.values,
        block.frame.moved(entry_mm),
        block.depth_mm - entry_mm,
        block.buccal_mm,
        block.distal_mm,
        block.spacing_mm,
        block.voxel_mm,
    )


class ShiftedReader:
    """A reader whose depths are counted from the bone entry."""

    def __init__(self, reader: SectionReader, entry_mm: float) -> None:
        """Keep the reader and where its zero goes."""
        self._reader = reader
        self._entry_mm = entry_mm
        self.method = reader.method

    def axis(self) -> AxisReading:
        """Edges along the axis, from the bone entry."""
        a = self._reader.axis()

        def moved(edge: Edge) -> Edge:
            return edge if edge.at_mm is None else replace(edge, at_mm=edge.at_mm - self._entry_mm)

        below = BelowCrest(
            moved(a.below.second),
            moved(a.below.second_end),
            a.below.second_thickness,
            moved(a.below.canal_wall),
            moved(a.below.canal_lumen),
        )
        return replace(a, entry=moved(a.entry), crest_end=moved(a.crest_end), below=below)

    def line(self, depth_mm: float) -> LineReading:
        """Edges on the line `depth_mm` below the bone entry."""
        return self._reader.line(depth_mm + self._entry_mm)


def _slice_direction(scan: Scan, frame: SiteFrame) -> Array:
    """(3,) slice normal of the scan in the frame: depth, buccal, distal."""
    normal = scan.affine[:3, 2] / np.linalg.norm(scan.affine[:3, 2])
    return np.array([normal @ frame.axis, normal @ frame.buccal, normal @ frame.distal])


def _reader(scan: Scan, block: SiteBlock, levels: GreyLevels, quick: bool) -> tuple[SectionReader, ShellFit | None]:
    """Half-maximum reader, or the joint fit where there is time and a shell to fit."""
    section = section_of(block, levels)
    plain = HalfMaximumReader(block, section, levels)
    if quick:
        return plain, None
    slice_dir = _slice_direction(scan, block.frame)
    fit = fit_shell(block, section, levels, slice_dir, air_edge_blur(scan, block.frame, levels).prior)
    if fit is None:
        return plain, None
    shell = Shell(fit)
    end = shell.cross(True, 1, 0.0, "min")
    with one_thread():
        below = nothing_below() if end is None else fitted_below(block, section, levels, fit, slice_dir, end.at_mm)
    return ShellReader(shell, replace(plain.axis(), below=below), plain), fit


def _findings(
    scan: Scan,
    planned: SiteBlock,
    block: SiteBlock,
    reader: SectionReader,
    entry: Edge,
    levels: GreyLevels,
    levels_mm: tuple[float, ...],
    calibration: Calibration | None,
    quick: bool,
    fit: ShellFit | None,
) -> BoneFindings:
    axis = reader.axis()
    context = GreyContext(levels.soft, levels.step)
    found = axis.entry.at_mm is not None
    sharpening = None if fit is None else sharpening_of(planned, fit, _slice_direction(scan, block.frame))
    mean, thirds = _means(block, context, found, sharpening)
    hu, provisional, density = _density(mean, levels, calibration)
    method = reader.method
    buccal, lingual, b_inner, l_inner = _outline(block, reader, quick, found)
    none = Measure.absent("mm", Flag.NO_EDGE_FOUND)
    height = _height(axis, method, quick)
    return BoneFindings(
        block=block,
        frame=block.frame,
        crest_offset=edge_measure(entry, None, method, quick),
        levels_mm=levels_mm,
        levels=level_measures(reader, block, levels_mm, quick=quick),
        crestal_cortex=cortex_measure(axis.crest, axis.crest_limit_mm, None, method, quick),
        second_cortex_depth=edge_measure(axis.below.second, None, method, quick),
        second_cortex=edge_measure(axis.below.second_thickness, None, method, quick),
        canal_roof_depth=edge_measure(axis.below.canal_wall, None, method, quick),
        canal_lumen_depth=edge_measure(axis.below.canal_lumen, None, method, quick),
        available_height=height,
        profile_depth_mm=block.depth_mm,
        profile_grey=profile(block),
        mean_grey=mean,
        thirds=thirds,
        mean_hu=hu,
        provisional_hu=provisional,
        density=density,
        calibration=calibration,
        blur_fwhm=_blur(fit, 0),
        blur_fwhm_across_slices=_blur(fit, 1),
        noise_sd=Measure.absent("grey", Flag.NO_EDGE_FOUND),
        drift=Measure.absent("grey", Flag.NO_EDGE_FOUND),
        metal_share=0.0,
        undercuts=(),
        ridge_form=RidgeForm(None, "", "", "", "not measured", height, none),
        buccal_edge_mm=buccal,
        lingual_edge_mm=lingual,
        buccal_inner_mm=b_inner,
        lingual_inner_mm=l_inner,
        quick=quick,
        context=context,
        reader=reader,
        sharpening=sharpening,
    )


def _means(
    block: SiteBlock, context: GreyContext, found: bool, sharpening: Sharpening | None
) -> tuple[Measure, tuple[Measure, ...]]:
    if not found:
        none = Measure.absent("grey", Flag.NO_BONE_ON_AXIS)
        return none, (none, none, none)

    def over(low: float, high: float) -> Measure:
        weights = region_weights(block, [low, high], [CYLINDER_RADIUS_MM] * 2)
        shift = 0.0 if sharpening is None else sharpening.shift(weights)
        return weighted_mean(
            block,
            weights,
            context,
            shift=shift,
            method=f"cylinder radius {CYLINDER_RADIUS_MM} mm, {low:.1f} to {high:.1f} mm",
        )

    cuts = np.linspace(0, CYLINDER_DEPTH_MM, 4)
    return over(0, CYLINDER_DEPTH_MM), tuple(over(float(a), float(b)) for a, b in pairwise(cuts))


def _density(
    mean: Measure, levels: GreyLevels, calibration: Calibration | None
) -> tuple[Measure, Measure, tuple[DensityClass, ...]]:
    own = provisional_calibration(levels)
    provisional = Measure.absent("HU", Flag.NOT_CALIBRATED) if own is None else own.apply(mean)
    hu = Measure.absent("HU", Flag.NOT_CALIBRATED) if calibration is None else calibration.apply(mean)
    if calibration is not None and not calibration.trusted:
        provisional, hu = hu, Measure.absent("HU", Flag.NOT_CALIBRATED, Flag.PROVISIONAL_SCALE)
    used = hu if hu.value is not None else provisional
    trusted = calibration is not None and calibration.trusted
    return hu, provisional, tuple(classify(used, table, trusted) for table in density_tables().values())


def _outline(block: SiteBlock, reader: SectionReader, quick: bool, found: bool) -> tuple[Array, Array, Array, Array]:
    edges = np.full((4, len(block.depth_mm)), np.nan)
    if found and not quick:
        for k, depth in enumerate(block.depth_mm):
            line = reader.line(float(depth))
            for row, (edge, sign) in enumerate(
                ((line.buccal.outer, 1), (line.lingual.outer, -1), (line.buccal.inner, 1), (line.lingual.inner, -1))
            ):
                if edge.at_mm is not None:
                    edges[row, k] = sign * edge.at_mm
    return edges[0], edges[1], edges[2], edges[3]


def _blur(fit: ShellFit | None, which: int) -> Measure:
    """Full width at half maximum of the blur, along (0) or across (1) slices."""
    if fit is None:
        return Measure.absent("mm", Flag.NO_EDGE_FOUND, method="joint fit")
    at = fit.layout.slices()[7].start + which
    log = float(fit.theta[at])
    sd = float(np.sqrt(fit.covariance[at, at]))
    reach = NORMAL_95 * float(np.hypot(sd, BLUR_SYSTEMATIC))
    full = FWHM_PER_SD * float(np.exp(log))
    return Measure(
        full, "mm", full * float(np.exp(-reach)), full * float(np.exp(reach)), "joint fit of the site's edges"
    )


def _height(axis: AxisReading, method: str, quick: bool) -> Measure:
    """Bone above the first thing that stops a straight path: canal wall or second cortex, whichever comes first."""
    candidates = [e for e in (axis.below.canal_wall, axis.below.second) if e.at_mm is not None]
    if not candidates:
        return Measure.absent("mm", *(axis.below.second.flags or (Flag.UNBOUNDED,)), method=method)
    return edge_measure(min(candidates, key=lambda e: e.at_mm or 0.0), None, method, quick)
