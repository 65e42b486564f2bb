"""Is a canal drawn beside the body whose distance to it is told, and was it seen there?

The distance to a canal that stops short of a site is the distance to its loose end: it says nothing of the canal that
runs on. A mental foramen at that end is where the lower canal really leaves the bone; in front of it there is none.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from siteplan.anatomy.structure import Kind, Structure, Tube
from siteplan.fixture.solid import Pose, Solid
from siteplan.flags import Flag
from siteplan.frame import Vector
from siteplan.placement.clearances import Clearance, clearance
from siteplan.placement.margins import Margins
from siteplan.placement.verdict import Verdict

SHORT_MM = 1.0
"""An end no further than this before the body still counts as beside it (our own choice: clicks are off by less)."""

FORAMEN_MM = 8.0
"""A mental foramen this near to an end is that canal's: its opening lies outside the plate, and a loop may run 2 to
6 mm in front of it (from memory)."""

SEEN = 0.5
"""Confidence from which a stretch of a traced canal counts as seen, as where it is traced."""

DOUBTFUL_SD_MM = 0.8
"""A structure known no better than to this standard deviation is told at every distance to it: its 95 % interval
reaches over 1.5 mm to each side, the margin of a tooth root."""

ASIDE_MM = 15.0
"""A body further than this beside the way in which a canal was going, and more than half a right angle off it, does not
stand over what is left of that canal: it bends by less, and the other half of a jaw is further off (our own choice)."""

_BESIDE_MM = 5.0
"""Points no further than this from the nearest one lie beside the body (our own choice: about a body's width)."""


def stops_short_mm(structure: Structure, start: Vector, end: Vector, structures: Sequence[Structure]) -> float:
    """How far (mm) the drawn path of a canal ends before the segment from `start` to `end`; 0 where it runs beside it.

    Args:
        start, end: (3,) ends of the body's axis. structures: all of the case, among them the foramina.
    """
    shape = structure.shape
    if structure.kind is not Kind.CANAL or not isinstance(shape, Tube):
        return 0.0
    points = shape.points_lps_mm
    if len(points) < 2:
        return float(_from_axis(points, start, end)[1].min())
    share, distance = _from_axis(points, start, end)
    near = int(distance.argmin())
    if near not in (0, len(points) - 1):
        return 0.0
    # How far the body lies beyond the end, along the way in which the path was going.
    last, before = (points[0], points[1:]) if near == 0 else (points[-1], points[:-1][::-1])
    far = np.linalg.norm(before - last, axis=1) >= _BESIDE_MM
    back = before[int(far.argmax())] if far.any() else before[-1]
    onward = (last - back) / max(float(np.linalg.norm(last - back)), 1e-9)
    there = start + share[near] * (end - start) - last
    beyond = float(there @ onward)
    if beyond <= SHORT_MM or _foramen_at(last, structures):
        return 0.0
    # A canal of the other side or of the other jaw does not run on to this body, however short it is drawn.
    aside = float(np.linalg.norm(there - beyond * onward))
    if aside > max(ASIDE_MM, beyond):
        return 0.0
    return beyond


def seen_badly(structure: Structure, start: Vector, end: Vector) -> float | None:
    """Least confidence of a traced canal beside a body, where it is below `SEEN`; None where it was seen, or drawn."""
    shape = structure.shape
    if structure.kind is not Kind.CANAL or structure.confidence is None or not isinstance(shape, Tube):
        return None
    points = shape.points_lps_mm
    nearest = int(_from_axis(points, start, end)[1].argmin())
    beside = np.linalg.norm(points - points[nearest], axis=1) <= _BESIDE_MM
    least = float(np.asarray(structure.confidence)[beside].min())
    return least if least < SEEN else None


def to_structures(
    solid: Solid,
    pose: Pose,
    structures: Sequence[Structure],
    margins: Margins,
    *,
    scan_sd_mm: float = 0.0,
    planned_contacts: frozenset[str] = frozenset(),
) -> tuple[Clearance, ...]:
    """`clearance` to every structure. A canal that is not drawn beside the body never keeps its margin; where it was
    hardly seen, the distance says so.

    Args:
        planned_contacts: names of structures that are engaged on purpose.
    """
    start, end = pose.point(float(solid.z_mm[0])), pose.point(float(solid.z_mm[-1]))
    out = []
    for structure in structures:
        found = clearance(
            solid,
            pose,
            structure,
            margins,
            scan_sd_mm=scan_sd_mm,
            planned_contact=structure.name in planned_contacts,
        )
        out.append(as_drawn(found, structure, start, end, structures))
    return tuple(out)


def as_drawn(
    found: Clearance, structure: Structure, start: Vector, end: Vector, structures: Sequence[Structure]
) -> Clearance:
    """A clearance with what the drawing leaves open: no canal that stops short of the body keeps its margin.

    Args:
        start, end: (3,) ends of the body's axis. structures: all of the case, among them the foramina.
    """
    if stops_short_mm(structure, start, end, structures) > 0:
        found = _flagged(found, Flag.STOPS_SHORT)
        found = replace(found, verdict=Verdict.CANNOT_BE_TOLD) if found.verdict.good else found
    elif seen_badly(structure, start, end) is not None:
        found = _flagged(found, Flag.HARDLY_SEEN)
    if structure.uncertainty_mm >= DOUBTFUL_SD_MM:
        found = _flagged(found, Flag.PLACE_IN_DOUBT)
    return found


def _flagged(found: Clearance, flag: Flag) -> Clearance:
    return replace(found, distance=replace(found.distance, flags=(*found.distance.flags, flag)))


def _from_axis(points: Vector, start: Vector, end: Vector) -> tuple[Vector, Vector]:
    """(share of the segment, distance) of the place on it that is nearest to each point."""
    along = end - start
    share = np.clip((points - start) @ along / float(along @ along), 0.0, 1.0)
    return share, np.linalg.norm(points - start - share[:, None] * along, axis=1)


def _foramen_at(end: Vector, structures: Sequence[Structure]) -> bool:
    for structure in structures:
        if structure.kind is Kind.MENTAL_FORAMEN:
            shape = structure.shape
            points = (
                np.array([shape.base_lps_mm, shape.tip_lps_mm])
                if not hasattr(shape, "points_lps_mm")
                else (shape.points_lps_mm)
            )
            if float(np.linalg.norm(points - end, axis=1).min()) <= FORAMEN_MM:
                return True
    return False
