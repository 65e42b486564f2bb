"""`siteplan card CASE`: the drilling card of each site on the terminal; with --explain, where every number is from."""

import argparse
from typing import TYPE_CHECKING, Any

from siteplan.commands._shared import print_json, progress_to, silent, tell_doubts
from siteplan.measures import distance_words, limits_words, rounded_up

if TYPE_CHECKING:
    from siteplan.bone import BoneFindings
    from siteplan.case.guidance import Guidance
    from siteplan.placement import Clearance
    from siteplan.placement.hand import Chance, Risk
    from siteplan.surgery import Branch, Preparation, Step
    from siteplan.surgery.reasons import Reason

INDENT = "     "


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("card", help="print the drilling card of a site, and where its numbers are from")
    parser.add_argument("case", metavar="CASE", help="the case file (JSON)")
    parser.add_argument("--tooth", type=int, metavar="NN", help="ISO 3950 number of one site; without it all")
    parser.add_argument("--explain", action="store_true", help="with the measure or file line behind every number")
    parser.add_argument("--json", action="store_true", help="print JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Assess the site and print its card."""
    from siteplan.assessment import assess_site, load_library
    from siteplan.case import check_against_scan, load_case
    from siteplan.errors import CaseError
    from siteplan.scan import read_scan

    case = load_case(args.case)
    entries = [site for site in case.case.sites if args.tooth in (None, site.tooth)]
    if not entries:
        teeth = ", ".join(str(site.tooth) for site in case.case.sites)
        raise CaseError(f"sites: tooth {args.tooth} is not planned here; planned are {teeth}.")
    progress = silent if args.json else progress_to()
    scan = read_scan(case.series_path, series=case.case.series_uid, progress=progress)
    check_against_scan(case.case, scan)
    library = load_library(scan, case)
    cards = []
    for entry in entries:
        found = assess_site(scan, entry, library, table=case.case.density_table)
        placed = found.placed
        cards.append((found, placed.preparation if placed else None))
    tell_doubts(scan)
    if args.json:
        print_json(
            [
                {
                    "tooth": found.entry.tooth,
                    "guidance": found.guidance.as_json(),
                    "preparation": card.as_json() if card else None,
                }
                for found, card in cards
            ]
        )
        return 0
    for found, card in cards:
        tooth = found.entry.tooth
        none = [f"Tooth {tooth}: no fixture is planned."]
        lines = card_lines(tooth, card, found.bone, found.guidance, explain=args.explain) if card else none
        print("\n".join(lines) + "\n")
    return 0


def card_lines(
    tooth: int, card: "Preparation", bone: "BoneFindings", guidance: "Guidance", *, explain: bool
) -> list[str]:
    """The card as lines of text.

    Args:
        bone: of the site; a canal roof that was measured nearer than the drawn lumen is said beside it.
        guidance: how the drill is led, on which every chance rests.
    """
    from siteplan.surgery.told import from_to

    goal = card.torque
    low, high = goal.target_Ncm
    lines = [
        f"Tooth {tooth}: {card.fixture}, prepared for {card.bone} bone. Depth is read at the {card.reference}.",
        *(f"! {problem.text}" + _where(problem, explain) for problem in card.problems),
        f"Drilled {guidance.phrase}." + (f" [{guidance.hand.source}]" if explain else ""),
    ]
    pauses = {pause.after_step: pause for pause in card.pauses}
    for number, step in enumerate(card.steps, start=1):
        lines += _step(f"{number}.", step, bone, explain)
        if number in pauses:
            lines.append(f"   PAUSE  {pauses[number].what}")
    lines.append(
        f"Turning in: aim for {from_to(low, high)} N·cm, early loading from {goal.loading_Ncm:g} N·cm, never above "
        f"{goal.ceiling_Ncm:g} N·cm." + _where(goal.why, explain)
    )
    if goal.loading_Ncm < low:
        lines.append(
            f"{INDENT}The aim of {low:g} is what is tried for; from {goal.loading_Ncm:g} on, torque alone does not "
            "rule out early loading. Between the two it stays a decision."
        )
    lines += _forecast(card)
    for branch in card.branches:
        lines += _branch(branch, bone, explain)
    lines += [f"Note: {note.text}" + _where(note, explain) for note in (*card.reasons, *card.notes)]
    return lines + [f"- {caution}" for caution in (*card.cautions, guidance.caution)]


def _by_program(found: "Clearance") -> str:
    """That no person has confirmed the structure, as it stands beside each of its distances."""
    from siteplan.flags import Flag

    return " (not confirmed)" if Flag.NOT_CONFIRMED in found.distance.flags else ""


def _demand(found: "Clearance") -> str:
    """What is asked of a drill at one structure."""
    if found.contact:
        return f"may be passed by {found.margin.value_mm:g} mm"
    return f"margin {found.margin.value_mm:g} mm" if found.margin.value_mm > 0 else "not to be passed by a drill"


def _risk(risk: "Risk") -> str:
    """What a hand that deviates as published may do at one structure."""
    touch = "of passing" if risk.contact or risk.margin_mm == 0 else "of touching"
    words = f"chance {touch} {risk.structure}: {_chance(risk.touch)}"
    if risk.contact:
        words += f", of going more than {risk.margin_mm:g} mm behind it: {_chance(risk.breach)}"
    elif risk.margin_mm > 0:
        words += f", of coming nearer than {risk.margin_mm:g} mm: {_chance(risk.breach)}"
    return f"{words}; {risk.hand.phrase}"


def _chance(chance: "Chance") -> str:
    """A chance with its interval; none among the draws is no zero."""
    if chance.value == 0:
        return f"under {rounded_up(100 * chance.high, 1):.1f} %"
    return f"{100 * chance.value:.1f} % ({limits_words(100 * chance.low, 100 * chance.high, 1)})"


def _step(number: str, step: "Step", bone: "BoneFindings", explain: bool) -> list[str]:
    from siteplan.report.remarks import roof_words

    slow, fast = step.drill.speed_per_min
    lines = [
        f"{number:<3}{step.drill.name}, {step.reach.value}: until {step.shows}; the tip is then "
        f"{step.tip_depth_mm:.2f} mm from the {step.reference}, {step.tip_below_bone_mm:.2f} mm below the bone entry.",
        f"{INDENT}{slow:g} to {fast:g} turns per minute, {step.drill.irrigation}",
    ]
    roofs = roof_words(bone, step.tip_below_bone_mm, step.clearances)
    for found in step.clearances:
        lines.append(
            f"{INDENT}to {found.structure}{_by_program(found)}: {distance_words(found.distance)}, {_demand(found)}, "
            f"{found.verdict}"
        )
        if found.structure in roofs:
            lines.append(f"{INDENT}  {roofs[found.structure]}")
    lines += [f"{INDENT}{_risk(risk)}" for risk in step.risks]
    if step.held_back:
        lines.append(f"{INDENT}not deeper: {step.held_back}")
    if step.handpiece is not None:
        lines.append(f"{INDENT}{step.handpiece.why}")
    if explain:
        lines += [f"{INDENT}why: {reason.text}{_where(reason, True)}" for reason in step.why]
    return lines


def _forecast(card: "Preparation") -> list[str]:
    report = card.forecast
    if report is None:
        return []
    final = report.planned.final
    lines = [
        f"Torque forecast: {final.value:.0f} N·cm at full depth "
        f"(95 % interval {limits_words(final.low, final.high, 0)}), "
        f"of which cortex {report.planned.cortex[-1]:.0f} and cancellous bone {report.planned.cancellous[-1]:.0f}; "
        f"from {report.basis}.",
        *_past_ceiling(card),
        *(f"{INDENT}{other.name}: {other.final.value:.0f} N·cm" for other in report.others),
        *(f"! {warning}" for warning in report.warnings),
    ]
    return lines + [f"- {limit}" for limit in report.cannot_know]


def _past_ceiling(card: "Preparation") -> list[str]:
    high, ceiling = card.forecast.planned.final.high if card.forecast else None, card.torque.ceiling_Ncm
    if high is None or high <= ceiling:
        return []
    return [
        f"! The interval reaches past the ceiling of {ceiling:g} N·cm: no torque above the ceiling is ever applied; "
        "at the ceiling back out and widen by the card."
    ]


def _branch(branch: "Branch", bone: "BoneFindings", explain: bool) -> list[str]:
    lines = [f"If {branch.when}:"]
    for step in branch.steps:
        lines += _step("  ", step, bone, explain)
    if branch.fixtures:
        lines.append(f"{INDENT}{', '.join(branch.fixtures)}")
    return lines + [f"{INDENT}{reason.text}{_where(reason, explain)}" for reason in branch.reasons]


def _where(reason: "Reason", explain: bool) -> str:
    if not explain:
        return ""
    return f" [{'; '.join(part for part in (reason.where, reason.source) if part)}]"
