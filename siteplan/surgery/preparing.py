"""From bone to hand: the drilling card of one site."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from siteplan.anatomy import Structure
from siteplan.bone import BoneFindings, DensityClass, classify, density_tables, mean_grey_in
from siteplan.errors import GeometryError
from siteplan.fixture import Fixture, Pose, Solid
from siteplan.frame import SiteFrame
from siteplan.measures import Measure, limits_words
from siteplan.placement import Clearance, Margins
from siteplan.placement.access import Opening
from siteplan.placement.hand import Hand
from siteplan.placement.verdict import Verdict
from siteplan.surgery import cautions
from siteplan.surgery.around import Surroundings, against
from siteplan.surgery.branches import looser_branch, pauses_of, tighter_branch
from siteplan.surgery.build import Built, Site, build, with_risks
from siteplan.surgery.card import Branch, Preparation, TorqueGoal
from siteplan.surgery.choice import Candidate, candidates
from siteplan.surgery.depth import Surface
from siteplan.surgery.forecast import TorqueReport, torque_report
from siteplan.surgery.kit import Kit
from siteplan.surgery.protocol import Protocol, Rule
from siteplan.surgery.reasons import Reason
from siteplan.surgery.wall import WallBone, wall_from_class, wall_from_findings

GUM_TYPED_SD_MM = 0.5
"""Standard deviation of a gum thickness that was typed into a case, of which nobody knows how it was measured (common
practice, no source; 0.3 would be asked for after probing to bone, from memory)."""

FixtureCheck = Callable[[Fixture], Sequence[Clearance]]


@dataclass(frozen=True, eq=False)
class _Choice:
    built: Built
    candidate: Candidate
    others: tuple[Candidate, ...]


def prepare(
    fixture: Fixture,
    pose: Pose,
    frame: SiteFrame,
    *,
    approach: str,
    soft_tissue_mm: float | None,
    cortex: Measure,
    density: DensityClass | None,
    jaw: str,
    structures: Sequence[Structure],
    margins: Margins,
    kit: Kit,
    protocol: Protocol,
    planned_contacts: Sequence[str] = (),
    alternatives: Sequence[Fixture] = (),
    check_fixture: FixtureCheck | None = None,
    bone: BoneFindings | None = None,
    hand: Hand | None = None,
    opening: Opening | None = None,
    clearances: Sequence[Clearance] | None = None,
    scan_sd_mm: float = 0.0,
    soft_tissue_sd_mm: float = GUM_TYPED_SD_MM,
) -> Preparation:
    """The drilling card of a fixture at its pose.

    Args:
        pose: of the planned fixture.
        frame: of the site, its origin where the axis enters bone (as measured).
        approach: "flap" (depth counts from the bone crest) or "flapless" (from the gum surface).
        soft_tissue_mm: gum thickness along the axis; needed when flapless.
        cortex: measured crestal cortex, mm, with its interval.
        density: distribution over the classes of a density table, None where nothing is known.
        jaw: "upper" or "lower".
        structures, margins: what a drill must keep away from, and how far.
        planned_contacts: names of structures whose cortex the fixture engages on purpose; drills stay in front.
        alternatives: fixtures that may be taken instead when the hold is poor (the catalogue).
        hand: how far the hand deviates; with it each step has the chance of touching each structure.
        opening: how far the mouth opens; without it only crowns are looked at.
        bone: the whole measured site; with it the torque is forecast from its grey values.
        check_fixture: what else must keep its margin for such a fixture at this platform (the bone left around it);
            structures are looked at here anyway.
        clearances: of the planned fixture itself; without them its distances to the structures are measured here.
        scan_sd_mm: standard deviation that the scan adds to each structure's own.
        soft_tissue_sd_mm: standard deviation of the gum's thickness, which a flapless depth inherits.

    Raises:
        GeometryError: flapless without a gum thickness, or an unknown approach.
        LibraryFileError: the protocol has no rule for this design.
    """
    site = _site(fixture, pose, frame, approach, soft_tissue_mm, cortex, structures, margins, kit, protocol,
                 planned_contacts, hand, opening, scan_sd_mm, soft_tissue_sd_mm)  # fmt: skip
    site = replace(site, own=_own(site) if clearances is None else tuple(clearances))
    verdicts = _fixture_verdicts(site)
    choice = _choose(site, candidates(protocol, density, jaw))
    built = choice.built
    tighter = tighter_branch(site, built)
    looser = looser_branch(site, alternatives, check_fixture)
    goal = torque_goal(fixture, protocol, built.rule)
    wall = wall_from_findings(bone, fixture) if bone is not None else None
    if wall is None:
        wall = wall_from_class(built.rule.bone, cortex, site.apex_bone_mm)
    return Preparation(
        fixture=fixture.name,
        design=str(fixture.design),
        kit=kit.name,
        protocol=protocol.name,
        bone=built.rule.bone,
        reference=site.surface.name,
        soft_tissue_mm=soft_tissue_mm,
        steps=tuple(with_risks(site, step) for step in built.steps),
        pauses=pauses_of(site, built),
        tighter=tighter,
        looser=looser,
        torque=goal,
        reasons=_reasons(choice),
        notes=(
            *_contact_notes(site),
            *built.notes,
            *_gum_note(site),
            *_own_class(site, bone, density, built.rule.bone),
        ),
        problems=(*verdicts, *built.problems),
        fixture_verdicts=verdicts,
        cautions=(*cautions.DRILLING, *cautions.LED.get(hand.name if hand else "", ())),
        calibrated=density is not None and density.calibrated,
        forecast=_forecast(site, built, (tighter, looser), wall, goal),
    )


def _forecast(
    site: Site, built: Built, branches: tuple[Branch, Branch], wall: WallBone, goal: TorqueGoal
) -> TorqueReport | None:
    """None without a hole: there is nothing to seat the fixture in."""
    if not built.steps or site.apex_bone_mm <= 0:
        return None
    own = site.protocol.file.torque_correction
    tighter, looser = branches
    return torque_report(
        site.fixture, site.apex_bone_mm, built.steps, tighter.steps, wall, goal, own, looser=bool(looser.fixtures)
    )


def torque_goal(fixture: Fixture, protocol: Protocol, rule: Rule) -> TorqueGoal:
    """Torques of the rule, bounded by those of the fixture's maker, who comes first."""
    low, high = rule.target_Ncm
    ceiling = min(rule.ceiling_Ncm, fixture.torque_ceiling_ncm or rule.ceiling_Ncm)
    text = f"protocol: target {low:g} to {high:g}, ceiling {rule.ceiling_Ncm:g} N·cm"
    if fixture.torque_target_ncm is not None:
        low, high = fixture.torque_target_ncm, max(high, fixture.torque_target_ncm)
        text += f"; the fixture's own target {fixture.torque_target_ncm:g}"
    if fixture.torque_ceiling_ncm is not None:
        text += f"; the fixture's own ceiling {fixture.torque_ceiling_ncm:g}"
    if rule.loading_Ncm > ceiling:
        text += (
            f"; early loading asks for {rule.loading_Ncm:g}, which no torque within this ceiling reaches: plan for "
            "healing without load"
        )
    why = Reason(text, protocol.where(rule, "ceiling_Ncm"), rule.torque_source)
    return TorqueGoal((min(low, ceiling), min(high, ceiling)), rule.loading_Ncm, ceiling, why)


def _site(
    fixture: Fixture,
    pose: Pose,
    frame: SiteFrame,
    approach: str,
    soft_tissue_mm: float | None,
    cortex: Measure,
    structures: Sequence[Structure],
    margins: Margins,
    kit: Kit,
    protocol: Protocol,
    planned_contacts: Sequence[str],
    hand: Hand | None,
    opening: Opening | None,
    scan_sd_mm: float,
    soft_tissue_sd_mm: float,
) -> Site:
    platform_mm = float((pose.platform_lps_mm - frame.origin_lps_mm) @ pose.axis)
    entry = pose.point(-platform_mm)
    at_lower_limit = protocol.file.limits.margin_compared_at == "lower limit"
    around = Surroundings(
        entry,
        pose.axis,
        structures,
        margins,
        frozenset(planned_contacts),
        at_lower_limit,
        hand,
        opening,
        scan_sd_mm,
        soft_tissue_sd_mm if approach == "flapless" else 0.0,
        protocol.file.limits.drill_past_contact_mm,
    )
    return Site(fixture, platform_mm, _surface(approach, soft_tissue_mm), cortex, around, kit, protocol)


def _own(site: Site) -> tuple[Clearance, ...]:
    body = site.fixture.body
    return site.around.fixture_clearances(Solid(body.z_mm + site.platform_bone_mm, body.r_mm.copy()))


def _fixture_verdicts(site: Site) -> tuple[Reason, ...]:
    """What speaks against the fixture itself, before any drill: margins that it breaks, then what cannot be told."""
    doubtful = Verdict.CANNOT_BE_TOLD
    said = []
    for found in sorted(site.not_clear, key=lambda c: c.verdict is doubtful):
        if found.verdict is doubtful:
            lead = "it cannot be told whether the fixture itself keeps its margin"
        else:
            lead = "the fixture itself does not keep its margin: change the plan before any drill"
        said.append(Reason(f"{lead}: {against(found)}", f"clearance of the fixture to {found.structure}"))
    return tuple(said)


def _contact_notes(site: Site) -> tuple[Reason, ...]:
    """Chance that the hand takes the fixture past what it engages on purpose, and further than allowed."""
    body = site.fixture.body
    said = []
    for found in site.around.fixture_contact_risks(Solid(body.z_mm + site.platform_bone_mm, body.r_mm.copy())):
        passes, deeper = (
            f"{100 * c.value:.1f} % ({limits_words(100 * c.low, 100 * c.high, 1)})" for c in (found.touch, found.breach)
        )
        text = (
            f"planned contact with {found.structure}: the fixture passes it with a chance of {passes} and goes more "
            f"than {found.margin_mm:g} mm behind it with one of {deeper}, if the hand deviates as published"
        )
        said.append(Reason(text, "measure risk", found.hand.source))
    return tuple(said)


def _gum_note(site: Site) -> tuple[Reason, ...]:
    sd = site.around.depth_sd_mm
    if sd <= 0:
        return ()
    text = f"depth is read at the gum, whose thickness is taken to be known to {sd:g} mm (SD); distances hold that too"
    return (Reason(text, "plan: soft_tissue_mm", "common practice, no source"),)


def _own_class(site: Site, bone: BoneFindings | None, density: DensityClass | None, card: str) -> tuple[Reason, ...]:
    """Where the bone in which the fixture's own body stands is of another class than the card: that it is.

    The card's class is that of a standard cylinder, which may hold more of a crest or of a floor than the fixture.
    """
    if bone is None or density is None:
        return ()
    body = site.fixture.body
    mean = mean_grey_in(bone, body.z_mm + site.platform_bone_mm, body.r_mm, calibration=bone.calibration)
    table = density_tables().get(density.table)
    if mean.value is None or table is None:
        return ()
    found = classify(mean, table, bone.calibration is not None)
    own = site.protocol.class_of(found.label or "")
    if own is None or own == card:
        return ()
    text = (
        f"the bone that the fixture's own body takes up is of class {own} by its mean ({mean.value:.0f} {mean.unit}), "
        f"the card is made for {card}: let the feel of the first drill decide"
    )
    return (Reason(text, "measure grey_at_fixture", found.source),)


def _surface(approach: str, soft_tissue_mm: float | None) -> Surface:
    if approach == "flap":
        return Surface("bone crest", 0.0)
    if approach != "flapless":
        raise GeometryError(f"approach: it must be flap or flapless, not {approach!r}.")
    if soft_tissue_mm is None or not np.isfinite(soft_tissue_mm) or soft_tissue_mm < 0:
        raise GeometryError("soft_tissue_mm: a flapless card counts depth from the gum, so its thickness is needed.")
    return Surface("gum surface", soft_tissue_mm)


def _choose(site: Site, found: tuple[Candidate, ...]) -> _Choice:
    """The candidate whose card removes least bone; of equals the softer. A card without steps only if all are."""
    cards = [(build(site, site.protocol.rule(str(site.fixture.design), c.bone)), c) for c in found]
    usable = [pair for pair in cards if pair[0].steps] or cards
    built, candidate = min(reversed(usable), key=lambda pair: pair[0].removed_mm3)
    return _Choice(built, candidate, tuple(c for c in found if c is not candidate))


def _reasons(choice: _Choice) -> tuple[Reason, ...]:
    if not choice.others:
        return (choice.candidate.why,)
    others = " or ".join(candidate.bone for candidate in choice.others)
    text = f"{choice.candidate.why.text}; it could be {others} as well, so the card starts with what removes less bone"
    return (replace(choice.candidate.why, text=text), *(candidate.why for candidate in choice.others))
