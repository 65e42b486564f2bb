"""How the slices of one stack lie in the patient, and whether they make a regular grid.

Only Image Position, Image Orientation and Pixel Spacing are believed (DICOM PS3.3 C.7.6.2.1.1). Instance numbers,
slice locations, slice thickness and tilt angles are known to be wrong in real exports and play no part.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.scan import defects
from siteplan.scan.findings import ScanFinding
from siteplan.scan.slices import Slice

PLACE_TOLERANCE_MM = 0.01
PLACE_TOLERANCE_SHARE = 0.02
"""A slice may lie this far from the straight-line fit: the larger of the length and the share of the spacing. Writers
round positions to 0.001 to 0.01 mm (measured: a jitter of 0.004 mm is common); a missing slice shows as 100 %."""

DRIFT_MM = 0.05
"""Sideways drift over the whole stack, from the first to the last slice, above which the stack counts as tilted: a
tenth of a coarse voxel. Own bound; rounded direction cosines cause less."""

_COSINE_TOLERANCE = 1e-3
"""Direction cosines may miss length one and the right angle by this; then they are made exact. Own bound."""

_SAME_PLACE_SHARE = 0.25
_WHOLE_GAP_SHARE = 0.15
"""Gaps below the first share of the usual one are the same place; gaps this close to a multiple are missing slices."""


@dataclass(frozen=True, eq=False)
class Layout:
    """Where the slices lie.

    Attributes:
        order: (K,) which slice comes at which place, ascending along the slice normal.
        affine: (4, 4) (i, j, k, 1) to LPS mm with k along the slice normal; for a tilted stack that of its first
            slice, the drift left aside.
        drift_mm: (2,) sideways shift per slice, along a row and along a column; zeros unless the stack is tilted.
    """

    order: NDArray[np.intp]
    affine: NDArray[np.float64]
    drift_mm: NDArray[np.float64]

    @property
    def tilted(self) -> bool:
        """Whether slices are shifted against each other (gantry tilt)."""
        return bool(self.drift_mm.any())

    @property
    def spacing_kji_mm(self) -> tuple[float, float, float]:
        """Distance between slices, rows and columns."""
        i, j, k = np.linalg.norm(self.affine[:3, :3], axis=0)
        return float(k), float(j), float(i)


def lay_out(stack: Sequence[Slice]) -> tuple[Layout | None, list[ScanFinding]]:
    """Layout of slices that share orientation, size and pixel spacing, and what is wrong with it.

    Returns None for the layout when a finding is a refusal.
    """
    first = stack[0]
    if any(one.position is None for one in stack) or first.orientation is None:
        return None, [defects.no_position([one.where for one in stack if one.position is None or not one.orientation])]
    if first.spacing is None or min(first.spacing) <= 0:
        return None, [defects.no_pixel_spacing(first.where)]
    axes = _axes(first.orientation)
    if axes is None:
        return None, [defects.bad_orientation(first.where)]
    if len(stack) < 2:
        return None, [defects.single_slice(first.where)]
    positions = np.array([one.position for one in stack])
    along = positions @ axes[2]
    order = np.argsort(along, kind="stable")
    found = _gaps(stack, positions, order, along[order])
    if found:
        return None, found
    return _fitted(stack, positions[order], order, axes, first.spacing)


def _axes(orientation: tuple[float, ...]) -> NDArray[np.float64] | None:
    """(3, 3) unit directions of a row, of a column and of the slice normal; None when they make no sense."""
    row, column = np.array(orientation[:3]), np.array(orientation[3:])
    lengths = np.array([np.linalg.norm(row), np.linalg.norm(column)])
    if np.abs(lengths - 1).max() > _COSINE_TOLERANCE or abs(row @ column) > _COSINE_TOLERANCE:
        return None
    row = row / lengths[0]
    column = column - (column @ row) * row
    column /= np.linalg.norm(column)
    return np.stack([row, column, np.cross(row, column)])


def _tolerance(spacing_mm: float) -> float:
    return max(PLACE_TOLERANCE_MM, PLACE_TOLERANCE_SHARE * spacing_mm)


def _gaps(
    stack: Sequence[Slice], positions: NDArray[np.float64], order: NDArray[np.intp], along: NDArray[np.float64]
) -> list[ScanFinding]:
    """Duplicate positions and missing slices."""
    gaps = np.diff(along)
    apart = gaps[gaps > PLACE_TOLERANCE_MM]
    if not len(apart):
        return [defects.duplicate_positions(len(gaps), stack[order[0]].where, stack[order[1]].where)]
    usual = float(np.median(apart))
    same = np.flatnonzero(gaps < _SAME_PLACE_SHARE * usual)
    if len(same):
        at = same[0]
        return [defects.duplicate_positions(len(same), stack[order[at]].where, stack[order[at + 1]].where)]
    multiple = np.round(gaps / usual)
    holes = np.flatnonzero((multiple >= 2) & (np.abs(gaps / usual - multiple) < _WHOLE_GAP_SHARE))
    if len(holes) and np.abs(gaps / usual - multiple).max() < _WHOLE_GAP_SHARE and (multiple >= 1).all():
        return [
            defects.missing_slices(
                int(multiple[at]) - 1,
                positions[order[at]],
                positions[order[at + 1]],
                stack[order[at]].where,
                stack[order[at + 1]].where,
            )
            for at in holes
        ]
    return []


def _fitted(
    stack: Sequence[Slice],
    positions: NDArray[np.float64],
    order: NDArray[np.intp],
    axes: NDArray[np.float64],
    spacing: tuple[float, ...],
) -> tuple[Layout | None, list[ScanFinding]]:
    """Straight-line fit through the positions (K, 3), which are in order."""
    steps = np.arange(len(positions), dtype=np.float64)
    local = positions @ axes.T
    middle = local.mean(axis=0)
    centred = steps - steps.mean()
    per_step = np.round(centred @ (local - middle) / (centred @ centred), 9)  # free of rounding noise
    start = middle - per_step * steps.mean()
    missed = np.abs(local - (start + steps[:, None] * per_step))
    allowed = _tolerance(per_step[2])
    if missed[:, 2].max() > allowed:
        gaps = np.diff(local[:, 2])
        at = int(np.argmax(np.abs(gaps - np.median(gaps))))
        places = (stack[order[at]].where, stack[order[at + 1]].where)
        return None, [defects.unequal_spacing(gaps.min(), gaps.max(), missed[:, 2].max(), allowed, *places)]
    if missed[:, :2].max() > allowed:
        at = int(np.argmax(missed[:, :2].max(axis=1)))
        return None, [defects.shifted_slices(float(missed[at, :2].max()), allowed, stack[order[at]].where)]
    drift = per_step[:2]
    if np.hypot(*drift) * steps[-1] <= DRIFT_MM:
        start = np.array([middle[0], middle[1], start[2]])
        drift = np.zeros(2)
    affine = np.eye(4)
    affine[:3, 0] = axes[0] * spacing[1]
    affine[:3, 1] = axes[1] * spacing[0]
    affine[:3, 2] = axes[2] * per_step[2]
    affine[:3, 3] = start @ axes
    layout = Layout(order, affine, drift)
    if not layout.tilted:
        return layout, []
    angle = float(np.degrees(np.arctan2(np.hypot(*drift), per_step[2])))
    return layout, [defects.tilted(angle, float(np.hypot(*drift) * steps[-1]))]
