"""Structures that a person has yet to decide on, and the points of a canal that a hand can take. Knows no Qt.

Two kinds wait for a person: proposals, which the program made without a click and which no verdict uses; and found
structures, which a person asked for by clicks and whose verdicts say that nobody has confirmed them.
"""

from dataclasses import dataclass

import numpy as np

from siteplan.anatomy import Cone, Kind, MadeBy, Structure, Tube
from siteplan.anatomy.to_json import structure_json
from siteplan.case import StructureEntry
from siteplan.case.shapes import structure_of
from siteplan.case.tooth import jaw_of, side_of
from siteplan.frame import Vector
from siteplan.report.plane import Plane
from viewer.look import Look
from viewer.plan import Plan

MOVABLE = (Kind.CANAL, Kind.INCISIVE_CANAL)
"""Kinds whose course a hand can correct point by point."""
STOP_MM = 3.0
"""Looking along a structure stops this often: about its diameter."""


@dataclass(frozen=True)
class Undecided:
    """One structure that waits. `proposed`: it is no part of the case yet."""

    entry: StructureEntry
    proposed: bool


def undecided(plan: Plan) -> tuple[Undecided, ...]:
    """What waits for a person, proposals first."""
    found = (s for s in plan.case.structures if s.made_by is MadeBy.FOUND)
    return (*(Undecided(p, True) for p in plan.proposals), *(Undecided(s, False) for s in found))


def with_confirmed(plan: Plan, entry: StructureEntry) -> Plan:
    """The plan with this structure confirmed: from now on it is part of the case."""
    sure = entry.model_copy(update={"made_by": MadeBy.CONFIRMED})
    if entry in plan.proposals:
        sure = sure.model_copy(update={"name": free_name(entry.name, {s.name for s in plan.case.structures})})
        plan = plan.without_proposal(entry.name)
    return plan.with_structure(sure)


def with_rejected(plan: Plan, entry: StructureEntry) -> Plan:
    """The plan without this structure."""
    return plan.without_proposal(entry.name) if entry in plan.proposals else plan.without_structure(entry.name)


def with_corrected(plan: Plan, name: str, structure: Structure) -> Plan:
    """The plan with a structure in the place of the one of this name, wherever that stood."""
    entry = StructureEntry.model_validate(structure_json(structure)).model_copy(update={"name": name})
    return plan.with_proposal(entry) if any(p.name == name for p in plan.proposals) else plan.with_structure(entry)


def with_proposed(plan: Plan, found: list[Structure]) -> Plan:
    """The plan with new proposals in place of old ones; a side whose canal is in the case already needs none."""
    settled = {s.side for s in plan.case.structures if s.kind is Kind.CANAL}
    for old in plan.proposals:
        plan = plan.without_proposal(old.name)
    for structure in found:
        if structure.side in settled:
            continue
        entry = StructureEntry.model_validate(structure_json(structure))
        name = free_name(f"{structure.side} {structure.name}".strip(), {s.name for s in plan.case.structures})
        plan = plan.with_proposal(entry.model_copy(update={"name": name, "made_by": MadeBy.FOUND}))
    return plan


def shapes_of(entries: tuple[StructureEntry, ...]) -> tuple[Structure, ...]:
    """Proposals as exact shapes, for drawing."""
    return tuple(structure_of(entry, "proposal") for entry in entries)


def near_tooth(proposed: tuple[Structure, ...], tooth: int) -> int:
    """How many proposals lie on the side and in the jaw of a tooth (what is proposed are canals of the lower jaw)."""
    return sum(jaw_of(tooth) == "lower" and s.side in ("", side_of(tooth)) for s in proposed)


def find_structure(plan: Plan, name: str) -> Structure | None:
    """The structure or proposal of this name."""
    entries = (*plan.proposals, *plan.case.structures)
    return next((structure_of(e, "structure") for e in entries if e.name == name), None)


def free_name(name: str, taken: set[str]) -> str:
    """The name itself, or with the first number that is free."""
    number, free = 2, name
    while free in taken:
        free, number = f"{name} {number}", number + 1
    return free


@dataclass(frozen=True, eq=False)
class Crossing:
    """Where the middle line of a canal passes through a plane. `index`: its nearest point."""

    name: str
    index: int
    at_lps_mm: Vector
    radius_mm: float


def crossings(structure: Structure, plane: Plane) -> tuple[Crossing, ...]:
    """Every place where a canal's middle line passes through a plane; none for what cannot be corrected by hand."""
    shape = structure.shape
    if structure.kind not in MOVABLE or not isinstance(shape, Tube) or len(shape.points_lps_mm) < 2:
        return ()
    points, height = shape.points_lps_mm, plane.from_lps(shape.points_lps_mm)[:, 2]
    out = []
    for n in np.flatnonzero((height[:-1] < 0) != (height[1:] < 0)):
        share = height[n] / (height[n] - height[n + 1])
        at = points[n] + share * (points[n + 1] - points[n])
        out.append(Crossing(structure.name, int(n + (share > 0.5)), at, float(shape.radius_mm[n])))
    return tuple(out)


def stops_along(structure: Structure, look: Look, reach_mm: float) -> tuple[float, ...]:
    """Distances along the arch from a site at which a section should be looked at before a structure is confirmed."""
    shape = structure.shape
    points = np.stack([shape.base_lps_mm, shape.tip_lps_mm]) if isinstance(shape, Cone) else shape.points_lps_mm
    along = look.offsets_to(points)
    low, high = max(float(along.min()), -reach_mm), min(float(along.max()), reach_mm)
    if low > high:
        return ()
    count = max(1, round((high - low) / STOP_MM))
    return tuple(round(float(x), 2) for x in np.linspace(low, high, count + 1))
