"""Clearance of drills and of other fixtures at a site: one small function handed to those who need it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from siteplan.anatomy import Structure
from siteplan.anatomy.structure import Surface
from siteplan.fixture import Pose, Solid
from siteplan.flags import Flag
from siteplan.frame import Vector
from siteplan.measures import distance_words
from siteplan.placement import Clearance, Margins, clearance
from siteplan.placement.access import Access, DrillReach, Handpiece, Opening, access
from siteplan.placement.clearances import BATCH_DEPTH_TOLERANCE_MM, ROUGH_DEPTH_MM, TWO_SIDED_95, search_distances
from siteplan.placement.drawn_beside import as_drawn
from siteplan.placement.hand import Hand, Risk, risk
from siteplan.placement.margins import Margin
from siteplan.placement.profile import Poses
from siteplan.placement.travel import travel_behind
from siteplan.placement.verdict import Verdict, contact_verdict, verdict
from siteplan.surgery.kit import Drill, Kit

RISK_SAMPLES = 1000
"""Draws for the chance beside a drill: one of 1 % is then known to about 0.6 %, enough for a line on a card, and a
card is not waited for (our own choice)."""

_DRILL_SOURCE = "drill_past_contact_mm of the protocol (0 without a word of it: common practice, no source)"


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What lies around a site, and the margins that hold.

    Attributes:
        entry_lps_mm: (3,) where the axis enters bone; depths of a solid handed in count from here.
        axis: (3,) unit vector towards the apex.
        planned_contacts: names of structures whose cortex the fixture engages on purpose. A drill is not granted them.
        at_lower_limit: the lower end of a distance's interval must keep the margin, or there is no depth at all.
        hand: how far the hand deviates; None where no chance shall be estimated.
        opening: how far the mouth opens, where it was measured.
        scan_sd_mm: standard deviation that the scan adds to a structure's own.
        depth_sd_mm: standard deviation of a drill's depth along the axis, where it is read at the gum.
        drill_past_contact_mm: how far the protocol lets a drill's tip pass a surface that the fixture engages.
    """

    entry_lps_mm: Vector
    axis: Vector
    structures: Sequence[Structure]
    margins: Margins
    planned_contacts: frozenset[str] = field(default_factory=frozenset)
    at_lower_limit: bool = False
    hand: Hand | None = None
    opening: Opening | None = None
    scan_sd_mm: float = 0.0
    depth_sd_mm: float = 0.0
    drill_past_contact_mm: float = 0.0

    @property
    def pose(self) -> Pose:
        """Of solids in depth coordinates."""
        return Pose(self.entry_lps_mm, self.axis)

    @cached_property
    def _at_contacts(self) -> Margins:
        """What holds for a drill at a planned contact: its tip stays in front, unless the protocol lets it pass."""
        way = self.drill_past_contact_mm
        said = (
            f"a drill may pass by {way:g} mm" if way > 0 else "a drill stays in front of what only the fixture engages"
        )
        status = "user" if way > 0 else "memory"
        own = {
            str(s.kind): Margin(str(s.kind), way, status, _DRILL_SOURCE, said)
            for s in self.structures
            if self._engaged(s)
        }
        if way > 0:
            return Margins(self.margins.margins, self.margins.contacts | own)
        return Margins(self.margins.margins | own, {})

    def _engaged(self, structure: Structure) -> bool:
        return structure.name in self.planned_contacts and self.margins.contact(structure.kind) is not None

    def _of_drill(self, structure: Structure) -> tuple[Margins, bool]:
        """(margins, planned contact) that hold for a drill."""
        return (
            (self._at_contacts, self.drill_past_contact_mm > 0) if self._engaged(structure) else (self.margins, False)
        )

    def drill_risks(self, solid: Solid) -> tuple[Risk, ...]:
        """Chance that a drill in depth coordinates touches each structure; none without a hand.

        At a planned contact: the chance that its tip passes the surface.
        """
        return () if self.hand is None else tuple(self._drill_risk(solid, s, self.hand) for s in self.structures)

    def _drill_risk(self, solid: Solid, structure: Structure, hand: Hand) -> Risk:
        margins, planned = self._of_drill(structure)
        return risk(
            solid,
            self.pose,
            structure,
            margins,
            hand,
            scan_sd_mm=self.scan_sd_mm,
            depth_sd_mm=self.depth_sd_mm,
            planned_contact=planned,
            samples=RISK_SAMPLES,
        )

    def fixture_contact_risks(self, solid: Solid) -> tuple[Risk, ...]:
        """Chance that a fixture in depth coordinates passes each planned contact and its limit."""
        if self.hand is None:
            return ()
        hand, sd = self.hand, self.scan_sd_mm
        engaged = [s for s in self.structures if self._engaged(s)]
        return tuple(
            risk(solid, self.pose, s, self.margins, hand, scan_sd_mm=sd, planned_contact=True, samples=RISK_SAMPLES)
            for s in engaged
        )

    def access(self, kit: Kit, drill: Drill, tip_bone_mm: float) -> Access | None:
        """Whether the handpiece with a drill at its depth fits; None where the kit lacks a size."""
        head, extender = kit.file.handpiece_head, kit.file.extender
        if head is None or drill.free_length_mm is None or tip_bone_mm <= 0:
            return None
        handpiece = Handpiece(
            head.diameter_mm,
            head.height_mm,
            extender.length_mm if extender else None,
            extender.diameter_mm if extender else head.diameter_mm / 2,
        )
        reach = DrillReach(drill.name, drill.free_length_mm, drill.diameter_mm, tip_bone_mm)
        return access(reach, self.pose, handpiece, self.structures, opening=self.opening)

    def drill_clearances(self, solid: Solid) -> tuple[Clearance, ...]:
        """Of a drill in depth coordinates, to every structure in order, with what reading its depth leaves open."""
        return tuple(self._as_drawn(self._drill_clearance(solid, s), s, solid) for s in self.structures)

    def _as_drawn(self, found: Clearance, structure: Structure, solid: Solid) -> Clearance:
        """A drill, or another fixture, is no surer of a canal that is not drawn beside it than the planned fixture."""
        start, end = self.pose.point(float(solid.z_mm[0])), self.pose.point(float(solid.z_mm[-1]))
        return as_drawn(found, structure, start, end, self.structures)

    def _drill_clearance(self, solid: Solid, structure: Structure) -> Clearance:
        margins, planned = self._of_drill(structure)
        at_plan = clearance(
            solid,
            self.pose,
            structure,
            margins,
            scan_sd_mm=self.scan_sd_mm,
            planned_contact=planned,
            # How deep a drill overlaps what it may not touch is of no use: it is refused.
            depth_tolerance_mm=None if planned else ROUGH_DEPTH_MM,
        )
        value, low, high = at_plan.distance.value, at_plan.distance.low, at_plan.distance.high
        if self.depth_sd_mm <= 0 or value is None or low is None or high is None:
            return at_plan
        # What a depth that is off by its 95 % limit changes joins the interval as the root of the sum of squares.
        lower = Pose(self.pose.point(TWO_SIDED_95 * self.depth_sd_mm), self.axis)
        deeper = clearance(solid, lower, structure, margins, planned_contact=planned, depth_tolerance_mm=ROUGH_DEPTH_MM)
        reach = _reach(at_plan)
        nearer = max(reach - _reach(deeper), 0.0)
        down, up = float(np.hypot(value - low, nearer)), float(np.hypot(high - value, nearer))
        limit = at_plan.margin.value_mm
        if at_plan.contact:
            said = contact_verdict(reach - down, reach + up, limit)
        else:
            said = verdict(value, value - down, value + up, limit)
        return replace(at_plan, distance=replace(at_plan.distance, low=value - down, high=value + up), verdict=said)

    def fixture_clearances(self, solid: Solid) -> tuple[Clearance, ...]:
        """Of a fixture in depth coordinates, to every structure in order."""
        return tuple(self._of_fixture(solid, structure) for structure in self.structures)

    def _of_fixture(self, solid: Solid, structure: Structure, depth_tolerance_mm: float | None = None) -> Clearance:
        found = clearance(
            solid,
            self.pose,
            structure,
            self.margins,
            scan_sd_mm=self.scan_sd_mm,
            planned_contact=structure.name in self.planned_contacts,
            depth_tolerance_mm=depth_tolerance_mm,
        )
        return self._as_drawn(found, structure, solid)

    def speaks_against(self, solid: Solid) -> tuple[str, ...]:
        """Why a fixture in depth coordinates must not be offered, by structure; empty where every verdict is clear.

        Only a clear verdict counts: what cannot be told is told against it. Quick answers only ever reject: how far
        it has gone past a planned contact along its axis, and whether its tip is behind another surface. All else is
        the exact distance; of an overlap only its proven lower limit is used.
        """
        said = (self._why_not(solid, structure) for structure in self.structures)
        return tuple(why for why in said if why)

    def _why_not(self, solid: Solid, structure: Structure) -> str:
        quick = self._quick_no(solid, structure) if isinstance(structure.shape, Surface) else ""
        if quick:
            return quick
        found = self._of_fixture(solid, structure, ROUGH_DEPTH_MM)
        if found.contact and found.verdict is Verdict.CANNOT_BE_TOLD:
            found = self._of_fixture(solid, structure, BATCH_DEPTH_TOLERANCE_MM)
        return "" if found.verdict.good else against(found)

    def _quick_no(self, solid: Solid, structure: Structure) -> str:
        shape = structure.shape
        if not isinstance(shape, Surface):
            return ""
        limit = self.margins.contact(structure.kind) if self._engaged(structure) else None
        if limit is None:
            value = float(search_distances(solid, Poses.of(self.pose), shape).value[0])
            return "" if value > 0 else f"reaches behind {structure.name}"
        behind = float(travel_behind(solid, Poses.of(self.pose), shape)[0])
        most = behind + TWO_SIDED_95 * float(np.hypot(structure.uncertainty_mm, self.scan_sd_mm))
        if behind <= 0 or most <= limit.value_mm:
            return ""
        return f"{behind:.1f} mm behind {structure.name} (up to {most:.1f}), where {limit.value_mm:g} mm is the most"

    def keeps(self, found: Clearance) -> bool:
        """Whether the distance itself keeps the margin (its lower limit, where that is demanded)."""
        spare = found.spare_mm(at_lower_limit=self.at_lower_limit)
        return spare is not None and spare >= 0


def _reach(found: Clearance) -> float:
    value = found.distance.value or 0.0
    return min(value, -found.behind_mm) if found.behind_mm else value


def against(found: Clearance) -> str:
    """What a verdict that is not clear says, with its number: "canal: 1.2 mm (0.6 to 1.8), margin 2 mm: ..."."""
    margin = f"{'limit' if found.contact else 'margin'} {found.margin.value_mm:g} mm"
    said = found.verdict.value
    if Flag.STOPS_SHORT in found.distance.flags:
        said += ", because it is not drawn beside this place: draw it on"
    if found.behind_mm:
        return f"{found.behind_mm:.1f} mm behind {found.structure}, {margin}: {said}"
    return f"{found.structure}: {distance_words(found.distance)}, {margin}: {said}"
