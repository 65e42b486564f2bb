"""An air cavity near a point, and the rough surface of its floor as triangles."""

from dataclasses import dataclass
from heapq import heappop, heappush

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from skimage.measure import marching_cubes

from siteplan.anatomy.levels import Levels
from siteplan.anatomy.sample import Box, box_around
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]

NEAR_MM = 15.0
"""How far the given point may lie from the cavity; a click on the crest below a floor still finds it (our own)."""

HEIGHT_MM = 22.0
"""How far around the point the cavity is looked for (our own)."""

_SMALLEST_MM3 = 100.0
"""Air smaller than this is a bubble or noise, no cavity (our own)."""

_FACING = 0.2
"""Cosine of the steepest wall that still counts as floor, about 78 degrees to the horizontal (our own)."""

_TALLEST_MM = 12.0
"""What rises further above the floor over the site than this is wall or another cavity (our own)."""

_WALL_MM, _BEYOND_MM = 7.0, 0.8
"""A ridge this much higher than the floor over the site is a wall; what lies this far below its top on the other side
belongs to another cavity (our own)."""

_NECK_MM = 1.5
"""Passages narrower than twice this do not join two cavities (our own; an ostium is about 2 to 4 mm wide)."""


@dataclass(frozen=True, eq=False)
class RoughFloor:
    """points_lps_mm (N, 3), triangles (T, 3), normal (N, 3) into the cavity; open_to_border: it leaves the scan."""

    points_lps_mm: Points
    triangles: NDArray[np.int64]
    normal: Points
    open_to_border: bool


def rough_floor(
    scan: Scan, near_lps_mm: ArrayLike, levels: Levels, up: Points, radius_mm: float, spacing_mm: float
) -> RoughFloor:
    """The floor of the air cavity nearest to a point, within `radius_mm` to the sides of it.

    Args:
        up: (3,) unit vector from the floor into the cavity.

    Raises:
        GeometryError: no air cavity near the point, or none of its wall looks like a floor there.
    """
    near = np.asarray(near_lps_mm, dtype=np.float64)
    if not scan.contains(near):
        raise GeometryError("near: the point lies outside the scan; give patient millimetres inside it.")
    if levels.air is None:
        raise GeometryError("near: this scan shows no air, so no cavity can be found in it.")
    box = box_around(scan, near, HEIGHT_MM, spacing_mm)
    air = box.filled < levels.air_edge
    air[~np.isfinite(box.values)] = False
    chosen = _part_above(air, box, near, up)
    grey = np.where(chosen | ~ndimage.binary_dilation(air & ~chosen, iterations=2), box.filled, levels.soft)
    grey = np.where(ndimage.binary_dilation(chosen, iterations=2), grey, np.maximum(grey, levels.soft))
    try:
        index, triangles, _, _ = marching_cubes(grey.astype(np.float32), level=levels.air_edge)
    except (ValueError, RuntimeError) as error:
        raise GeometryError("near: the air there has no closed wall inside the scan.") from error
    points = box.to_lps(index)
    normal = _into_air(box, points, levels)
    beside = (points - near) - ((points - near) @ up)[:, None] * up
    floor = (normal @ up > _FACING) & (np.linalg.norm(beside, axis=1) <= radius_mm)
    floor &= _inside(box, index)
    return _patch(points, triangles.astype(np.int64), normal, floor, near, up, _leaves(chosen, box))


def _part_above(air: NDArray[np.bool_], box: Box, near: Points, up: Points) -> NDArray[np.bool_]:
    """The connected air that the point lies in, or else the nearest above it; the mouth below it does not count."""
    opened = ndimage.binary_opening(air, iterations=max(1, round(_NECK_MM / box.spacing_mm)))
    labels, count = ndimage.label(opened)
    sizes = np.bincount(labels.ravel(), minlength=count + 1) * box.spacing_mm**3
    keep = np.flatnonzero(sizes[1:] >= _SMALLEST_MM3) + 1
    if not keep.size:
        raise GeometryError(
            "near: no air cavity lies near this point; click inside the cavity or on the bone below it."
        )
    index = np.argwhere(np.isin(labels, keep))
    offset = box.to_lps(index) - near
    away, rise = np.linalg.norm(offset, axis=1), offset @ up
    beside = np.sqrt(np.maximum(away**2 - rise**2, 0.0))
    below = (away > 2 * box.spacing_mm) & (beside > 0.6 * rise + 2.0)
    best = int(np.argmin(away + 100.0 * below))
    if away[best] > NEAR_MM or below[best]:
        raise GeometryError(
            f"near: no air cavity begins within {NEAR_MM:.0f} mm above this point; click in it or on the bone below."
        )
    chosen = labels == labels[tuple(index[best])]
    grown: NDArray[np.bool_] = ndimage.binary_dilation(chosen, iterations=2) & air
    return grown


def _into_air(box: Box, points: Points, levels: Levels) -> Points:
    """Unit vectors towards lower grey, from a smoothed box clipped to the air edge so that bone has no say."""
    clipped = np.clip(box.filled, levels.air if levels.air is not None else levels.soft, levels.soft)
    smooth = ndimage.gaussian_filter(clipped, 1.0 / box.spacing_mm)
    gradient = np.stack([ndimage.sobel(smooth, axis=a) for a in (2, 1, 0)], axis=-1)
    at = box.to_index(points).T
    normal = -np.stack([ndimage.map_coordinates(gradient[..., d], at, order=1) for d in range(3)], axis=1)
    out: Points = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    return out


def _inside(box: Box, index: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Which points keep a distance of 1.5 voxels from the box, where a wall may be no more than a cut."""
    return np.asarray(((index > 1.5) & (index < np.array(box.values.shape) - 2.5)).all(axis=1))


def _leaves(chosen: NDArray[np.bool_], box: Box) -> bool:
    """Whether the cavity reaches voxels beside the end of the scan."""
    outside = ~np.isfinite(box.values)
    return bool((ndimage.binary_dilation(outside, iterations=2) & chosen).any())


def _patch(
    points: Points,
    triangles: NDArray[np.int64],
    normal: Points,
    keep: NDArray[np.bool_],
    near: Points,
    up: Points,
    leaves: bool,
) -> RoughFloor:
    """The connected part of the kept triangles that lies straight above or below the point."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    whole = triangles[keep[triangles].all(axis=1)]
    if not len(whole):
        raise GeometryError("near: the cavity shows no floor within reach of this point; click nearer to the floor.")
    edges = np.concatenate([whole[:, [0, 1]], whole[:, [1, 2]]])
    n = len(points)
    _, part = connected_components(
        coo_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), (n, n)), directed=False
    )
    used = np.unique(whole)
    sizes = np.bincount(part[used])
    offset = points[used] - near
    beside = np.linalg.norm(offset - (offset @ up)[:, None] * up, axis=1)
    big = sizes[part[used]] >= max(20, 0.1 * sizes.max())
    if not big.any():
        raise GeometryError("near: the cavity's floor is too small there; click nearer to its lowest part.")
    best = part[used][big][int(np.argmin((beside + 0.3 * np.abs(offset @ up))[big]))]
    mine = whole[part[whole[:, 0]] == best]
    mine = _not_too_tall(mine, points, near, up)
    used, renumbered = np.unique(mine, return_inverse=True)
    return RoughFloor(points[used], renumbered.reshape(mine.shape).astype(np.int64), normal[used], leaves)


def _not_too_tall(triangles: NDArray[np.int64], points: Points, near: Points, up: Points) -> NDArray[np.int64]:
    """The triangles that belong to the floor over the site.

    Dropped: what rises more than `_TALLEST_MM` above the lowest floor within 4 mm beside the site, and what lies
    beyond a wall taller than `_WALL_MM` (the floor of another cavity, where the wall between is too thin for the scan).
    """
    used = np.unique(triangles)
    offset = points - near
    height = offset @ up
    beside = np.linalg.norm(offset - height[:, None] * up, axis=1)
    close = used[beside[used] <= max(4.0, float(beside[used].min()) + 1.0)]
    start = int(close[int(np.argmin(height[close]))])
    climb = _least_climb(triangles, height, start)
    beyond = (climb > height[start] + _WALL_MM) & (climb > height + _BEYOND_MM)
    keep = (height <= height[start] + _TALLEST_MM) & ~beyond
    return np.asarray(triangles[keep[triangles].all(axis=1)])


def _least_climb(triangles: NDArray[np.int64], height: Points, start: int) -> Points:
    """(N,) height of the lowest pass on the way from `start` to each point along the triangles' edges."""
    neighbours: dict[int, list[int]] = {}
    for a, b, c in triangles.tolist():
        neighbours.setdefault(a, []).extend((b, c))
        neighbours.setdefault(b, []).extend((a, c))
        neighbours.setdefault(c, []).extend((a, b))
    climb = np.full(len(height), np.inf)
    climb[start] = height[start]
    heap = [(float(height[start]), start)]
    while heap:
        so_far, here = heappop(heap)
        if so_far > climb[here]:
            continue
        for there in neighbours.get(here, ()):
            new = max(so_far, float(height[there]))
            if new < climb[there]:
                climb[there] = new
                heappush(heap, (new, there))
    return climb
