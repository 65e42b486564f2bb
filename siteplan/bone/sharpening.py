"""What blur took from, and added to, each voxel near the shell: so that a mean over a region is that of the bone.

A cylinder that starts on the bone surface loses part of its cortex to the soft tissue outside. The fitted shell
says how much: its values without blur minus its values with blur.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.block import SiteBlock
from siteplan.bone.outline import Array, cells_beside
from siteplan.bone.shell_fit import Problem, ShellFit, Voxels
from siteplan.bone.shell_model import ShellState, shell

_PLANES_MM = 3.5
_BLURS = 3.0
_TRUSTED_MISFIT = 2.5
"""Where residuals exceed this many times the noise (as SD) the shell says nothing."""


@dataclass(frozen=True, eq=False)
class Sharpening:
    """Grey value to add at some voxels of the block: flat indices (N,) and values (N,)."""

    index: NDArray[np.int64]
    value: Array

    def shift(self, weights: NDArray[np.float32]) -> float:
        """Change of a weighted mean over the block."""
        total = float(weights.sum())
        return 0.0 if total <= 0 else float(weights.ravel()[self.index] @ self.value) / total


def sharpening_of(block: SiteBlock, fit: ShellFit, slice_dir: Array) -> Sharpening:
    """Difference between the shell without and with blur, near the shell; `block` in the depths of the fit."""
    parts = fit.layout.slices()
    tau = float(np.exp(fit.theta[parts[7]].max()))
    t = np.exp(fit.layout.thickness.basis(fit.curve.s_mm) @ fit.theta[parts[3]])
    reach = _BLURS * tau + 0.3
    cells = cells_beside(fit.curve, block.depth_mm, block.buccal_mm, reach, np.minimum(t + reach, 6.0))
    planes = np.flatnonzero(np.abs(block.distal_mm) <= _PLANES_MM)
    shape = (len(cells.s_mm), len(planes))
    voxels = Voxels(cells, block.distal_mm[planes], np.zeros(shape), np.ones(shape, dtype=bool))
    problem = Problem(fit.curve, voxels, fit.layout, fit.prior, slice_dir, fit.curve.normal[cells.point])
    state, _ = problem.state(fit.theta)
    sharp = ShellState(
        state.x,
        state.t,
        state.outside,
        state.inside,
        state.cortex,
        np.full_like(state.tau, block.spacing_mm / np.sqrt(12)),
        np.zeros_like(state.bend),
    )
    difference = shell(sharp).value - shell(state).value
    bad = np.repeat(np.sqrt(fit.local_misfit[cells.point]) > _TRUSTED_MISFIT, len(planes))
    difference[bad] = 0.0
    where = np.ravel_multi_index(
        (np.repeat(cells.row, len(planes)), np.repeat(cells.column, len(planes)), np.tile(planes, len(cells.s_mm))),
        block.values.shape,
    )
    return Sharpening(where.astype(np.int64), difference)
