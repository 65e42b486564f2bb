"""Clearance of drills and of other fixtures at a site: one small function handed to those who need it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from siteplan.anatomy import Structure
from siteplan.fixture import Pose, Solid
from siteplan.frame import Vector
from siteplan.placement import Clearance, Margins, clearance
from siteplan.placement.clearances import ROUGH_DEPTH_MM, search_distances
from siteplan.placement.profile import Poses


class Risk(Protocol):
    """How probable it is that a structure is touched when the hand deviates from the plan; made by `placement`."""

    def as_json(self) -> dict[str, Any]:
        """For `findings.json`."""


RiskOf = Callable[[Solid, Pose, Structure], Risk]


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What lies around a site, and the margins that hold.

    Attributes:
        entry_lps_mm: (3,) where the axis enters bone; depths of a solid handed in count from here.
        axis: (3,) unit vector towards the apex.
        planned_contacts: names of structures whose cortex is engaged on purpose.
        risk: probability under the deviation of the hand, where one is estimated.
        at_lower_limit: compare the lower end of a distance's interval with its margin, not the distance itself.
    """

    entry_lps_mm: Vector
    axis: Vector
    structures: Sequence[Structure]
    margins: Margins
    planned_contacts: frozenset[str] = field(default_factory=frozenset)
    at_lower_limit: bool = False
    risk: RiskOf | None = None

    def risks(self, solid: Solid) -> tuple[Risk, ...]:
        """Of a solid in depth coordinates, to every structure in order; empty where no estimate was handed in."""
        if self.risk is None:
            return ()
        pose = Pose(self.entry_lps_mm, self.axis)
        return tuple(self.risk(solid, pose, structure) for structure in self.structures)

    def clearances(self, solid: Solid) -> tuple[Clearance, ...]:
        """Of a solid in depth coordinates, to every structure in order."""
        pose = Pose(self.entry_lps_mm, self.axis)
        return tuple(
            clearance(solid, pose, s, self.margins, planned_contact=s.name in self.planned_contacts)
            for s in self.structures
        )

    def broken(self, solid: Solid) -> tuple[tuple[str, float | None], ...]:
        """(structure, what it spares in mm; None: not measured) of every margin that is broken.

        Rough distances come first: exact depths of overlap take long, and are needed only where a rough one leaves
        room for doubt.
        """
        pose = Pose(self.entry_lps_mm, self.axis)
        found: list[tuple[str, float | None]] = []
        for structure in self.structures:
            rough = self._rough_spare_mm(solid, pose, structure)
            spare: float | None = rough
            if abs(rough) <= ROUGH_DEPTH_MM or self.at_lower_limit:
                planned = structure.name in self.planned_contacts
                spare = self.spare_mm(clearance(solid, pose, structure, self.margins, planned_contact=planned))
            if spare is None or spare < 0:
                found.append((structure.name, spare))
        return tuple(found)

    def _rough_spare_mm(self, solid: Solid, pose: Pose, structure: Structure) -> float:
        value = float(search_distances(solid, Poses.of(pose), structure.shape).value[0])
        limit = self.margins.contact(structure.kind) if structure.name in self.planned_contacts else None
        return value + limit.value_mm if limit is not None else value - self.margins.of(structure.kind).value_mm

    def spare_mm(self, found: Clearance) -> float | None:
        """What is left beyond the margin, below zero where it is broken; None where nothing was measured.

        For a planned contact: what is left of the way that may be gone behind the structure.
        """
        reach = found.distance.low if self.at_lower_limit else found.distance.value
        if reach is None:
            return None
        limit = self.margins.contact(found.kind) if found.structure in self.planned_contacts else None
        return reach + limit.value_mm if limit is not None else reach - found.margin.value_mm

    def keeps(self, found: Clearance) -> bool:
        """Whether the margin is kept; an unknown distance keeps none."""
        spare = self.spare_mm(found)
        return spare is not None and spare >= 0
