"""Undercuts of a true outline, by scipy's convex hull and not by the package's code."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from tests.validation.jaw import Array

_FROM_MM = 1.0
_SLOPE_OVER_MM = 1.0


@dataclass(frozen=True)
class TrueUndercut:
    """Depth of the concavity, depth below the crest of its deepest point, angle, and where the axis leaves the bone."""

    side: str
    depth: float
    position: float
    angle: float
    leaves: float | None


def undercuts_of(edges: tuple[Array, Array, Array]) -> list[TrueUndercut]:
    """One for each side, however shallow."""
    z, *sides = edges
    return [_one(side, z, reach) for side, reach in zip(("buccal", "lingual"), sides, strict=True)]


def _one(side: str, z: Array, reach: Array) -> TrueUndercut:
    ok = np.isfinite(reach) & (z >= _FROM_MM)
    z, r = z[ok], reach[ok]
    low = r.min() - 100.0
    points = np.concatenate([np.stack([z, r], axis=1), [[z[0], low], [z[-1], low]]])
    # Facets whose outward normal points away from the axis bridge the outline.
    top = np.full(len(z), np.inf)
    for a, b, c in ConvexHull(points).equations:
        if b > 1e-9:
            top = np.minimum(top, -(a * z + c) / b)
    hollow = top - r
    k = int(np.argmax(hollow))
    span = round(_SLOPE_OVER_MM / 0.05)
    slope = (r[span:] - r[:-span]) / (z[span:] - z[:-span])
    steepest = float(slope[: max(k, 1)].min())
    out = np.flatnonzero(r <= 0)
    return TrueUndercut(
        side,
        float(hollow[k]),
        float(z[k]),
        float(np.degrees(np.arctan(max(-steepest, 0.0)))),
        float(z[out[0]]) if len(out) else None,
    )
