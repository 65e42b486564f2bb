"""`measure_bone`: one site, from scan and frame to everything known about its bone."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.apex import fit_apex, is_narrow
from siteplan.bone.assemble import Measured, assemble
from siteplan.bone.below import fitted_below, nothing_below
from siteplan.bone.block import SiteBlock
from siteplan.bone.blur import air_edge_blur
from siteplan.bone.calibration import Calibration
from siteplan.bone.findings import Array, BoneFindings
from siteplan.bone.half_maximum import HalfMaximumReader
from siteplan.bone.junction import JunctionFitter
from siteplan.bone.levels import GreyLevels, grey_levels
from siteplan.bone.metal import metal_mask, without
from siteplan.bone.reading import SectionReader
from siteplan.bone.rezero import ShiftedReader, rezeroed
from siteplan.bone.sample import sample_block
from siteplan.bone.section import section_of
from siteplan.bone.sharpening import sharpening_of
from siteplan.bone.shell_fit import ShellFit
from siteplan.bone.shell_reader import ShellReader
from siteplan.bone.shell_site import fit_shell
from siteplan.bone.shell_surface import Shell
from siteplan.bone.threads import one_thread
from siteplan.frame import SiteFrame
from siteplan.scan.volume import Scan

_METAL_AROUND_MM, _METAL_DEPTH_MM = 5.0, 12.0
"""Where metal is looked for when its share is reported."""
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
    mask = None if quick else metal_mask(planned, levels)
    clean = planned if mask is None else without(planned, mask)
    reader, fit = _reader(scan, clean, levels, quick, metal=mask is not None and bool(mask.any()))
    entry = reader.axis().entry
    sharpening = None if fit is None else sharpening_of(planned, fit, _slice_direction(scan, frame))
    at = entry.at_mm or 0.0
    found = Measured(
        rezeroed(planned, at),
        rezeroed(clean, at),
        ShiftedReader(reader, at),
        entry,
        levels,
        fit,
        sharpening,
        0.0 if mask is None else _metal_share(planned, mask, at),
    )
    return assemble(found, tuple(float(x) for x in levels_mm), calibration, quick)


def _metal_share(block: SiteBlock, mask: NDArray[np.bool_], entry_mm: float) -> float:
    """Share of the voxels within 5 mm of the first 12 mm of the axis that metal or its streaks reach."""
    near = np.hypot(block.buccal_mm[:, None], block.distal_mm) <= _METAL_AROUND_MM
    deep = (block.depth_mm >= entry_mm) & (block.depth_mm <= entry_mm + _METAL_DEPTH_MM)
    return float(mask[deep][:, near].mean())


def _slice_direction(scan: Scan, frame: SiteFrame) -> Array:
    """(3,) slice normal of the scan in the frame: depth, buccal, distal."""
    normal = scan.affine[:3, 2] / np.linalg.norm(scan.affine[:3, 2])
    return np.array([normal @ frame.axis, normal @ frame.buccal, normal @ frame.distal])


def _reader(
    scan: Scan, block: SiteBlock, levels: GreyLevels, quick: bool, *, metal: bool
) -> tuple[SectionReader, ShellFit | None]:
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
        narrow = is_narrow(shell)
        apex = fit_apex(block, shell, slice_dir) if narrow else None
    junctions = JunctionFitter(block, fit, slice_dir)
    return ShellReader(shell, replace(plain.axis(), below=below), plain, junctions, narrow, apex, metal), fit
