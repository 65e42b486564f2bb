"""One resample of the scan into a `SiteBlock`."""

import itertools
from typing import Any

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray

from siteplan.bone.block import SiteBlock
from siteplan.errors import GeometryError
from siteplan.frame import SiteFrame
from siteplan.scan.volume import Scan

DEPTH_RANGE_MM = (-5.0, 32.0)
"""From above the gum to below the lower border of most lower jaws."""
BUCCAL_REACH_MM = 12.0
"""Half width: wider than any ridge in the reference values, axis well off centre included."""
DISTAL_REACH_MM = 7.0
"""Half length along the arch: half of a wide single gap."""
SPACING_RANGE_MM = (0.2, 0.3)
"""Finer than the first costs time without adding information, coarser than the second loses thin plates."""
_MARGIN = 3
"""Voxels kept around the block's box so that the interpolating spline does not feel the cut."""


def block_spacing(scan: Scan) -> float:
    """The scan's smallest voxel edge in mm, kept within `SPACING_RANGE_MM`."""
    return float(np.clip(min(scan.spacing_kji_mm), *SPACING_RANGE_MM))


def sample_block(
    scan: Scan,
    frame: SiteFrame,
    *,
    depth_range_mm: tuple[float, float] = DEPTH_RANGE_MM,
    buccal_reach_mm: float = BUCCAL_REACH_MM,
    distal_reach_mm: float = DISTAL_REACH_MM,
    spacing_mm: float | None = None,
    smooth: bool = True,
) -> SiteBlock:
    """Resample the scan into an isotropic block in `frame`.

    Args:
        smooth: cubic spline, which adds almost no blur of its own; False: linear, several times faster.

    Returns:
        Block whose zeros fall on grid positions. Positions outside the scan, or that touch padding, are NaN.

    Raises:
        GeometryError: no part of the block lies inside the scan.
    """
    step = block_spacing(scan) if spacing_mm is None else spacing_mm
    depth = _grid(depth_range_mm[0], depth_range_mm[1], step)
    buccal = _grid(-buccal_reach_mm, buccal_reach_mm, step)
    distal = _grid(-distal_reach_mm, distal_reach_mm, step)
    corners = np.array(list(itertools.product(depth[[0, -1]], buccal[[0, -1]], distal[[0, -1]])))
    crop, first, hole = _crop(scan, scan.lps_to_index(frame.to_lps(*corners.T)))
    values = _resample(
        scan, crop, first, frame, (depth, buccal, distal), sitk.sitkBSpline3 if smooth else sitk.sitkLinear
    )
    if hole is not None:
        gap = _resample(scan, hole, first, frame, (depth, buccal, distal), sitk.sitkLinear)
        values[~(gap < 1e-3)] = np.nan
    return SiteBlock(values, frame, depth, buccal, distal, step, scan.spacing_kji_mm)


def _grid(low: float, high: float, step: float) -> NDArray[np.float64]:
    """Multiples of `step` that cover [low, high]; zero is one of them."""
    count = np.arange(int(np.floor(low / step)), int(np.ceil(high / step)) + 1)
    return (step * count).astype(np.float64)


def _crop(
    scan: Scan, corners_kji: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.int64], NDArray[np.float32] | None]:
    """Grey values of the voxel box around the corners, its first index, and a map of padding if there is any."""
    shape = np.array(scan.shape)
    low = np.clip(np.floor(corners_kji.min(axis=0)).astype(np.int64) - _MARGIN, 0, shape)
    high = np.clip(np.ceil(corners_kji.max(axis=0)).astype(np.int64) + _MARGIN + 1, 0, shape)
    if (high - low < 2).any():
        raise GeometryError(
            "crest: the site lies outside the scan; check that the point is in patient millimetres (LPS)."
        )
    k, j, i = (slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    crop = scan.values((k, j, i))
    if scan.padding is None:
        return crop, low, None
    hole = scan.voxels[k, j, i] == scan.padding
    if not hole.any():
        return crop, low, None
    if hole.all():
        raise GeometryError("crest: the site lies where the scan holds only padding.")
    crop[hole] = np.median(crop[~hole])
    return crop, low, hole.astype(np.float32)


def _resample(
    scan: Scan,
    crop: NDArray[np.float32],
    first_kji: NDArray[np.int64],
    frame: SiteFrame,
    grids: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
    interpolator: Any,
) -> NDArray[np.float32]:
    """(D, B, M) values; NaN outside the crop's outermost voxel centres.

    Works in the crop's own index space scaled to mm, so left-handed volumes (which SimpleITK refuses) need no
    special case: the block's directions are expressed there, and they may form any right-angled triad.
    """
    depth, buccal, distal = grids
    spacing = np.array(scan.spacing_kji_mm)
    image = sitk.GetImageFromArray(crop)
    image.SetSpacing([float(s) for s in spacing[::-1]])
    # Rows: mm along i, j, k of a patient direction; columns of the result: distal, buccal, depth (x fastest).
    unit_columns = scan.affine[:3, :3] / spacing[::-1]
    directions = unit_columns.T @ np.stack([frame.distal, frame.buccal, frame.axis], axis=1)
    start_kji = scan.lps_to_index(frame.to_lps(depth[0], buccal[0], distal[0])) - first_kji
    step = float(depth[1] - depth[0])
    mirrored = np.linalg.det(directions) < 0
    if mirrored:  # SimpleITK wants a right-handed grid: walk the distal axis backwards and flip afterwards
        start_kji = scan.lps_to_index(frame.to_lps(depth[0], buccal[0], distal[-1])) - first_kji
        directions[:, 0] = -directions[:, 0]
    origin = (start_kji * spacing)[::-1]
    out = sitk.Resample(
        image,
        [len(distal), len(buccal), len(depth)],
        sitk.Transform(),
        interpolator,
        [float(x) for x in origin],
        [step] * 3,
        [float(x) for x in directions.ravel()],
        float("nan"),
        sitk.sitkFloat32,
    )
    values = sitk.GetArrayFromImage(out)
    if mirrored:
        values = values[:, :, ::-1].copy()
    _mark_outside(values, scan, frame, grids)
    result: NDArray[np.float32] = values
    return result


def _mark_outside(
    values: NDArray[np.float32],
    scan: Scan,
    frame: SiteFrame,
    grids: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
) -> None:
    """NaN beyond the outermost voxel centres: SimpleITK itself reaches half a voxel further."""
    depth, buccal, distal = grids
    corners = np.array(list(itertools.product(depth[[0, -1]], buccal[[0, -1]], distal[[0, -1]])))
    if scan.contains(frame.to_lps(*corners.T)).all():
        return
    step = scan.lps_to_index(frame.to_lps([0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]))
    zero, along = step[0], step[1:] - step[0]
    for a, last in enumerate(np.array(scan.shape) - 1):
        # Most layers of a block lie inside whole: only those that a face of the scan cuts are looked at voxel by voxel.
        layer = zero[a] + (depth * along[0, a])[:, None] + buccal * along[1, a]
        across = distal * along[2, a]
        low, high = layer.min(axis=1) + across.min(), layer.max(axis=1) + across.max()
        cut = np.flatnonzero((low < -1e-6) | (high > last + 1e-6))
        index = layer[cut, :, None] + across
        part = values[cut]
        np.copyto(part, np.nan, where=(index < -1e-6) | (index > last + 1e-6))
        values[cut] = part
