"""What blur took from, and added to, each voxel near the shell: so that a mean over a region is that of the bone.

A cylinder that starts on the bone surface loses part of its cortex to the soft tissue outside. The fitted shell
says how much: its values without blur minus its values with blur. Voxels that the region's end cuts are taken in
layers: of a voxel half in bone and half in the region, the half in the region is bone.
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
_LAYERS = 4
"""A voxel is taken in this many layers of depth."""
_TRUSTED_MISFIT = 2.5
"""Where residuals exceed this many times the noise (as SD) the shell says nothing."""


@dataclass(frozen=True, eq=False)
class Sharpening:
    """Grey value to add at some voxels of the block: flat indices (N,) and values (L, N) of layers from above down."""

    index: NDArray[np.int64]
    layers: Array

    def shift(self, weights: NDArray[np.float32]) -> float:
        """Change of a weighted mean over the block; weights of its cut rows are taken for shares of their depth."""
        total = float(weights.sum())
        if total <= 0:
            return 0.0
        flat, row = weights.ravel(), int(np.prod(weights.shape[1:]))
        here = flat[self.index].astype(np.float64)
        above, below = (
            np.where(inside, flat[np.clip(at, 0, len(flat) - 1)], 0.0)
            for at, inside in (
                (self.index - row, self.index >= row),
                (self.index + row, self.index < len(flat) - row),
            )
        )
        count = len(self.layers)
        depth = (np.arange(count)[:, None] + 0.5) / count
        starts, ends = (above <= 0) & (below > here), (below <= 0) & (above > here)
        share = np.where(starts, here / np.maximum(below, 1e-9), np.where(ends, here / np.maximum(above, 1e-9), 1.0))
        # How much of each layer lies in the region: its lowest part where that starts, its uppermost where it ends.
        from_end = np.where(starts, 1 - depth, depth)
        part = np.clip((share - from_end) * count + 0.5, 0.0, 1.0)
        mean = (part * self.layers).sum(axis=0) / np.maximum(part.sum(axis=0), 1e-9)
        return float(here @ mean) / total


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
    blurred = shell(state).value
    bad = np.repeat(np.sqrt(fit.local_misfit[cells.point]) > _TRUSTED_MISFIT, len(planes))
    layers = np.empty((_LAYERS, len(blurred)))
    down = np.repeat(problem.n_dir[:, 0], len(planes))
    # A step within a layer is averaged over what the cell has of the step's own direction.
    sd = block.spacing_mm / np.sqrt(12) * np.sqrt(np.maximum(1 - down**2 * (1 - 1 / _LAYERS**2), 0.0))
    for k in range(_LAYERS):
        x = state.x + ((k + 0.5) / _LAYERS - 0.5) * block.spacing_mm * down
        flat = np.zeros_like(state.bend)
        sharp = ShellState(x, state.t, state.outside, state.inside, state.cortex, sd, flat)
        layers[k] = np.where(bad, 0.0, shell(sharp).value - blurred)
    where = np.ravel_multi_index(
        (np.repeat(cells.row, len(planes)), np.repeat(cells.column, len(planes)), np.tile(planes, len(cells.s_mm))),
        block.values.shape,
    )
    return Sharpening(where.astype(np.int64), layers)
