"""Which drills a rule asks for, in which order: diameters only; how deep each goes is `depth.py`."""

from dataclasses import dataclass
from enum import StrEnum

from siteplan.fixture import Fixture
from siteplan.surgery.kit import Drill, Kit, Purpose
from siteplan.surgery.protocol import Protocol, Rule
from siteplan.surgery.reasons import Reason

_EPS_MM = 1e-6
"""Two diameters that differ by less are the same (rounding)."""


OPENS_THE_WAY = "opens the way and sets direction and depth"
"""Why a pilot drill stands on a card."""


class Reach(StrEnum):
    """How far down a drill is meant to go."""

    FULL = "full length"
    CREST = "crest only"


@dataclass(frozen=True)
class Wanted:
    """One drill that is asked for."""

    drill: Drill
    reach: Reach
    why: tuple[Reason, ...]


@dataclass(frozen=True)
class Sequence:
    """The drills of one rule in order, and what the kit could not give: `lacking` where a whole step is missing."""

    rule: Rule
    wanted: tuple[Wanted, ...]
    notes: tuple[Reason, ...]
    blocked: Reason | None = None
    lacking: tuple[Reason, ...] = ()


def sequence(kit: Kit, protocol: Protocol, rule: Rule, fixture: Fixture, neck_mm: float) -> Sequence:
    """Drills for a fixture by a rule: pilot, shaping, crest, tap.

    Args:
        neck_mm: diameter of the smooth part of the fixture that stands in the crest.

    A drill to depth is never wider than core diameter minus `under_core_mm` (and `widest_to_depth_mm`); a crestal one
    never wider than the neck minus `crest_under_neck_mm`; a tap never wider than the thread.
    """
    limit, limit_why = to_depth_limit(protocol, rule, fixture)
    pilots = [d for d in kit.drills(Purpose.PILOT) if d.diameter_mm <= limit + _EPS_MM]
    if not pilots:
        thinnest = kit.drills(Purpose.PILOT)[0]
        text = (
            f"the thinnest pilot drill of the kit ({thinnest.diameter_mm:g} mm) is wider than the {limit:.2f} mm that "
            f"the protocol allows for {fixture.name} in {rule.bone} bone; choose a wider fixture or another kit"
        )
        return Sequence(rule, (), (), Reason(text, limit_why.where, rule.source))
    to_depth, notes = _to_depth(kit, protocol, rule, fixture, pilots[-1], limit)
    wanted = [Wanted(drill, Reach.FULL, _why_to_depth(kit, protocol, rule, drill, limit_why)) for drill in to_depth]
    crest, crest_notes = _crest(kit, protocol, rule, fixture, to_depth[-1].diameter_mm, neck_mm)
    tap, tap_notes = _tap(kit, protocol, rule, fixture)
    lacking = (
        *_too_narrow(protocol, rule, fixture, to_depth[-1], limit),
        *_too_closed(protocol, rule, to_depth, crest_notes, neck_mm),
    )
    return Sequence(rule, (*wanted, *crest, *tap), (*notes, *crest_notes, *tap_notes), lacking=lacking)


def _too_narrow(protocol: Protocol, rule: Rule, fixture: Fixture, widest: Drill, limit: float) -> tuple[Reason, ...]:
    """That the kit leaves the hole narrower by more than a whole step than the rule wants it."""
    missing = limit - widest.diameter_mm
    step = protocol.file.limits.widening_step_mm
    if fixture.outer_diameter_mm <= rule.pilot_alone_to_mm + _EPS_MM or missing <= step + _EPS_MM:
        return ()
    text = (
        f"the kit lacks a drill: {widest.name} is the widest that can be used to depth, {missing:.2f} mm under the "
        f"{limit:.2f} mm of the protocol in {rule.bone} bone, so {fixture.name} would have to force its way; add a "
        "drill to the kit or choose a thinner fixture"
    )
    return (Reason(text, protocol.where(rule, "under_core_mm"), rule.source),)


def _too_closed(
    protocol: Protocol, rule: Rule, to_depth: list[Drill], notes: tuple[Reason, ...], neck_mm: float
) -> tuple[Reason, ...]:
    """That the crest should be opened by more than a whole step and no drill of the kit can."""
    missing = neck_mm - rule.crest_under_neck_mm - to_depth[-1].diameter_mm
    if not notes or missing <= protocol.file.limits.widening_step_mm + _EPS_MM:
        return ()
    text = (
        f"the kit lacks a crestal drill: the crest of {rule.bone} bone is to be opened by {missing:.2f} mm more than "
        "the hole; add one to the kit or choose a thinner fixture"
    )
    return (Reason(text, protocol.where(rule, "open_crest_above_mm"), rule.source),)


def to_depth_limit(protocol: Protocol, rule: Rule, fixture: Fixture) -> tuple[float, Reason]:
    """Widest drill to depth that the rule allows, and why."""
    limit = fixture.core_diameter_mm - rule.under_core_mm
    text = (
        f"no wider than {limit:.2f} mm: the core of {fixture.name} ({fixture.core_diameter_mm:g} mm) less "
        f"{rule.under_core_mm:g} mm in {rule.bone} bone"
    )
    key = "under_core_mm"
    if rule.widest_to_depth_mm is not None and rule.widest_to_depth_mm < limit:
        limit, key = rule.widest_to_depth_mm, "widest_to_depth_mm"
        text = f"no wider than {limit:.2f} mm to depth in {rule.bone} bone: the thread condenses the rest itself"
    return limit, Reason(text, protocol.where(rule, key), rule.source)


def _to_depth(
    kit: Kit, protocol: Protocol, rule: Rule, fixture: Fixture, pilot: Drill, limit: float
) -> tuple[list[Drill], tuple[Reason, ...]]:
    """Pilot, then shaping drills up to the limit in the fewest steps that widen by no more than the protocol's step."""
    if fixture.outer_diameter_mm <= rule.pilot_alone_to_mm + _EPS_MM:
        text = (
            f"the pilot drill alone: a fixture up to {rule.pilot_alone_to_mm:g} mm in diameter needs no more in "
            f"{rule.bone} bone"
        )
        return [pilot], (Reason(text, protocol.where(rule, "pilot_alone_to_mm"), rule.source),)
    step = protocol.file.limits.widening_step_mm
    shaping = [d for d in kit.drills(Purpose.SHAPING) if pilot.diameter_mm < d.diameter_mm <= limit + _EPS_MM]
    chosen = [pilot]
    while shaping:
        near = [d for d in shaping if d.diameter_mm <= chosen[-1].diameter_mm + step + _EPS_MM]
        if not near:
            text = (
                f"the kit jumps from {chosen[-1].diameter_mm:g} to {shaping[0].diameter_mm:g} mm, more than the "
                f"{step:g} mm that the protocol allows at once; the wider drill is left out"
            )
            return chosen, (Reason(text, protocol.lines.where("limits", "widening_step_mm")),)
        chosen.append(near[-1])
        shaping = [d for d in shaping if d.diameter_mm > near[-1].diameter_mm + _EPS_MM]
    return chosen, ()


def _why_to_depth(kit: Kit, protocol: Protocol, rule: Rule, drill: Drill, limit: Reason) -> tuple[Reason, ...]:
    if drill.purpose is Purpose.PILOT:
        return (Reason(OPENS_THE_WAY, kit.where(drill), drill.source), limit)
    return (Reason(f"makes room for the core in {rule.bone} bone", kit.where(drill), drill.source), limit)


def _crest(
    kit: Kit, protocol: Protocol, rule: Rule, fixture: Fixture, hole_mm: float, neck_mm: float
) -> tuple[list[Wanted], tuple[Reason, ...]]:
    """Crestal drills wider than the hole, step by step up to the neck, where the rule opens the crest at all."""
    above = rule.open_crest_above_mm
    if above is None or fixture.outer_diameter_mm <= above + _EPS_MM:
        return [], ()
    limit = neck_mm - rule.crest_under_neck_mm
    text = (
        f"the crest of {rule.bone} bone is opened for fixtures above {above:g} mm, up to {limit:.2f} mm: "
        f"the neck ({neck_mm:.2f} mm) less {rule.crest_under_neck_mm:g} mm"
    )
    why = Reason(text, protocol.where(rule, "open_crest_above_mm"), rule.source)
    drills = crestal_between(kit, hole_mm, limit)
    if not drills:
        nothing = f"the kit has no crestal drill between the hole ({hole_mm:g} mm) and {limit:.2f} mm; crest not opened"
        return [], (Reason(nothing, why.where, rule.source),)
    return [Wanted(drill, Reach.CREST, (why,)) for drill in drills], ()


def crestal_between(kit: Kit, hole_mm: float, limit_mm: float) -> list[Drill]:
    """Crestal drills that widen a hole, up to a limit, thinnest first; one of each diameter."""
    chosen: list[Drill] = []
    for drill in kit.drills(Purpose.CRESTAL):
        widest = chosen[-1].diameter_mm if chosen else hole_mm
        if widest + _EPS_MM < drill.diameter_mm <= limit_mm + _EPS_MM:
            chosen.append(drill)
    return chosen


def _tap(kit: Kit, protocol: Protocol, rule: Rule, fixture: Fixture) -> tuple[list[Wanted], tuple[Reason, ...]]:
    """The tap of the fixture's own diameter, where the rule wants one; another tap would spoil the thread."""
    if not rule.tap:
        return [], ()
    fitting = [d for d in kit.drills(Purpose.TAP) if abs(d.diameter_mm - fixture.outer_diameter_mm) < _EPS_MM]
    where = protocol.where(rule, "tap")
    if not fitting:
        text = f"the protocol wants a tap in {rule.bone} bone, but the kit has none of {fixture.outer_diameter_mm:g} mm"
        return [], (Reason(text, where, rule.source),)
    why = Reason(f"cuts the thread before the fixture does, because {rule.bone} bone is hard", where, rule.source)
    return [Wanted(fitting[0], Reach.FULL, (why,))], ()
