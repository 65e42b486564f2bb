"""From a block to a fitted shell: start values, rounds of fitting, each beside the outline of the one before."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.block import SiteBlock
from siteplan.bone.calibration import AIR_HU, SOFT_TISSUE_HU
from siteplan.bone.levels import GreyLevels
from siteplan.bone.outline import Array, Cells, Curve, cells_beside, mask_outline
from siteplan.bone.section import Section
from siteplan.bone.shell_fit import Prior, Problem, ShellFit, Voxels, solve
from siteplan.bone.shell_layout import layout_for
from siteplan.bone.spline import Spline
from siteplan.bone.threads import one_thread

REACH_BELOW_ENTRY_MM = 15.5
"""The outline is followed this far below the bone entry: past the apex of common fixtures."""
PLANES_MM = 1.5
"""Half thickness of the slab that the fit uses along the arch."""
CORTEX_HU = 1350.0
CORTEX_SD_HU = 120.0
"""What is assumed of dense cortex before the scan is asked, on the scan's own provisional scale: the upper half of the
regional means of 800 to 1580 HU (Park 2008, Am J Orthod Dentofacial Orthop 133:30-37), to which blur has done its part.
Where cortex is thick the scan knows better and this hardly matters. Where all of it is thinner than the blur, the shape
of the profile tells density from thickness only through the blur's wings, which no bell curve has right: a prior of
250 HU let the fit read 900 HU and half as much again in thickness (simulated shells of 0.3 mm); what density may differ
beyond this is in the reader's interval (our own estimate)."""
CORTEX_LOCAL_SD_HU = 15.0
"""Scatter and hardening make thick cortex darker than thin cortex by some tens of HU (seen in simulated volumes)."""
_FIRST_SMOOTH_MM = 0.6
_OUTSIDE_MM = (0.8, 1.6)
"""Least and greatest width of the band outside the bone: gum can be this thin, then air begins."""
_INSIDE_MM = 1.2
_MOST_INSIDE_MM = 5.5
_BAND_BLURS = 3.2
_ROUNDS = ((0.5, 9), (1.0, 7), (PLANES_MM, 9))
"""Half slab in mm and iterations of each round."""


@dataclass(frozen=True, eq=False)
class _Start:
    """Start of a round: the curve, thickness along it, and the fit before (None in the first round)."""

    curve: Curve
    thickness: Array
    fit: ShellFit | None


def fit_shell(
    block: SiteBlock, section: Section, levels: GreyLevels, slice_dir: Array, blur: tuple[float, float, float, float]
) -> ShellFit | None:
    """Fit the shell around a site; None when there is no closed outline to start from.

    Args:
        slice_dir: (3,) slice normal of the scan in block directions.
        blur: SD along and across slices in mm, then the SD of their logarithms.
    """
    if section.entry_index is None:
        return None
    entry = float(block.depth_mm[section.entry_index])
    bottom = min(entry + REACH_BELOW_ENTRY_MM, float(block.depth_mm[-1]) - 0.5)
    curve = mask_outline(section.bone, block.depth_mm, block.buccal_mm, bottom, entry, _FIRST_SMOOTH_MM)
    if curve is None or curve.length_mm < 8:
        return None
    per_hu = levels.step / (SOFT_TISSUE_HU - AIR_HU)
    prior = Prior(
        levels.soft + per_hu * (CORTEX_HU - SOFT_TISSUE_HU),
        CORTEX_SD_HU * per_hu,
        *blur,
        level_bend=15 * per_hu,
        inside_bend=40 * per_hu,
        cortex_local_sd=CORTEX_LOCAL_SD_HU * per_hu,
        per_hu=per_hu,
        voxel_mm=(block.voxel_mm[1] + block.voxel_mm[2]) / 2,
    )
    now = _Start(curve, np.full(len(curve.s_mm), 1.2), None)
    with one_thread():
        for k, (planes, iterations) in enumerate(_ROUNDS):
            fit = _round(block, section, levels, slice_dir, prior, now, planes, iterations, final=k == len(_ROUNDS) - 1)
            if fit is None:
                return None
            if k < len(_ROUNDS) - 1:
                now = _next(fit, 0.3 if k == 0 else 0.15)
    return fit


def _round(
    block: SiteBlock,
    section: Section,
    levels: GreyLevels,
    slice_dir: Array,
    prior: Prior,
    now: _Start,
    planes_mm: float,
    iterations: int,
    final: bool,
) -> ShellFit | None:
    """One fit beside `now.curve`."""
    tau = prior.blur_xy if now.fit is None else float(np.exp(now.fit.theta[now.fit.layout.slices()[7]].max()))
    outside = float(np.clip(_BAND_BLURS * tau, *_OUTSIDE_MM))
    inside = np.minimum(now.thickness + max(_BAND_BLURS * tau, _INSIDE_MM), _MOST_INSIDE_MM)
    cells = cells_beside(now.curve, block.depth_mm, block.buccal_mm, outside, inside)
    if len(cells.s_mm) < 200:
        return None
    near = np.flatnonzero(np.abs(block.distal_mm) <= planes_mm + 1e-9)
    grey = block.values[cells.row, cells.column][:, near].astype(np.float64)
    known = np.isfinite(grey)
    voxels = Voxels(cells, block.distal_mm[near], np.where(known, grey, 0.0), known)
    # Of the first outline, in steps of voxels, and its cortex nothing is known yet.
    seen_mm = 0.0 if now.fit is None else float(np.median(now.thickness))
    layout = layout_for(now.curve, prior.blur_xy, seen_mm)
    prior = replace(prior, loose=_air_inside(cells, voxels, levels))
    problem = Problem(now.curve, voxels, layout, prior, slice_dir, now.curve.normal[cells.point])
    start = _start_vector(problem, now, section, levels, cells, voxels.grey)
    return solve(problem, start, (0.05 * levels.step, 0.06 * levels.step), iterations, final=final)


def _air_inside(cells: Cells, voxels: Voxels, levels: GreyLevels) -> tuple[tuple[float, float], ...]:
    """Stretches of arc length where air lies inside the bone: a sinus or the nose behind the plate."""
    air = levels.soft - 0.35 * levels.step
    dark = (voxels.grey.mean(axis=1) < air) & (cells.distance_mm > 0.4)
    if dark.sum() < 5:
        return ()
    s = np.sort(cells.s_mm[dark])
    cuts = np.flatnonzero(np.diff(s) > 2.0)
    starts, ends = np.concatenate([[0], cuts + 1]), np.concatenate([cuts, [len(s) - 1]])
    return tuple((float(s[a]) - 1.0, float(s[b]) + 1.0) for a, b in zip(starts, ends, strict=True))


def _start_vector(
    problem: Problem, now: _Start, section: Section, levels: GreyLevels, cells: Cells, grey: NDArray[np.float64]
) -> Array:
    """Parameters to start from: those of the fit before, carried over to the new curve."""
    start = problem.centre.copy()
    _, tilt, bow, thick, out, inn, cortex, blur, local = problem.parts
    lay = problem.layout
    if now.fit is None:
        start[thick] = np.log(1.0)
        start[out] = levels.soft
        start[inn] = levels.soft + 0.2 * levels.step
        start[cortex] = max(section.dense, levels.soft + 0.6 * levels.step)
        return start
    old, f = now.fit, now.fit.theta
    parts = old.layout.slices()
    start[tilt] = _carried(old.layout.tilt, f[parts[1]], lay.tilt)
    start[bow] = _carried(old.layout.tilt, f[parts[2]], lay.tilt)
    start[thick] = _carried(old.layout.thickness, f[parts[3]], lay.thickness)
    start[out] = _carried(old.layout.outside, f[parts[4]], lay.outside)
    start[inn] = _carried(old.layout.inside, f[parts[5]], lay.inside)
    start[cortex], start[blur] = f[parts[6]], f[parts[7]]
    start[local] = _carried(old.layout.cortex, f[parts[8]], lay.cortex)
    return start


def _carried(old: Spline, coefficients: Array, new: Spline) -> Array:
    """Coefficients on `new` of the same function on a curve whose length has changed a little."""
    share = np.linspace(0, 1, 6 * new.count)
    wanted = old.basis(share * old.length) @ coefficients
    found = np.linalg.lstsq(new.basis(share * new.length), wanted, rcond=None)[0]
    return np.asarray(found, dtype=np.float64)


def _next(fit: ShellFit, smooth_mm: float) -> _Start:
    """The next round's start: the fitted surface becomes the curve."""
    s = fit.curve.s_mm
    parts = fit.layout.slices()
    moved = fit.curve.offset(fit.layout.edge.basis(s) @ fit.theta[parts[0]], smooth_mm)
    thickness = np.exp(fit.layout.thickness.basis(s) @ fit.theta[parts[3]])
    share = np.linspace(0, 1, len(moved.s_mm))
    return _Start(moved, np.interp(share, np.linspace(0, 1, len(s)), thickness), fit)
