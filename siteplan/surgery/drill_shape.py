"""A drill as a solid of revolution, point included, so that its clearance is measured like that of a fixture."""

from itertools import pairwise

import numpy as np

from siteplan.fixture import Solid
from siteplan.surgery.kit import Drill


def drill_solid(drill: Drill, tip_mm: float, above_mm: float = 0.0) -> Solid:
    """The part of a drill that lies in the tissue when its very tip has reached `tip_mm`.

    Args:
        tip_mm: depth of the very tip below the bone entry, > -above_mm.
        above_mm: how far above the bone entry the outline begins (the gum).

    Returns:
        Outline in depth coordinates: z = 0 at the bone entry, positive towards the apex.
    """
    point = drill.point_length_mm
    tip_radius = (drill.narrow_tip_diameter_mm or drill.diameter_mm) / 2
    corners = [(tip_mm, 0.0 if point > 0 else tip_radius), (tip_mm - point, tip_radius)]
    if drill.narrow_tip_length_mm is not None:
        step = tip_mm - point - drill.narrow_tip_length_mm
        corners += [(step, tip_radius), (step, drill.diameter_mm / 2)]
    corners.append((-np.inf, corners[-1][1]))
    kept = _cut(corners, -above_mm)
    z, r = zip(*reversed(kept), strict=True)
    return Solid(np.array(z, dtype=np.float64), np.array(r, dtype=np.float64))


def _cut(corners: list[tuple[float, float]], top_mm: float) -> list[tuple[float, float]]:
    """Corners from the tip upwards to `top_mm`, with a last one on it."""
    kept = [corners[0]]
    for below, above in pairwise(corners):
        if above[0] >= top_mm:
            kept.append(above)
            continue
        if below[0] > top_mm:
            share = 0.0 if np.isinf(above[0]) else (below[0] - top_mm) / (below[0] - above[0])
            kept.append((top_mm, below[1] + share * (above[1] - below[1])))
        break
    return kept


def hole_radius(drills: list[tuple[Drill, float]], depth_mm: np.ndarray) -> np.ndarray:
    """(N,) radius of the hole that these drills leave together; each comes with the depth of its very tip.

    Depths are below the bone entry; 0 where no drill was.
    """
    radius = np.zeros(np.shape(depth_mm))
    for drill, tip_mm in drills:
        if tip_mm > 0:
            solid = drill_solid(drill, tip_mm)
            inside = np.interp(depth_mm, solid.z_mm, solid.r_mm, left=0.0, right=0.0)
            radius = np.maximum(radius, inside)
    return radius
