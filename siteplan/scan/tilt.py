"""Straightens a stack whose slices are shifted against each other (gantry tilt).

The shift is taken from positions, never from the stated tilt angle, which is nominal. Each slice is moved within its
own plane by linear interpolation, which cannot overshoot; the direction of the stack is then its normal.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.scan.geometry import Layout

_EMPTY_BELOW = 1
"""Places that no slice covers get the lowest representable value less this, so that no real voxel has it."""

_MOST_GROWTH = 4.0
"""Straightening may make slices so many times larger. Tilts stay below 30 degrees (common practice, no source)."""


def straightened(
    voxels: NDArray[Any], layout: Layout, padding: int | None
) -> tuple[NDArray[np.float32], NDArray[np.float64], int] | None:
    """The volume on a grid at right angles that covers all slices.

    Args:
        voxels: (K, J, I) stored values.
        layout: with its drift per slice.
        padding: stored value of voxels without data, which is not mixed into its neighbours.

    Returns:
        (K, J', I') float32 stored values, the new affine, and the stored value that marks places without data; or None
        when the grid would be absurdly large.
    """
    count, rows, columns = voxels.shape
    _, row_spacing, column_spacing = layout.spacing_kji_mm
    pixels = np.arange(count)[:, None] * (layout.drift_mm / [column_spacing, row_spacing])  # (K, 2) in i, j
    low = np.floor(pixels.min(axis=0))
    extra = np.ceil((pixels - low).max(axis=0)).astype(int)
    if (rows + extra[1]) * (columns + extra[0]) > _MOST_GROWTH * rows * columns:
        return None
    empty = int(np.iinfo(voxels.dtype).min) - _EMPTY_BELOW
    out = np.full((count, rows + extra[1], columns + extra[0]), empty, dtype=np.float32)
    for k in range(count):
        i, j = pixels[k] - low
        plane = voxels[k].astype(np.float32)
        if padding is not None:
            plane[voxels[k] == padding] = np.nan
        moved = _moved(_moved(plane, float(j % 1)).T, float(i % 1)).T
        np.copyto(moved, empty, where=np.isnan(moved))
        out[k, int(j) : int(j) + moved.shape[0], int(i) : int(i) + moved.shape[1]] = moved
    affine = layout.affine.copy()
    affine[:3, 3] += affine[:3, :2] @ low
    return out, affine, empty


def _moved(plane: NDArray[np.float32], share: float) -> NDArray[np.float32]:
    """Rows (N, M) sampled between neighbours, moved on by `share` of a row: (N, M), or (N + 1, M) with edges empty."""
    if share < 1e-6 or share > 1 - 1e-6:
        return plane if share < 0.5 else np.vstack([np.full_like(plane[:1], np.nan), plane])
    between = share * plane[:-1] + (1 - share) * plane[1:]
    edge = np.full_like(plane[:1], np.nan)
    return np.vstack([edge, between, edge])
