"""The steps of one rule at one site: sequence by `sequence.py`, depths by `depth.py`, put together here."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from siteplan.fixture import Fixture
from siteplan.measures import Measure, limits_words
from siteplan.placement import Clearance
from siteplan.placement.cover import of_each_side_one
from siteplan.placement.margins import BUCCAL_BONE, FIXTURE, LINGUAL_BONE
from siteplan.surgery.around import Surroundings
from siteplan.surgery.card import Step
from siteplan.surgery.depth import Bounds, Depth, NoDepth, Surface, body_bounds, choose
from siteplan.surgery.drill_shape import drill_solid, hole_radius
from siteplan.surgery.kit import Kit, Purpose
from siteplan.surgery.protocol import Protocol, Rule
from siteplan.surgery.reasons import Reason
from siteplan.surgery.sequence import Reach, Sequence, Wanted, sequence

CLOSED_MM = 0.2
"""Cortex left closed by more than this is told (our own bound: half of what a cortex is measured to)."""


@dataclass(frozen=True, eq=False)
class Site:
    """What a card is made from.

    Attributes:
        platform_bone_mm: the fixture's platform below the bone entry, negative above it.
        cortex: measured crestal cortex, mm.
        own: clearances of the fixture itself, at its place.
    """

    fixture: Fixture
    platform_bone_mm: float
    surface: Surface
    cortex: Measure
    around: Surroundings
    kit: Kit
    protocol: Protocol
    own: tuple[Clearance, ...] = ()

    @property
    def not_clear(self) -> tuple[Clearance, ...]:
        """Of the fixture itself: every verdict that is not clear, of the bone on one side the gravest."""
        return of_each_side_one([found for found in self.own if not found.verdict.good])

    @property
    def apex_bone_mm(self) -> float:
        """Depth of the fixture's apex below the bone entry."""
        return self.platform_bone_mm + self.fixture.length_mm

    @property
    def neck_mm(self) -> float:
        """Diameter of the fixture's solid part where it passes the bone entry."""
        if self.platform_bone_mm > self.fixture.length_mm:
            return self.fixture.neck_mm
        core = self.fixture.core
        return 2 * float(np.interp(-self.platform_bone_mm, core.z_mm, core.r_mm))

    @property
    def crest_goal_mm(self) -> float | None:
        """How deep the crest may be opened: upper limit of the measured cortex and the protocol's addition."""
        if self.cortex.value is None:
            return None
        top = self.cortex.high if self.cortex.high is not None else self.cortex.value
        return top + self.protocol.file.limits.crest_beyond_cortex_mm


@dataclass(frozen=True, eq=False)
class Built:
    """Steps of one rule, with what could not be done."""

    rule: Rule
    steps: tuple[Step, ...]
    notes: tuple[Reason, ...]
    problems: tuple[Reason, ...]

    @cached_property
    def removed_mm3(self) -> float:
        """Bone that the drills remove together; a tap only cuts the thread and does not count."""
        return removed_mm3(self.steps)


def build(site: Site, rule: Rule) -> Built:
    """All steps of a rule at a site, in order, each at its deepest safe mark."""
    plan = sequence(site.kit, site.protocol, rule, site.fixture, site.neck_mm)
    if plan.blocked is not None:
        return Built(rule, (), plan.notes, (plan.blocked,))
    steps: list[Step] = []
    notes, problems = list(plan.notes), list(plan.lacking)
    for wanted in plan.wanted:
        made = make_step(site, wanted, steps)
        if isinstance(made, Step):
            steps.append(made)
        elif (narrower := _narrower(site, wanted, steps)) is not None:
            steps.append(narrower)
            notes.append(replace(made, text=f"{made.text}; {narrower.drill.name} is used instead"))
        elif wanted.reach is Reach.FULL:
            problems.append(made)
            if not steps:
                break
        else:
            notes.append(made)
    notes += _handpiece_not_checked(site, steps)
    more_notes, more_problems = _shortfall(site, steps, plan)
    return Built(rule, tuple(steps), (*notes, *more_notes), (*problems, *more_problems))


def _handpiece_not_checked(site: Site, steps: list[Step]) -> list[Reason]:
    """That nothing is said of the handpiece, where the kit does not hold what that needs."""
    if site.kit.file.handpiece_head is None:
        text = "the kit describes no head of the handpiece, so whether it fits between the crowns was not checked"
        return [Reason(text, site.kit.lines.name)] if steps else []
    bare = list(dict.fromkeys(step.drill.name for step in steps if step.drill.free_length_mm is None))
    if not bare:
        return []
    text = f"the kit gives no free length of {', '.join(bare)}, so whether the handpiece fits with it was not checked"
    return [Reason(text, f"{site.kit.lines.name} (free_length_mm)")]


def _narrower(site: Site, wanted: Wanted, before: list[Step]) -> Step | None:
    """The widest shaping drill under the wanted one that still has a safe mark: its point is shorter."""
    if wanted.drill.purpose is not Purpose.SHAPING or not before:
        return None
    done, most = before[-1].drill.diameter_mm, wanted.drill.diameter_mm
    between = [d for d in site.kit.drills(Purpose.SHAPING) if done < d.diameter_mm < most]
    for drill in reversed(between):
        made = make_step(site, replace(wanted, drill=drill), before)
        if isinstance(made, Step):
            return made
    return None


def make_step(site: Site, wanted: Wanted, before: list[Step]) -> Step | Reason:
    """One step at its deepest safe mark, or why there is none."""
    drill, limits = wanted.drill, site.protocol.file.limits
    if wanted.reach is Reach.CREST:
        goal = site.crest_goal_mm
        if goal is None:
            text = f"{drill.name}: the crestal cortex was not measured, so no depth can be given for opening the crest"
            return Reason(text, "measure crestal_cortex")
        bounds = Bounds(goal, goal + drill.point_length_mm, f"the cortex ends at {goal:.2f} mm at the most")
    else:
        bounds = body_bounds(site.fixture, drill, site.platform_bone_mm, limits.tip_beyond_apex_mm, limits.thread_bite)
        bounds = _not_deeper_than_before(bounds, before)
    depth = choose(site.kit, drill, bounds, site.surface, site.around)
    if isinstance(depth, NoDepth):
        return Reason(depth.why, site.kit.where(drill, "marks_mm"), drill.source)
    return _step(site, wanted, bounds, depth)


def removed_mm3(steps: tuple[Step, ...]) -> float:
    """Volume of the hole that the steps leave together."""
    drills = [(s.drill, s.tip_below_bone_mm) for s in steps if s.drill.purpose is not Purpose.TAP]
    if not drills:
        return 0.0
    depth = np.linspace(0.0, max(tip for _, tip in drills), _VOLUME_SAMPLES)
    return float(np.trapezoid(np.pi * hole_radius(drills, depth) ** 2, depth))


_VOLUME_SAMPLES = 400
"""Depths at which a hole's radius is taken for its volume; only compared with other holes, so coarse is enough."""


def _not_deeper_than_before(bounds: Bounds, before: list[Step]) -> Bounds:
    """A wider drill follows the hole; its full diameter does not go past that of the drills before it."""
    shoulders = [s.tip_below_bone_mm - s.drill.point_length_mm for s in before if s.reach is Reach.FULL]
    if not shoulders or min(shoulders) >= bounds.shoulder_bone_mm:
        return bounds
    return Bounds(min(shoulders), bounds.tip_bone_mm, f"{bounds.reason}; the drill before it ended there")


def _step(site: Site, wanted: Wanted, bounds: Bounds, depth: Depth) -> Step:
    above = site.surface.above_bone_mm
    goal = bounds.shoulder_bone_mm if wanted.reach is Reach.CREST else site.apex_bone_mm
    return Step(
        drill=wanted.drill,
        reach=wanted.reach,
        reference=site.surface.name,
        mark_mm=depth.setting.reading_mm,
        stop=depth.setting.stop,
        tip_depth_mm=depth.tip_bone_mm + above,
        tip_below_bone_mm=depth.tip_bone_mm,
        short_of_goal_mm=max(goal - depth.shoulder_bone_mm, 0.0),
        clearances=depth.clearances,
        handpiece=site.around.access(site.kit, wanted.drill, depth.tip_bone_mm),
        held_back=depth.held_back,
        why=(*wanted.why, *_depth_reasons(site, wanted, bounds, depth)),
    )


def _depth_reasons(site: Site, wanted: Wanted, bounds: Bounds, depth: Depth) -> tuple[Reason, ...]:
    """Where the depth comes from: what it may reach, the mark, and the length of the point."""
    drill = wanted.drill
    if wanted.reach is Reach.CREST:
        goal_mm = bounds.shoulder_bone_mm
        text = f"opens the crestal cortex only: measured {_interval(site.cortex)}, goal {goal_mm:.2f} mm"
        closed = (site.cortex.value or 0.0) - depth.shoulder_bone_mm
        if closed > CLOSED_MM:
            text += f"; this mark leaves about {closed:.1f} mm of it closed, which the fixture has to pass itself"
        goal = Reason(text, "measure crestal_cortex")
    else:
        text = (
            f"the fixture's apex lies {site.apex_bone_mm:.2f} mm below the bone entry: platform "
            f"{platform_words(site.platform_bone_mm)}, length {site.fixture.length_mm:g} mm"
        )
        goal = Reason(text, "plan: fixture and its place; measure crest_offset")
    gum = f" less {site.surface.above_bone_mm:g} mm of gum" if site.surface.above_bone_mm else ""
    reach = Reason(
        f"{depth.setting.reading_mm:g} mm from the {site.surface.name}{gum}, and the tip "
        f"{drill.beyond_mark_mm:.2f} mm further: {depth.tip_bone_mm:.2f} mm below the bone entry",
        site.kit.where(drill, "marks_mm"),
        drill.source,
    )
    point = Reason(
        f"point length (D / 2) / tan(A / 2) = {drill.point_length_mm:.2f} mm",
        site.kit.where(drill, "point_angle_deg"),
        "Machinery's Handbook, twist drill points (formula)",
    )
    if not depth.held_back:
        return goal, reach, point
    return goal, reach, Reason(f"not deeper: {depth.held_back}", site.kit.where(drill, "marks_mm"), drill.source), point


def platform_words(depth_mm: float) -> str:
    """Where the platform stands against the bone entry: "0.20 mm below it", "at it"."""
    if abs(depth_mm) < _LEVEL_MM:
        return "at it"
    return f"{abs(depth_mm):.2f} mm {'below' if depth_mm > 0 else 'above'} it"


_LEVEL_MM = 0.005
"""Less prints as 0.00."""


def _interval(measure: Measure) -> str:
    if measure.value is None:
        return "not measured"
    if measure.low is None or measure.high is None:
        return f"{measure.value:.2f} mm (interval not known)"
    return f"{measure.value:.2f} mm ({limits_words(measure.low, measure.high, 2)})"


def _shortfall(site: Site, steps: list[Step], plan: Sequence) -> tuple[list[Reason], list[Reason]]:
    """What it means that the hole ends short of the apex."""
    full = [step for step in steps if step.reach is Reach.FULL]
    if not full:
        return [], []
    limits, short = site.protocol.file.limits, full[0].short_of_goal_mm
    if short <= limits.undrilled_tolerated_mm:
        return _narrow_end(site, full), []
    why = full[0].held_back or "because depth is never rounded towards a structure"
    text = f"the hole's full diameter ends {short:.2f} mm short of the fixture's apex ({why})"
    # Bone beside it and another fixture come no nearer when it is turned in deeper.
    aside = (BUCCAL_BONE, LINGUAL_BONE, FIXTURE)
    against = [found.structure for found in site.not_clear if found.kind not in aside]
    if against:
        text += (
            f"; do not let the fixture make up for it: it does not clearly keep its margin to {', '.join(against)}, "
            "so choose a shorter fixture or change its place"
        )
        return [], [Reason(text, "clearances of the fixture")]
    text += f"; the fixture has to make the rest itself in {plan.rule.bone} bone"
    if short <= limits.undrilled_at_most_mm:
        return [Reason(text, site.protocol.lines.where("limits", "undrilled_tolerated_mm"))], []
    text += f", more than the {limits.undrilled_at_most_mm:g} mm that the protocol accepts: choose a shorter fixture"
    return [], [Reason(text, site.protocol.lines.where("limits", "undrilled_at_most_mm"))]


def _narrow_end(site: Site, full: list[Step]) -> list[Reason]:
    """That the widest drill to depth ends short of the apex, where the first one reached it."""
    bore = [step for step in full if step.drill.purpose is not Purpose.TAP]
    last = bore[-1]
    if len(bore) < 2 or last.short_of_goal_mm <= site.protocol.file.limits.undrilled_tolerated_mm:
        return []
    reaching = [s.drill.diameter_mm for s in bore if s.short_of_goal_mm < last.short_of_goal_mm]
    why = f" ({last.held_back})" if last.held_back else ""
    text = (
        f"{last.drill.name} ends {last.short_of_goal_mm:.2f} mm short of the fixture's apex{why}; from there on the "
        f"hole is {max(reaching, default=0.0):g} mm wide"
    )
    return [Reason(text, site.protocol.lines.where("limits", "undrilled_tolerated_mm"))]


def with_risks(site: Site, step: Step) -> Step:
    """The step with the chance of touching each structure; apart, because it takes longer than all the rest."""
    solid = drill_solid(step.drill, step.tip_below_bone_mm, site.surface.above_bone_mm)
    return replace(step, risks=site.around.drill_risks(solid))
