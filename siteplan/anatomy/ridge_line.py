"""The middle line of a ridge seen from above: whole horseshoes, pieces of one, and what a field of view cuts off.

The longest way through the ridge, kept to its middle, gives the course; its points are then centred across it. Nothing
is assumed of where the ridge lies in the scan or how far round it goes.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.graph import MCP_Geometric

from siteplan.anatomy.curve import arc_length
from siteplan.errors import GeometryError

Points = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEP_MM = 1.0
SMOOTH_MM = 4.0
"""Standard deviation of the smoothing along the line: half a tooth (our own)."""

ROUNDS = 6
"""Turns in which the line and the directions across it settle (simulated jaws)."""

ACROSS_MM = 12.0
"""How far to each side the ridge is looked for (our own; a ridge is up to 16 mm wide, from memory)."""

GAP_MM = 4.5
"""Gaps up to twice as wide are bridged: between teeth, and between two plates whose marrow is as dark as soft tissue
(our own; a ridge is up to 16 mm wide, its plates 1 to 3 mm, from memory)."""

HOLE_MM2 = 150.0
"""Marrow shows as a hole of up to this area; the space of the tongue is larger (our own)."""

SHORTEST_MM = 15.0
"""Less of a ridge than two teeth gives no curve (our own)."""

JOINS, JOIN_MM, BACK_MM, ASIDE = 2, 16.0, 8.0, 0.35
"""How many gaps at each end are crossed, how wide (two missing teeth), over what length the way ahead is read, and how
far beside it the ridge may go on, each mm ahead: a ramus stands further out (a real head)."""

LEAST_MM2, MOST_MM2 = 20.0, 900.0
"""Area of what carries a ridge on: a tooth or more, no spine and no base of the skull (our own)."""

RIM_SHARE = 1.2
"""A line this many times half the ridge's width from the field's rim has both sides of the ridge (our own)."""

MEANT_MM = 8.0
"""A click is taken to mean the ridge within this distance (our own; half a ridge's width)."""


@dataclass(frozen=True, eq=False)
class RidgeLine:
    """points: (N, 2) mm along the rows' and columns' axes given; half_mm: (N,) half the ridge's width there."""

    points: Points
    half_mm: Points


def ridge_line(bone: Mask, spacing_mm: float, near_mm: Points | None) -> RidgeLine:
    """Middle line of the ridge in a plane.

    Args:
        bone: (J, I) mask.
        near_mm: (2,) a place on the ridge, in mm from the middle of pixel [0, 0], along j and i; without it the
            largest piece is taken.

    Raises:
        GeometryError: no bone lies near the place, or too little of it for a curve.
    """
    whole = _bridged(bone, spacing_mm)
    ridge = _piece(whole, spacing_mm, near_mm)
    depth = _depth(ridge, spacing_mm)
    line = _longest_way(ridge, depth) * spacing_mm
    for end in (0, -1) * JOINS:
        joined = _joined(whole, ridge, line, end, spacing_mm)
        if joined is not None:
            ridge, depth = joined, _depth(joined, spacing_mm)
            line = _longest_way(ridge, depth) * spacing_mm
    if arc_length(line)[-1] < SHORTEST_MM:
        raise GeometryError("arch: too little of the jaw lies in the scan at that height for a curve; draw it by hand.")
    line = _even(_without_corners(line, depth, spacing_mm))
    for _ in range(ROUNDS):
        line = _even(_smooth(_centred(line, ridge, spacing_mm)))
    line = _off_the_rim(line, ridge, depth, spacing_mm)
    index = (line / spacing_mm).T
    return RidgeLine(line, ndimage.map_coordinates(depth, index, order=1, mode="nearest"))


def _bridged(bone: Mask, spacing_mm: float) -> Mask:
    """Gaps between teeth closed and marrow filled."""
    reach = GAP_MM / spacing_mm
    pad = int(np.ceil(reach)) + 1
    # The outside of the field counts as what lies at its edge, or a ridge that leaves the field would be eaten there.
    padded = np.pad(bone, pad, mode="edge")
    grown = ndimage.distance_transform_edt(~padded) <= reach
    closed = (ndimage.distance_transform_edt(np.pad(grown, 1, mode="edge"))[1:-1, 1:-1] > reach) | padded
    closed = np.asarray(closed[pad:-pad, pad:-pad])
    holes, count = ndimage.label(~closed)
    area = np.bincount(holes.ravel(), minlength=count + 1) * spacing_mm**2
    rim = np.unique(np.concatenate([holes[0], holes[-1], holes[:, 0], holes[:, -1]]))
    small = area <= HOLE_MM2
    small[0] = False
    small[rim] = False
    return np.asarray(closed | small[holes])


def _piece(bone: Mask, spacing_mm: float, near_mm: Points | None) -> Mask:
    labels, count = ndimage.label(bone, np.ones((3, 3)))
    if count == 0:
        raise GeometryError("arch: no jaw bone lies at that height; give a point on the crest.")
    if near_mm is None:
        return np.asarray(labels == np.bincount(labels.ravel())[1:].argmax() + 1)
    index = np.argwhere(labels > 0)
    away = np.linalg.norm(index * spacing_mm - near_mm, axis=1)
    if away.min() > MEANT_MM:
        raise GeometryError(
            f"arch: no bone lies within {MEANT_MM:.0f} mm of the point at its height; give a point on the crest."
        )
    return np.asarray(labels == labels[tuple(index[int(np.argmin(away))])])


def _depth(ridge: Mask, spacing_mm: float) -> Points:
    """(J, I) mm to the nearest place outside the ridge, the field's rim among them."""
    return np.asarray(ndimage.distance_transform_edt(np.pad(ridge, 1))[1:-1, 1:-1] * spacing_mm)


def _joined(whole: Mask, ridge: Mask, line: Points, end: int, spacing_mm: float) -> Mask | None:
    """The ridge with the piece that carries it on beyond a gap at one end; None where there is none."""
    line = _even(line)
    s = arc_length(line)
    back = int(np.searchsorted(s, min(BACK_MM, float(s[-1]))))
    start, before = (line[0], line[back]) if end == 0 else (line[-1], line[-1 - back])
    along = (start - before) / max(float(np.linalg.norm(start - before)), 1e-9)
    index = np.argwhere(whole & ~ridge)
    offset = index * spacing_mm - start
    ahead = offset @ along
    aside = np.linalg.norm(offset - ahead[:, None] * along, axis=1)
    far = np.hypot(ahead, aside)
    good = (ahead > 0) & (far <= JOIN_MM) & (aside <= ASIDE * ahead + 2.0)
    if not good.any():
        return None
    nearest = index[good][int(np.argmin(far[good]))]
    labels, _ = ndimage.label(whole & ~ridge, np.ones((3, 3)))
    piece = labels == labels[tuple(nearest)]
    area = float(piece.sum()) * spacing_mm**2
    if not LEAST_MM2 <= area <= MOST_MM2:
        return None
    out = ridge | piece
    bar = np.linspace(start / spacing_mm, nearest, 4 * (int(far.min() / spacing_mm) + 20))
    out[tuple(np.rint(bar).astype(int).T)] = True
    return np.asarray(out | ndimage.binary_dilation(out & ~ridge & ~piece, iterations=2))


def _longest_way(ridge: Mask, depth: Points) -> Points:
    """(N, 2) indices of the way between the two places that lie furthest apart inside the ridge, along its middle."""
    inside = np.where(ridge, 1.0, np.inf)

    def furthest(start: tuple[int, int]) -> tuple[int, int]:
        total, _ = MCP_Geometric(inside).find_costs([start])
        total = np.where(np.isfinite(total), total, -1.0)
        j, i = np.unravel_index(int(np.argmax(total)), total.shape)
        return int(j), int(i)

    some = np.argwhere(ridge)[0]
    one = furthest((int(some[0]), int(some[1])))
    other = furthest(one)
    # The way must not cut the corner of a bend, so the middle is far cheaper than the rim.
    cost = np.where(ridge, 1.0 / np.maximum(depth, 0.3) ** 2, np.inf)
    search = MCP_Geometric(cost)
    search.find_costs([one], [other])
    return np.array(search.traceback(other), dtype=np.float64)


def _without_corners(line: Points, depth: Points, spacing_mm: float) -> Points:
    """Without the two ends, where the longest way turns aside into a corner of the ridge: half its width each."""
    half = float(np.median(ndimage.map_coordinates(depth, (line / spacing_mm).T, order=1)))
    s = arc_length(line)
    keep = (s >= half) & (s <= s[-1] - half)
    return line[keep] if s[-1] - 2 * half >= 0.5 * SHORTEST_MM else line


def _off_the_rim(line: Points, ridge: Mask, depth: Points, spacing_mm: float) -> Points:
    """Without ends so near the field's rim that one side of the ridge is cut off there: its middle cannot be told."""
    half = float(np.median(ndimage.map_coordinates(depth, (line / spacing_mm).T, order=1)))
    far = (np.array(ridge.shape) - 1) * spacing_mm
    whole = np.flatnonzero(np.minimum(line, far - line).min(axis=1) >= RIM_SHARE * half)
    if not len(whole) or (whole[-1] - whole[0]) * STEP_MM < SHORTEST_MM:
        return line
    return line[whole[0] : whole[-1] + 1]


def _even(line: Points) -> Points:
    s = arc_length(line)
    at = np.linspace(0.0, s[-1], max(4, round(float(s[-1]) / STEP_MM) + 1))
    return np.stack([np.interp(at, s, line[:, d]) for d in range(2)], axis=1)


def _smooth(line: Points) -> Points:
    """Smoothed along the line without pulling its ends in: it is carried on beyond them by point reflection."""
    reach = min(len(line) - 1, round(3 * SMOOTH_MM / STEP_MM))
    before = 2 * line[0] - line[reach:0:-1]
    after = 2 * line[-1] - line[-2 : -reach - 2 : -1]
    whole = np.concatenate([before, line, after])
    out = ndimage.gaussian_filter1d(whole, SMOOTH_MM / STEP_MM, axis=0, mode="nearest")
    return np.asarray(out[len(before) : len(before) + len(line)])


def _centred(line: Points, ridge: Mask, spacing_mm: float) -> Points:
    """Each point moved to the middle of the ridge across the line."""
    tangent = np.gradient(_smooth(line), axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    u = np.arange(-ACROSS_MM, ACROSS_MM + 1e-9, 0.25)
    index = (line[:, None, :] + u[None, :, None] * normal[:, None, :]) / spacing_mm
    inside = ndimage.map_coordinates(ridge.astype(np.float32), np.moveaxis(index, -1, 0), order=1, mode="nearest") > 0.5
    middle = len(u) // 2
    # Only what hangs together with the line: the other side of a narrow arch is not its own.
    to_right = np.argmin(np.pad(inside[:, middle:], ((0, 0), (0, 1))), axis=1)
    to_left = np.argmin(np.pad(inside[:, middle::-1], ((0, 0), (0, 1))), axis=1)
    shift = 0.5 * 0.25 * (to_right.astype(np.float64) - to_left)
    shift[~inside[:, middle]] = 0.0
    return np.asarray(line + np.clip(shift, -2.0, 2.0)[:, None] * normal)
