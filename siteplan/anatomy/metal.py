"""An existing fixture or other metal at a click, as a tube around it."""

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage

from siteplan.anatomy.levels import levels_of
from siteplan.anatomy.sample import box_around
from siteplan.anatomy.side import side_of
from siteplan.anatomy.structure import Kind, MadeBy, Structure, Tube
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

REACH_MM = 18.0
SNAP_MM = 3.0
STEP_MM = 0.5


def trace_metal(scan: Scan, near_lps_mm: ArrayLike, *, side: str | None = None) -> Structure:
    """The connected metal at a click as a tube along its longest direction, one radius per height.

    Metal blooms: its picture is wider than the thing. The tube holds all of the picture, so a distance to it is short
    rather than long.

    Raises:
        GeometryError: no metal lies there.
    """
    near = np.asarray(near_lps_mm, dtype=np.float64)
    if near.shape != (3,) or not scan.contains(near):
        raise GeometryError("near: the point lies outside the scan; give patient millimetres inside it.")
    spacing = float(np.clip(0.7 * min(scan.spacing_kji_mm), 0.25, 0.8))
    box = box_around(scan, near, REACH_MM, spacing)
    labels, _ = ndimage.label(box.filled > levels_of(scan).metal_edge)
    points = box.to_lps(np.argwhere(labels > 0))
    away = np.linalg.norm(points - near, axis=1) if len(points) else np.array([np.inf])
    if away.min() > SNAP_MM:
        raise GeometryError(f"near: no metal lies within {SNAP_MM:.0f} mm of this point; click on the metal itself.")
    chosen = labels[box.nearest(points[int(np.argmin(away))])]
    mine = box.to_lps(np.argwhere(labels == chosen))
    if len(mine) < 8:
        raise GeometryError("near: the metal there is only a few voxels; enlarge the scan's resolution or draw it.")
    centre = mine.mean(axis=0)
    axis = np.linalg.svd(mine[:: max(1, len(mine) // 4000)] - centre, full_matrices=False)[2][0]
    along = (mine - centre) @ axis
    beside = np.linalg.norm(mine - centre - along[:, None] * axis, axis=1)
    heights = np.arange(along.min(), along.max() + STEP_MM, STEP_MM)
    radius = np.array([_widest(beside[np.abs(along - h) <= STEP_MM], spacing) for h in heights])
    tube = Tube(centre + heights[:, None] * axis, radius)
    voxel = float(max(scan.spacing_kji_mm))
    note = "Metal found by the computer from one click; its picture blooms: the thing itself is thinner."
    where = side_of(scan, centre) if side is None else side
    return Structure(Kind.EXISTING_FIXTURE, "existing metal", tube, where, MadeBy.FOUND, 0.5 * voxel + 0.2, None, note)


def _widest(beside: np.ndarray[tuple[int, ...], np.dtype[np.float64]], spacing: float) -> float:
    return float(beside.max()) + 0.5 * spacing if beside.size else 0.0
