"""From a reader of edges and a block to `BoneFindings`."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from siteplan.bone.block import SiteBlock
from siteplan.bone.calibration import Calibration, provisional_calibration
from siteplan.bone.density import DensityClass, classify, density_tables
from siteplan.bone.drift import SoftField, drift_of, soft_field, without_drift
from siteplan.bone.findings import Array, BoneFindings, Undercut
from siteplan.bone.grey import (
    CYLINDER_DEPTH_MM,
    CYLINDER_RADIUS_MM,
    GreyContext,
    around_axis,
    profile,
    region_weights,
    site_drift_sd,
    weighted_mean,
)
from siteplan.bone.levels import GreyLevels
from siteplan.bone.lines import NORMAL_95, cortex_measure, edge_measure, level_measures
from siteplan.bone.reading import AxisReading, Edge, SectionReader
from siteplan.bone.ridge import find_undercuts, ridge_form
from siteplan.bone.sharpening import Sharpening
from siteplan.bone.shell_fit import ShellFit
from siteplan.bone.trabecular import trabecular_mean
from siteplan.flags import Flag
from siteplan.measures import Measure

FWHM_PER_SD = 2.354820
"""2 sqrt(2 ln 2)."""
NOISY_SHARE = 0.12
"""Noise above this share of the step from air to soft tissue (about 125 HU) is called out (our own bound)."""
BLUR_SYSTEMATIC = 0.03
"""Relative SD of the fitted blur from what the model leaves out (our own estimate from simulated volumes)."""


@dataclass(frozen=True, eq=False)
class Measured:
    """What the parts of a measurement hand to `assemble`.

    Attributes:
        block: depths from the bone entry. clean: the same without voxels that metal reaches.
        reader: edges, in depths from the bone entry. entry: its place from the planned point.
        fit, sharpening: None when the half-maximum rule was used. metal_share: of the standard cylinder's surroundings.
    """

    block: SiteBlock
    clean: SiteBlock
    reader: SectionReader
    entry: Edge
    levels: GreyLevels
    fit: ShellFit | None
    sharpening: Sharpening | None
    metal_share: float


def assemble(
    found: Measured, levels_mm: tuple[float, ...], calibration: Calibration | None, quick: bool
) -> BoneFindings:
    """Every measure of the site."""
    block, reader, levels, fit = found.block, found.reader, found.levels, found.fit
    axis = reader.axis()
    context = GreyContext(levels.soft, levels.step)
    on_axis = axis.entry.at_mm is not None
    mean, thirds = _means(found, context, on_axis)
    method = reader.method
    outline = _outline(block, reader, quick, on_axis)
    field = None if axis.entry.at_mm is None else soft_field(fit, found.entry.at_mm or 0.0, levels)
    scale = _Scale(calibration, provisional_calibration(levels), field, site_drift_sd(context))
    core = _trabecular(found, axis, outline, context)
    height = _height(axis, method, quick)
    measured = level_measures(reader, block, levels_mm, levels.soft, quick=quick)
    edge_sd = next(((m.high - m.low) / (2 * NORMAL_95) for m in measured.lingual_mm if m.high and m.low), 0.15)
    inside = np.flatnonzero(np.isfinite(outline[0]) & np.isfinite(outline[1]))
    bone_to = float(block.depth_mm[inside[-1]]) if len(inside) else 0.0
    return BoneFindings(
        block=block,
        frame=block.frame,
        crest_offset=edge_measure(found.entry, None, method, quick),
        levels_mm=levels_mm,
        levels=measured,
        crestal_cortex=cortex_measure(axis.crest, axis.crest_obscure, None, method, quick),
        second_cortex_depth=edge_measure(axis.below.second, None, method, quick),
        second_cortex=edge_measure(axis.below.second_thickness, None, method, quick),
        canal_roof_depth=edge_measure(axis.below.canal_wall, None, method, quick),
        canal_lumen_depth=edge_measure(axis.below.canal_lumen, None, method, quick),
        available_height=height,
        profile_depth_mm=block.depth_mm,
        profile_grey=profile(block),
        mean_grey=mean,
        thirds=thirds,
        trabecular_grey=core,
        trabecular_hu=scale.best(core),
        mean_hu=scale.trusted(mean),
        provisional_hu=scale.provisional(mean),
        density=_density(mean, core, scale),
        calibration=calibration,
        blur_fwhm=_blur(fit, 0),
        blur_fwhm_across_slices=_blur(fit, 1),
        noise_sd=_noise(fit, context),
        drift=drift_of(field),
        metal_share=found.metal_share,
        undercuts=_undercuts(block, reader, edge_sd) if on_axis and not quick else (),
        ridge_form=ridge_form(height, measured.ridge_width, bone_to),
        buccal_edge_mm=outline[0],
        lingual_edge_mm=outline[1],
        buccal_inner_mm=outline[2],
        lingual_inner_mm=outline[3],
        quick=quick,
        context=context,
        reader=reader,
        sharpening=found.sharpening,
        soft_field=field,
    )


def _means(found: Measured, context: GreyContext, on_axis: bool) -> tuple[Measure, tuple[Measure, ...]]:
    """Mean of the standard cylinder and of its thirds, without voxels that metal reaches."""
    if not on_axis:
        none = Measure.absent("grey", Flag.NO_BONE_ON_AXIS)
        return none, (none, none, none)
    metal = found.metal_share > 0
    block = found.block
    if found.sharpening is None and not metal:  # nothing refers to the whole block: a narrow one is many times faster
        block = around_axis(block, CYLINDER_RADIUS_MM, CYLINDER_DEPTH_MM)

    def over(low: float, high: float) -> Measure:
        weights = region_weights(block, [low, high], [CYLINDER_RADIUS_MM] * 2)
        what = f"cylinder radius {CYLINDER_RADIUS_MM} mm, {low:.1f} to {high:.1f} mm"
        shift = 0.0 if found.sharpening is None else found.sharpening.shift(weights)
        if metal and bool((~np.isfinite(found.clean.values) & (weights > 0)).any()):
            what += ", without voxels near metal"
            return weighted_mean(found.clean, weights, context, shift=shift, method=what, why_missing=Flag.METAL_NEAR)
        return weighted_mean(block, weights, context, shift=shift, method=what)

    cuts = np.linspace(0, CYLINDER_DEPTH_MM, 4)
    return over(0, CYLINDER_DEPTH_MM), tuple(over(float(a), float(b)) for a, b in pairwise(cuts))


def _trabecular(found: Measured, axis: AxisReading, outline: tuple[Array, ...], context: GreyContext) -> Measure:
    """Mean of the cancellous bone; needs the inner surfaces, so not while a hand moves."""
    if found.fit is None:
        return Measure.absent("grey", Flag.QUICK_ESTIMATE if axis.entry.at_mm is not None else Flag.NO_BONE_ON_AXIS)
    blur = float(np.exp(found.fit.theta[found.fit.layout.slices()[7]].max()))
    return trabecular_mean(found.clean, axis, (outline[2], outline[3]), blur, context)


@dataclass(frozen=True, slots=True)
class _Scale:
    """From grey to HU at this site: the scale that holds, the scan's own, and the drift around the site."""

    given: Calibration | None
    own: Calibration | None
    field: SoftField | None
    drift_sd: float

    def trusted(self, grey: Measure) -> Measure:
        """HU, absent unless a trusted scale was given."""
        if self.given is None or not self.given.trusted:
            why = () if self.given is None else (Flag.PROVISIONAL_SCALE,)
            return Measure.absent("HU", Flag.NOT_CALIBRATED, *why)
        return without_drift(grey, self.given, self.field, self.drift_sd)

    def provisional(self, grey: Measure) -> Measure:
        """HU on the scan's own scale, or on an untrusted one that was given."""
        scale = self.own if self.given is None or self.given.trusted else self.given
        absent = Measure.absent("HU", Flag.NOT_CALIBRATED)
        return absent if scale is None else without_drift(grey, scale, self.field, self.drift_sd)

    def best(self, grey: Measure) -> Measure:
        """HU on the best scale there is."""
        hu = self.trusted(grey)
        return hu if hu.value is not None else self.provisional(grey)


def _density(mean: Measure, trabecular: Measure, scale: _Scale) -> tuple[DensityClass, ...]:
    """The class by each table, of the mean that the table was made for."""
    calibrated = scale.given is not None and scale.given.trusted
    site, core = scale.best(mean), scale.best(trabecular)
    return tuple(classify(core if t.trabecular else site, t, calibrated) for t in density_tables().values())


def _outline(block: SiteBlock, reader: SectionReader, quick: bool, found: bool) -> tuple[Array, Array, Array, Array]:
    edges = np.full((4, len(block.depth_mm)), np.nan)
    if found and not quick:
        for k, depth in enumerate(block.depth_mm):
            line = reader.line(float(depth), rough=True)
            for row, (edge, sign) in enumerate(
                ((line.buccal.outer, 1), (line.lingual.outer, -1), (line.buccal.inner, 1), (line.lingual.inner, -1))
            ):
                if edge.at_mm is not None:
                    edges[row, k] = sign * edge.at_mm
    return edges[0], edges[1], edges[2], edges[3]


def _undercuts(block: SiteBlock, reader: SectionReader, edge_sd: float) -> tuple[Undercut, ...]:
    """Concavities, from the outer surface down to where it ends or the scan does."""
    depths = block.depth_mm[block.depth_mm >= 0]
    edges = np.array([reader.surface(float(d)) for d in depths], dtype=np.float64)
    return find_undercuts(depths, edges[:, 0], edges[:, 1], edge_sd)


def _noise(fit: ShellFit | None, context: GreyContext) -> Measure:
    """SD of single voxels in soft tissue and cortex, from what the joint fit leaves over."""
    if fit is None:
        return Measure.absent("grey", Flag.NO_EDGE_FOUND, method="joint fit")
    flags = (Flag.NOISY,) if fit.noise_outside > NOISY_SHARE * context.step else ()
    return Measure(fit.noise_outside, "grey", method="what the joint fit leaves over", flags=flags)


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
    below = axis.below
    # Where no canal was told, bone down to the far plate must not read as bone without a canal.
    doubt = below.canal_wall.flags if below.canal_wall.at_mm is None and not below.into_air else ()
    candidates = [e for e in (below.canal_wall, below.second) if e.at_mm is not None]
    if not candidates:
        reasons = tuple(dict.fromkeys((*below.second.flags, *doubt))) or (Flag.UNBOUNDED,)
        return Measure.absent("mm", *reasons, method=method)
    return edge_measure(min(candidates, key=lambda e: e.at_mm or 0.0), None, method, quick, extra=doubt)
