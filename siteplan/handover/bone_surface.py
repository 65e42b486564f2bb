"""The bone around the sites as a closed surface, on the scan's own grid."""

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.levels import grey_levels
from siteplan.report.closed_mesh import ClosedMesh
from siteplan.scan.volume import Scan

REACH_MM = 15.0
"""Bone is given this far around the planned crests and apices (own choice)."""

GRID_MM = 0.4
"""Nodes are at least this far apart; finer voxels are smoothed and thinned (own choice, keeps files usable)."""

_SMOOTH_MM = 0.15
"""SD of the smoothing before the surface is taken (own choice: less than half the blur of a fine scan)."""

_EDGE_SHARE = 0.65
"""The surface lies where grey is this share of the step from air to soft tissue above soft tissue: about 720 HU on a
true scale, half way from soft tissue to dense cortex. Measured on simulated jaws (see `METHOD`): 0.6 errs outwards at
thick cortex by 0.1 mm, 0.7 inwards at thin cortex by 0.25 mm."""

_FILLED_BELOW_MM = 0.7
"""Deeper than this below the outermost trace of bone everything is solid, so that spongy bone, which is less dense than
the edge's grey value, does not make the bone a hollow shell. Twice the usual blur (own choice)."""

_FILLED_BELOW_NODES = 1.5
"""The same in nodes: nearer to the edge a filled node would take the edge's place and make steps (own choice)."""

SMALLEST_MM3 = 20.0
"""Islands of bone, and holes in bone, smaller than this are noise or chips (own choice)."""

METHOD = (
    "level surface of the scan at one grey value for the whole field, spongy bone filled, soft marrow left hollow; on "
    "simulated jaws its widths erred by up to 0.15 mm, where cortex is thin by up to 0.4 mm; voxels above 0.5 mm lose "
    "thin bone; so measure nothing on it"
)


def bone_surface(scan: Scan, around_lps_mm: NDArray[np.float64]) -> ClosedMesh | None:
    """The bone within `REACH_MM` of the box around some points (N, 3); None where there is none.

    Closed: where the box or the scan ends, the surface ends in a flat. See `METHOD` for how and how well.
    """
    from scipy.ndimage import distance_transform_edt, gaussian_filter
    from skimage.measure import marching_cubes

    region = _region(scan, around_lps_mm)
    spacing = np.array(scan.spacing_kji_mm)
    levels = grey_levels(scan)
    level = levels.soft + _EDGE_SHARE * levels.step
    stride = np.maximum(1, np.floor(GRID_MM / spacing + 1e-6)).astype(int)
    grey = gaussian_filter(scan.values(region), _SMOOTH_MM / spacing)[:: stride[0], :: stride[1], :: stride[2]]
    if min(grey.shape) < 2:
        return None
    node_mm3 = float(np.prod(spacing * stride))
    bone = ~_without_islands(~_without_islands(grey > levels.bone_floor, node_mm3), node_mm3)
    if not (bone & (grey > level)).any():
        return None
    fill_below_mm = max(_FILLED_BELOW_MM, _FILLED_BELOW_NODES * float((spacing * stride).max()))
    deep = distance_transform_edt(bone, sampling=spacing * stride) > fill_below_mm
    grey = np.where(
        deep, np.maximum(grey, level + 0.5 * levels.step), np.where(bone, grey, np.minimum(grey, level - 1))
    )
    below = min(float(grey.min()), level - levels.step)
    points, triangles, *_ = marching_cubes(np.pad(grey, 1, constant_values=below), level)
    first = np.array([part.start for part in region])
    mesh = ClosedMesh(scan.index_to_lps(first + (points.astype(np.float64) - 1) * stride), triangles.astype(np.int64))
    return mesh if mesh.volume_mm3 > 0 else ClosedMesh(mesh.points_lps_mm, mesh.triangles[:, ::-1])


def _region(scan: Scan, around_lps_mm: NDArray[np.float64]) -> tuple[slice, slice, slice]:
    low, high = around_lps_mm.min(axis=0) - REACH_MM, around_lps_mm.max(axis=0) + REACH_MM
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    index = scan.lps_to_index(corners)
    first = np.maximum(np.floor(index.min(axis=0)).astype(int), 0)
    last = np.minimum(np.ceil(index.max(axis=0)).astype(int) + 1, scan.shape)
    k, j, i = (slice(int(a), int(b)) for a, b in zip(first, last, strict=True))
    return k, j, i


def _without_islands(bone: NDArray[np.bool_], node_mm3: float) -> NDArray[np.bool_]:
    """The nodes (K, J, I) without connected groups below `SMALLEST_MM3`."""
    from scipy.ndimage import label

    islands, count = label(bone)
    large = np.bincount(islands.ravel(), minlength=count + 1) * node_mm3 >= SMALLEST_MM3
    large[0] = False
    return np.asarray(large[islands])
