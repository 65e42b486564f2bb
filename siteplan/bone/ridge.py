"""Undercuts of the outer surface, and the published class of the ridge where the numbers allow one."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.findings import RidgeForm, Undercut
from siteplan.flags import Flag
from siteplan.measures import Measure

Array = NDArray[np.float64]

LEAST_UNDERCUT_MM = 0.5
"""A concavity less deep than this is not called out (our own bound: twice the worst edge error on simulated scans)."""
_FROM_MM = 1.0
"""The very crest is round; concavities are looked for below this depth."""
_SEEN_BELOW_MM, _JUMP_MM = 1.0, 1.5
"""A concavity must come out again over this length before its surface ends, and a surface does not jump by the second
between neighbouring layers (our own bounds: the last lines before a scan ends had read concavities that are not there).
"""
_SLOPE_OVER_MM = 1.0
_ANGLE_HALF_DEG = 5.0
_WIDTH_AT_MM = 3.0
"""The source gives no depth for its widths; 3 mm is below the rounding of the crest (our own choice)."""
DIVISION_SOURCE = "Misch CE and Judy KW, available-bone divisions A-D, 1980s"
_HEIGHT_MM = 10.0
_WIDE_MM, _NARROW_MM = 5.0, 2.5
"""Bounds of the divisions (reference as above, confirmed): A height > 10, width > 5; B height > 10, width 2.5 to 5;
C height < 10, width < 2.5. Whether a bound belongs to the higher or the lower division is not stated."""
_TOLD_SHARE = 0.025
"""Divisions less probable than this are not told: a bound outside of the 95 % interval."""
_UNKNOWN_SD_MM = 0.15
"""SD of a measure without an interval (our own bound)."""


def find_undercuts(depth_mm: Array, buccal_mm: Array, lingual_mm: Array, edge_sd_mm: float) -> tuple[Undercut, ...]:
    """Concavities of both sides.

    Args:
        depth_mm: (D,) below the crest. buccal_mm: (D,) outer surface, positive buccally. lingual_mm: (D,) outer
            surface, negative lingually; NaN where there is none. edge_sd_mm: SD of a surface position.
    """
    found = []
    for side, edge in (("buccal", buccal_mm), ("lingual", -lingual_mm)):
        one = _undercut(side, depth_mm, edge, edge_sd_mm)
        if one is not None:
            found.append(one)
    return tuple(found)


def _undercut(side: str, depth_mm: Array, reach: Array, sd: float) -> Undercut | None:
    ok = np.isfinite(reach) & (depth_mm >= _FROM_MM)
    z, r = _one_surface(depth_mm[ok], reach[ok])
    if len(z) < 8:
        return None
    hollow = _hull(z, r) - r
    k = int(np.argmax(hollow))
    if hollow[k] < LEAST_UNDERCUT_MM or z[-1] - z[k] < _SEEN_BELOW_MM:
        return None
    step = float(z[1] - z[0])
    span = max(1, round(_SLOPE_OVER_MM / step))
    slopes = (r[span:] - r[:-span]) / (z[span:] - z[:-span])
    above = slopes[: max(k, 1)]
    angle = float(np.degrees(np.arctan(max(-float(above.min()), 0.0))))
    half = 1.96 * np.hypot(sd, 0.5 * sd)
    # A flat bottom has no sharp deepest point: the interval spans what lies within the edge's own SD of it, up to the
    # rows above and below that are surely less deep. Without these a sharp bottom had an interval of no width.
    near = z[hollow > hollow[k] - 2 * sd]
    method = "outer surface against the line that bridges it"
    leaves = np.flatnonzero(r <= 0)
    path = (
        Measure(float(z[leaves[0]]), "mm", float(z[leaves[0]]) - 0.5, float(z[leaves[0]]) + 0.5, method)
        if len(leaves)
        else Measure.absent("mm", Flag.UNBOUNDED, method="the straight axis stays inside the bone here")
    )
    return Undercut(
        side,
        Measure(float(hollow[k]), "mm", max(float(hollow[k] - half), 0.0), float(hollow[k] + half), method),
        Measure(float(z[k]), "mm", float(near.min()) - step, float(near.max()) + step, method),
        Measure(angle, "deg", max(angle - _ANGLE_HALF_DEG, 0.0), angle + _ANGLE_HALF_DEG, method),
        path,
    )


def _one_surface(z: Array, r: Array) -> tuple[Array, Array]:
    """The stretch down to where the surface jumps: where the scan or the bone ends, edges belong to something else."""
    away = np.flatnonzero(np.abs(np.diff(r)) > _JUMP_MM)
    end = int(away[0]) + 1 if len(away) else len(z)
    return z[:end], r[:end]


def _hull(z: Array, r: Array) -> Array:
    """Upper convex hull of r over z, at the same z."""
    top: list[int] = []
    for k in range(len(z)):
        while len(top) >= 2:
            a, b = top[-2], top[-1]
            if (r[b] - r[a]) * (z[k] - z[a]) <= (r[k] - r[a]) * (z[b] - z[a]):
                top.pop()
            else:
                break
        top.append(k)
    hull: Array = np.interp(z, z[top], r[top])
    return hull


def ridge_form(height: Measure, widths: tuple[Measure, ...], bone_to_mm: float) -> RidgeForm:
    """Division of available bone.

    Args:
        height: from crest to what stops a straight path. widths: with their depths.
        bone_to_mm: depth down to which the axis is known to lie in bone: a least height where nothing stopped it.
    """
    width = min(
        widths, key=lambda m: abs((m.depth_mm or 0.0) - _WIDTH_AT_MM), default=Measure.absent("mm", Flag.NO_EDGE_FOUND)
    )
    common: dict[str, Any] = {
        "table": "available-bone divisions",
        "source": DIVISION_SOURCE,
        "status": "confirmed; bounds as one secondary page gives them",
        "height": height,
        "width": width,
    }
    if width.value is None:
        return RidgeForm(None, why="no ridge width was measured", **common)
    known = height.value if height.value is not None else bone_to_mm
    if height.value is None and bone_to_mm < _HEIGHT_MM:
        return RidgeForm(None, why="the height is not bounded within the scan", **common)
    at = width.depth_mm or 0.0
    more = "" if height.value is not None else " or more"
    numbers = f"height {known:.1f} mm{more}, width {width.value:.1f} mm at {at:g} mm"
    shares = _shares(1.0 if height.value is None else _above(height, _HEIGHT_MM), width)
    if known > _HEIGHT_MM and width.value > _WIDE_MM:
        label = "A"
    elif known > _HEIGHT_MM and width.value >= _NARROW_MM:
        label = "B"
    elif known < _HEIGHT_MM and width.value < _NARROW_MM:
        label = "C"
    else:
        label = None
        numbers += ": the published divisions do not cover this"
    near = {name: share for name, share in shares.items() if share >= _TOLD_SHARE}
    if near if label is None else shares[label] < 1 - _TOLD_SHARE:
        left = 1 - sum(near.values())
        rest = [f"none of them {left:.0%}"] if left >= _TOLD_SHARE else []
        numbers += "; a bound lies within the interval: " + ", ".join([f"{n} {p:.0%}" for n, p in near.items()] + rest)
    return RidgeForm(label, why=numbers, probabilities=shares, **common)


def _shares(high: float, width: Measure) -> dict[str, float]:
    """Probability of each division: height above its bound has `high`; the two numbers err independently."""
    wide, broad = _above(width, _WIDE_MM), _above(width, _NARROW_MM)
    return {"A": high * wide, "B": high * (broad - wide), "C": (1 - high) * (1 - broad)}


def _above(measure: Measure, bound: float) -> float:
    """Probability that the truth lies above a bound, the interval taken as that of a normal distribution."""
    assert measure.value is not None
    sd = _UNKNOWN_SD_MM
    if measure.low is not None and measure.high is not None:
        sd = max((measure.high - measure.low) / (2 * 1.96), 1e-6)
    return 0.5 * math.erfc((bound - measure.value) / (sd * math.sqrt(2)))
