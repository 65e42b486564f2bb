"""A proposed mandibular canal for each side without any click, for a person to confirm or reject."""

import numpy as np
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from siteplan.anatomy.canal import SEEN, canal_structure
from siteplan.anatomy.canal_path import CanalPath, loose_ends_mm, path_cost, refine
from siteplan.anatomy.jaw import Jaw, find_jaw, interior
from siteplan.anatomy.structure import Structure
from siteplan.anatomy.tubularity import dark_tubularity
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Mask = NDArray[np.bool_]

FRONT_MM, BACK_MM = 20.0, 50.0
"""Planes, behind the chin's most anterior bone, between which a canal is proposed in a wide field: from about the
second premolar to the ramus (from memory of anatomy; the mental foramen lies near the first of them)."""

END_SHARE = 0.08
"""In a narrow field the canal is sought between planes this share of the bone's length from its ends (our own)."""

MARROW_SHARE = 0.5
"""Share of the way from soft tissue to dense bone below which a voxel may be marrow or canal (our own)."""

CORTEX_FACTOR = 5.0
"""How much dearer a way through cortex is than one through marrow (our own)."""

LOW_SHARE, HIGH_FACTOR = 0.45, 8.0
"""The canal runs in the lower half of the jaw's height in the molar region (from memory); above it gets dearer."""

LEAST_SEEN = 0.25
"""A proposal of which a smaller share is seen is withheld in a narrow field (our own)."""


def propose_canals(scan: Scan) -> list[Structure]:
    """One canal per side that shows, MadeBy.FOUND. A verdict must not rest on it before a person confirmed it.

    Raises:
        GeometryError: no jaw or no canal can be told; the message says to set two points by hand.
    """
    spacing = float(np.clip(0.8 * max(scan.spacing_kji_mm), 0.5, 1.0))
    jaw = find_jaw(scan, spacing_mm=spacing)
    inside = interior(jaw)
    tube = dark_tubularity(jaw.box.filled, spacing) * inside
    out = []
    for side, start, end in _gates(jaw, inside & _marrow(jaw)):
        found = _between(scan, jaw, inside, tube, start, end, side)
        if found is not None:
            out.append(found)
    if not out:
        raise GeometryError("canal: none can be told from the bone in this scan; set two or more points by hand.")
    return out


def _gates(jaw: Jaw, inside: Mask) -> list[tuple[str, Mask, Mask]]:
    """For each side the two slabs of bone interior between which a canal runs."""
    index = np.indices(inside.shape)
    points = jaw.box.to_lps(np.moveaxis(index, 0, -1))
    thick = 0.8 * jaw.box.spacing_mm
    if not jaw.wide or jaw.midline_mm is None:
        mine = points[inside]
        middle = mine.mean(axis=0)
        direction = np.linalg.svd(mine[:: max(1, len(mine) // 5000)] - middle, full_matrices=False)[2][0]
        along = (points - middle) @ direction
        low, high = np.percentile(along[inside], [0, 100])
        gap = END_SHARE * (high - low)
        return [("", inside & (np.abs(along - low - gap) < thick), inside & (np.abs(along - high + gap) < thick))]
    front = float(points[jaw.bone][:, 1].min())
    out = []
    for side, sign in (("left", 1), ("right", -1)):
        lateral = inside & (sign * (points[..., 0] - jaw.midline_mm) > 8.0) & (_share_of_height(jaw) < LOW_SHARE + 0.1)
        ends = [lateral & (np.abs(points[..., 1] - front - y) < thick) for y in (FRONT_MM, BACK_MM)]
        out.append((side, ends[0], ends[1]))
    return out


def _marrow(jaw: Jaw) -> Mask:
    levels = jaw.levels
    return np.asarray(jaw.box.filled < levels.soft + MARROW_SHARE * (levels.bone - levels.soft))


def _share_of_height(jaw: Jaw) -> NDArray[np.float64]:
    """(K, J, I) height above the lowest bone of each column as a share of the column's height of bone."""
    k = np.arange(len(jaw.bone))[:, None, None]
    low = np.where(jaw.bone, k, len(jaw.bone)).min(axis=0)
    high = np.where(jaw.bone, k, -1).max(axis=0)
    return np.asarray((k - low) / np.maximum(high - low, 1))


def _between(
    scan: Scan, jaw: Jaw, inside: Mask, tube: NDArray[np.float32], start: Mask, end: Mask, side: str
) -> Structure | None:
    """The cheapest dark way inside the bone from one slab to the other; None where there is none worth showing."""
    if not start.any() or not end.any():
        return None
    cost = path_cost(jaw.box, tube)
    cost[~_marrow(jaw)] *= CORTEX_FACTOR
    if jaw.wide:
        cost *= (1.0 + HIGH_FACTOR * np.maximum(_share_of_height(jaw) - LOW_SHARE, 0.0)).astype(np.float32)
    cost[~inside] = np.inf
    search = MCP_Geometric(cost)
    starts = [tuple(p) for p in np.argwhere(start)]
    total, _ = search.find_costs(starts)
    goals = np.argwhere(end)
    at_goal = total[tuple(goals.T)]
    if not np.isfinite(at_goal).any():
        return None
    way = np.array(search.traceback(tuple(goals[int(np.argmin(at_goal))])))
    if len(way) < 8:
        return None
    path = refine(scan, jaw.box.to_lps(way), np.empty((0, 3)))
    seen = float((path.confidence >= SEEN).mean())
    if seen < LEAST_SEEN and not jaw.wide:
        return None
    if seen >= LEAST_SEEN:
        path = _seen_part(path)
    if seen < LEAST_SEEN:
        how = "Proposed by the computer without any click, from where such a canal usually runs in the marrow."
        return canal_structure(path, how, side=side)
    how = "Proposed by the computer without any click."
    if seen < 1:
        how += f" It looked along a way of which {seen:.0%} shows a lumen; ends that show none were left out."
    return canal_structure(path, how, side=side)


def _seen_part(path: CanalPath) -> CanalPath:
    """The path without ends at which no lumen is seen: a proposal begins and stops where there is something to see."""
    seen = np.flatnonzero(path.confidence >= SEEN)
    a, b = int(seen[0]), int(seen[-1]) + 1
    return CanalPath(
        path.points_lps_mm[a:b],
        path.radius_mm[a:b],
        path.confidence[a:b],
        np.hypot(path.sd_mm[a:b], loose_ends_mm(path.confidence[a:b])),
        path.contrast[a:b],
        path.blur_mm,
    )
