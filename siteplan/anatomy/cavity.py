"""An air cavity near a point, and the rough surface of its floor as triangles."""

from collections.abc import Iterator
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

FAR_MM = 25.0
"""How far above or below the given point a floor may lie: a ridge under it is up to 20 mm high and covered by gum, and
a sinus is up to 40 mm high (from memory)."""

HEIGHT_MM = 22.0
"""How far beside the point, and beyond `FAR_MM`, the cavity is looked for (our own)."""

LINING_REACH_MM = 12.0
"""Bone this far below the air's edge still carries the floor: a swollen lining may be so thick (our own)."""

_BONY_GREY, _BONY_SHARE = 0.15, 0.6
"""Grey from soft tissue (0) to dense bone (1) that says bone in this coarse box, where a thin plate is hardly bright;
and the share of a floor that must stand on it (our own)."""

_ABOVE_SHARE = 0.3
"""A floor this many times its height above the click is as far as one beside it: it is below the cavity that one
clicks on the ridge (our own)."""

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
    """The bony floor of an air cavity that a click means, within `radius_mm` to the sides of it.

    Every cavity around is tried. A click in its air (however far above the floor) means its own floor; a click in the
    bone, the gum or the mouth means the floor above it; one in the lining or a septum the floor just below it.

    Args:
        up: (3,) unit vector from the floor into the cavity.

    Raises:
        GeometryError: no air cavity near the point, or none of them has a floor of bone there.
    """
    near = np.asarray(near_lps_mm, dtype=np.float64)
    if not scan.contains(near):
        raise GeometryError("near: the point lies outside the scan; give patient millimetres inside it.")
    if levels.air is None:
        raise GeometryError(
            "near: this scan shows no air, so no cavity can be found in it (a cavity full of fluid shows none); "
            "draw the floor by hand."
        )
    box = box_around(scan, near + np.outer([-FAR_MM, 0.0, FAR_MM], up), HEIGHT_MM, spacing_mm)
    air = box.filled < levels.air_edge
    air[~np.isfinite(box.values)] = False
    floors = []
    for part in _parts(air, box, near, up, radius_mm):
        found = _floor_of(part, air, box, levels, near, up, radius_mm)
        if found is not None:
            floors.append((_far_from(found, part, box, near, up), found))
    if not floors:
        raise GeometryError(
            f"near: no air cavity with a floor of bone lies within {radius_mm:.0f} mm beside this point and "
            f"{FAR_MM:.0f} mm above or below it; click in the cavity's air or on the ridge straight below it."
        )
    return min(floors, key=lambda each: each[0])[1]


def _parts(air: NDArray[np.bool_], box: Box, near: Points, up: Points, radius_mm: float) -> Iterator[NDArray[np.bool_]]:
    """The connected pieces of air, large enough for a cavity, that come within `radius_mm` beside the click."""
    opened = ndimage.binary_opening(air, iterations=max(1, round(_NECK_MM / box.spacing_mm)))
    labels, count = ndimage.label(opened)
    sizes = np.bincount(labels.ravel(), minlength=count + 1) * box.spacing_mm**3
    offset = box.to_lps(np.argwhere(opened)) - near
    beside = np.linalg.norm(offset - (offset @ up)[:, None] * up, axis=1)
    close = np.bincount(labels[opened], weights=beside < radius_mm, minlength=count + 1)
    for n in np.flatnonzero((sizes >= _SMALLEST_MM3) & (close > 0)):
        yield np.asarray(ndimage.binary_dilation(labels == n, iterations=2) & air)


def _floor_of(
    chosen: NDArray[np.bool_],
    air: NDArray[np.bool_],
    box: Box,
    levels: Levels,
    near: Points,
    up: Points,
    radius_mm: float,
) -> RoughFloor | None:
    """The floor of one piece of air, or None where it has none there or stands on something else than bone."""
    grey = np.where(chosen | ~ndimage.binary_dilation(air & ~chosen, iterations=2), box.filled, levels.soft)
    grey = np.where(ndimage.binary_dilation(chosen, iterations=2), grey, np.maximum(grey, levels.soft))
    try:
        index, triangles, _, _ = marching_cubes(grey.astype(np.float32), level=levels.air_edge)
    except (ValueError, RuntimeError):
        return None  # the air fills the whole box
    points = box.to_lps(index)
    normal = _into_air(box, points, levels)
    beside = (points - near) - ((points - near) @ up)[:, None] * up
    floor = (normal @ up > _FACING) & (np.linalg.norm(beside, axis=1) <= radius_mm)
    floor &= _inside(box, index)
    in_air = bool(chosen[box.nearest(near)])
    found = _patch(points, triangles.astype(np.int64), normal, floor, near, up, in_air, _leaves(chosen, box))
    return found if found is not None and _on_bone(found, box, levels) else None


def _on_bone(floor: RoughFloor, box: Box, levels: Levels) -> bool:
    """Whether bone lies under most of it, closer than the thickest lining: a tongue or a lip is no floor."""
    depth = np.arange(0.0, LINING_REACH_MM, 0.5 * box.spacing_mm)
    under = floor.points_lps_mm[:, None, :] - depth[:, None] * floor.normal[:, None, :]
    grey = ndimage.map_coordinates(box.filled, box.to_index(under).reshape(-1, 3).T, order=1, mode="nearest")
    bony = grey.reshape(under.shape[:2]) > levels.soft + _BONY_GREY * (levels.bone - levels.soft)
    return bool(bony.any(axis=1).mean() > _BONY_SHARE)


def _far_from(floor: RoughFloor, part: NDArray[np.bool_], box: Box, near: Points, up: Points) -> float:
    """How far the click is from meaning this floor, in mm: beside it, and above or below it where that counts."""
    offset = floor.points_lps_mm - near
    rise = offset @ up
    beside = np.linalg.norm(offset - rise[:, None] * up, axis=1)
    nearest = int(np.argmin(beside))
    if part[box.nearest(near)]:
        return float(beside[nearest])
    high = float(rise[nearest])
    return float(beside[nearest]) + (_ABOVE_SHARE * high if high > 0 else -high)


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
    in_air: bool,
    leaves: bool,
) -> RoughFloor | None:
    """The connected part of the kept triangles that lies straight above or below the point, if there is one.

    Below a point in the cavity's air the fall hardly counts, or a shelf of its wall would be nearer than its floor.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    whole = triangles[keep[triangles].all(axis=1)]
    if not len(whole):
        return None
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
        return None
    rise = offset @ up
    away = np.where(rise > 0, 2.0 * rise, -0.05 * rise) if in_air else 0.3 * np.abs(rise)
    best = part[used][big][int(np.argmin((beside + away)[big]))]
    mine = whole[part[whole[:, 0]] == best]
    mine = _not_too_tall(mine, points, near, up)
    if not len(mine):
        return None
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
