"""Clearance of drills and of other fixtures at a site: one small function handed to those who need it."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from siteplan.anatomy import Structure
from siteplan.fixture import Pose, Solid
from siteplan.frame import Vector
from siteplan.placement import Clearance, Margins, clearance
from siteplan.placement.access import Access, DrillReach, Handpiece, Opening, access
from siteplan.placement.clearances import ROUGH_DEPTH_MM, search_distances
from siteplan.placement.hand import Hand, Risk, risk
from siteplan.placement.profile import Poses
from siteplan.surgery.kit import Drill, Kit

RISK_SAMPLES = 1000
"""Draws for the chance beside a drill: one of 1 % is then known to about 0.6 %, enough for a line on a card, and a
card is not waited for (our own choice)."""


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What lies around a site, and the margins that hold.

    Attributes:
        entry_lps_mm: (3,) where the axis enters bone; depths of a solid handed in count from here.
        axis: (3,) unit vector towards the apex.
        planned_contacts: names of structures whose cortex is engaged on purpose.
        hand: how far the hand deviates; None where no chance shall be estimated.
        opening: how far the mouth opens, where it was measured.
        at_lower_limit: compare the lower end of a distance's interval with its margin, not the distance itself.
    """

    entry_lps_mm: Vector
    axis: Vector
    structures: Sequence[Structure]
    margins: Margins
    planned_contacts: frozenset[str] = field(default_factory=frozenset)
    at_lower_limit: bool = False
    hand: Hand | None = None
    opening: Opening | None = None

    def risks(self, solid: Solid) -> tuple[Risk, ...]:
        """Chance that each structure is touched, for a solid in depth coordinates; none without a hand.

        A structure that is engaged on purpose is left out: there touching is the plan.
        """
        if self.hand is None:
            return ()
        pose = Pose(self.entry_lps_mm, self.axis)
        others = [s for s in self.structures if s.name not in self.planned_contacts]
        return tuple(
            risk(solid, pose, structure, self.margins, self.hand, samples=RISK_SAMPLES) for structure in others
        )

    def access(self, kit: Kit, drill: Drill, tip_bone_mm: float) -> Access | None:
        """Whether the handpiece with a drill at its depth fits; None where the kit knows no head."""
        head, extender = kit.file.handpiece_head, kit.file.extender
        if head is None or tip_bone_mm <= 0:
            return None
        handpiece = Handpiece(
            head.diameter_mm,
            head.height_mm,
            extender.length_mm if extender else None,
            extender.diameter_mm if extender else head.diameter_mm / 2,
        )
        reach = DrillReach(drill.name, drill.free_length_mm, drill.diameter_mm, tip_bone_mm)
        pose = Pose(self.entry_lps_mm, self.axis)
        return access(reach, pose, handpiece, self.structures, opening=self.opening)

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
        """What is left beyond the margin, asked of the distance or of its lower limit as this site demands."""
        return found.spare_mm(at_lower_limit=self.at_lower_limit)

    def keeps(self, found: Clearance) -> bool:
        """Whether the margin is kept; an unknown distance keeps none."""
        spare = self.spare_mm(found)
        return spare is not None and spare >= 0
