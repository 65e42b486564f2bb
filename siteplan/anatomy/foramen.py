"""The mental foramen at the front of a traced canal: where its lumen leaves through the plate. A proposal, no more.

From the canal's front the way with the lowest barrier to the soft tissue outside the bone is sought: an opening is a
way along which grey never rises to that of the plate. Grey is compared with the bone around it, so that a thin but
closed plate is not taken for an opening.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from skimage.graph import MCP_Geometric

from siteplan.anatomy.arch import find_arch
from siteplan.anatomy.canal import SEEN
from siteplan.anatomy.drawn import anterior_loop
from siteplan.anatomy.levels import Levels, levels_of
from siteplan.anatomy.sample import Box, box_around
from siteplan.anatomy.structure import Kind, MadeBy, Structure, Tube
from siteplan.errors import GeometryError
from siteplan.measures import Measure
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]
Mask = NDArray[np.bool_]

FRONT_MM = 12.0
"""How far behind the canal's front end the opening is sought: a loop is up to 11 mm long (from memory)."""

REACH_MM = 9.0
"""How far from the canal the opening may lie: half a jaw's width and the slope of the mental canal (our own)."""

HEIGHT_MM = 20.0
"""How far around the canal's front the bone is looked at, so that its section closes: a jaw is up to 35 mm high."""

SPACING_MM = 0.5
_SMOOTH_MM = 0.25

HULL_MM = 3.0
"""An opening up to twice as wide is bridged when the bone's outer surface is closed (a foramen is 3 to 5 mm wide,
from memory)."""

OPEN_SHARE, OPEN_SCALE = 0.45, 0.08
"""Barrier on the way out, from soft tissue (0) to dense bone (1), at which an opening is as likely as not, and how
fast belief falls from there (simulated foramina and closed plates)."""

WITHHELD = 0.2
"""A proposal less likely than this is not made."""

_PLACE_MM = 0.6
"""Standard deviation of the place of an opening that is surely there (simulated foramina)."""

_STEEP = 6.0
"""How much dearer grey gets for each share of the way from soft tissue to dense bone (our own)."""

_EDGE = 4
"""Voxels beside the end of the scan or of the box in which no opening is taken for one: there the bone only ends."""

_RADIUS_MM = 1.6
"""Radius of the ball that stands for the opening: a foramen of about 3.5 by 3 mm (from memory)."""


@dataclass(frozen=True, eq=False)
class Foramen:
    """What is proposed.

    Attributes:
        structure: a ball at the opening, `MadeBy.FOUND`, with one confidence.
        confidence: 0 to 1 that the canal leaves the bone there.
        loop: how far the canal runs mesial of it along the arch; None where the arch cannot be told.
        why_no_loop: says so.
    """

    structure: Structure
    confidence: float
    loop: Measure | None
    why_no_loop: str


def find_foramen(scan: Scan, canal: Structure) -> Foramen:
    """The mental foramen near the front end of a traced mandibular canal, and the loop before it.

    Raises:
        GeometryError: the structure is no tube of several points, or no opening can be told from the plate.
    """
    if not isinstance(canal.shape, Tube) or len(canal.shape.points_lps_mm) < 4:
        raise GeometryError(f"{canal.name}: a traced canal of several points is needed to look for the foramen.")
    front = _front(canal.shape.points_lps_mm)
    box = box_around(scan, front, HEIGHT_MM, SPACING_MM)
    share = _bone_share(box, levels_of(scan))
    bone = _largest(share > 0.3)
    scanned = ndimage.binary_erosion(np.isfinite(box.values), iterations=_EDGE, border_value=1)
    outside = ~_hull(bone) & scanned
    way, barrier = _way_out(box, share, front, outside)
    confidence = float(1.0 / (1.0 + np.exp((barrier - OPEN_SHARE) / OPEN_SCALE)))
    if confidence < WITHHELD:
        raise GeometryError("foramen: no opening of the plate can be told near the canal's front; set it by hand.")
    confidence *= _seen(canal, front)
    if confidence < WITHHELD:
        raise GeometryError(
            "foramen: the canal itself is not seen near its front, so no opening can be called its own."
        )
    place = _middle_of_opening(box, share, way)
    uncertainty = _PLACE_MM + 1.5 * (1.0 - confidence)
    note = (
        f"Proposed by the computer where the canal's lumen leaves through the plate (confidence {confidence:.0%})."
        " A vessel or a thin place of the plate looks alike. To be confirmed by a person."
    )
    ball = Tube(place[None, :], np.array([_RADIUS_MM]))
    found = Structure(
        Kind.MENTAL_FORAMEN,
        "mental foramen",
        ball,
        canal.side,
        MadeBy.FOUND,
        uncertainty,
        np.array([confidence]),
        note,
    )
    loop, why = _loop(scan, canal, place)
    return Foramen(found, confidence, loop, why)


def _front(points: Points) -> Points:
    """The part of the canal within `FRONT_MM` of its front end: towards -y, the patient's front (LPS)."""
    if points[0, 1] > points[-1, 1]:
        points = points[::-1]
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    return np.asarray(points[s <= FRONT_MM])


def _seen(canal: Structure, front: Points) -> float:
    """Share of the canal's front part in which a lumen is seen; 1 for a canal drawn by hand."""
    assert isinstance(canal.shape, Tube)
    if canal.confidence is None:
        return 1.0
    mine = np.linalg.norm(canal.shape.points_lps_mm[:, None, :] - front[None, :, :], axis=2).min(axis=1) < 1e-6
    return float(np.mean(canal.confidence[mine] >= SEEN)) if mine.any() else 0.0


def _bone_share(box: Box, levels: Levels) -> NDArray[np.float64]:
    """(K, J, I) where a voxel lies from soft tissue (0) to dense bone (1)."""
    smooth = ndimage.gaussian_filter(box.filled, _SMOOTH_MM / box.spacing_mm)
    share: NDArray[np.float64] = np.clip((smooth - levels.soft) / (levels.bone - levels.soft), 0.0, 1.0)
    return share.astype(np.float64)


def _largest(mask: Mask) -> Mask:
    labels, count = ndimage.label(mask)
    if count == 0:
        raise GeometryError("foramen: no bone can be told around the canal's front; set it by hand.")
    return np.asarray(labels == np.bincount(labels.ravel())[1:].argmax() + 1)


def _hull(bone: Mask) -> Mask:
    """The bone with its openings and its inside filled: closed by distance, then holes filled in every plane."""
    reach = HULL_MM / SPACING_MM
    pad = int(np.ceil(reach)) + 1
    padded = np.pad(bone, pad, mode="edge")
    grown = ndimage.distance_transform_edt(~padded) <= reach
    for axis in range(3):
        planes = np.moveaxis(grown, axis, 0)
        for k in range(len(planes)):
            planes[k] |= ndimage.binary_fill_holes(planes[k])
    back = ndimage.distance_transform_edt(grown) > reach
    cut = slice(pad, -pad)
    return np.asarray(back[cut, cut, cut] | bone)


def _way_out(box: Box, share: NDArray[np.float64], front: Points, outside: Mask) -> tuple[NDArray[np.int64], float]:
    """Voxels of the cheapest way from the canal to the outside, and the highest grey share on it."""
    cost = np.exp(_STEEP * share)
    cost[~np.isfinite(box.values)] = np.inf
    near = np.ones(share.shape, dtype=bool)
    for p in front:
        near[box.nearest(p)] = False
    cost[ndimage.distance_transform_edt(near) * box.spacing_mm > REACH_MM] = np.inf
    starts = list({box.nearest(p) for p in front})
    search = MCP_Geometric(cost)
    total, _ = search.find_costs(starts)
    reached = np.where(outside & _off_border(outside.shape), total, np.inf)
    best = np.unravel_index(int(np.argmin(reached)), reached.shape)
    if not np.isfinite(reached[best]):
        raise GeometryError("foramen: the bone around the canal's front ends outside the scan; set it by hand.")
    way = np.array(search.traceback(tuple(int(n) for n in best)), dtype=np.int64)
    return way, float(share[tuple(way.T)].max())


def _off_border(shape: tuple[int, ...]) -> Mask:
    inner = np.zeros(shape, dtype=bool)
    inner[_EDGE:-_EDGE, _EDGE:-_EDGE, _EDGE:-_EDGE] = True
    return inner


def _middle_of_opening(box: Box, share: NDArray[np.float64], way: NDArray[np.int64]) -> Points:
    """Where the way passes the outer surface of the bone, moved to the middle of what is dark there."""
    end = way[-1]
    reach = round(2.4 / SPACING_MM)
    low = np.maximum(end - reach, 0)
    part = tuple(slice(int(a), int(b) + reach + 1) for a, b in zip(low, end, strict=True))
    index = np.argwhere(np.ones(share[part].shape, dtype=bool)) + low
    step = way[-1] - way[max(len(way) - 1 - reach, 0)]
    along = step / max(float(np.linalg.norm(step)), 1e-9)
    offset = (index - end).astype(np.float64)
    depth = offset @ along
    beside = np.linalg.norm(offset - depth[:, None] * along, axis=1) * SPACING_MM
    dark = 1.0 - share[tuple(index.T)]
    # Just below the surface the ring of plate is closed, so its dark middle is the opening's.
    slab = (np.abs(depth * SPACING_MM + 1.0) <= 0.5) & (beside <= 2.2)
    weight = np.where(slab, np.maximum(dark - 0.5, 0.0) ** 2, 0.0)
    if weight.sum() <= 0:
        return np.asarray(box.to_lps(end))
    middle = (weight[:, None] * index).sum(axis=0) / weight.sum()
    return np.asarray(box.to_lps(middle + along / SPACING_MM))


def _loop(scan: Scan, canal: Structure, foramen: ArrayLike) -> tuple[Measure | None, str]:
    try:
        arch = find_arch(scan, foramen)
    except GeometryError as error:
        return None, str(error)
    s = arch.nearest(foramen)
    mesial = -1 if float(arch.tangent(s)[1]) > 0 else 1
    return anterior_loop(canal, foramen, arch, mesial, foramen_sd_mm=_PLACE_MM), ""
