"""The words and numbers of one site's drilling card."""

from dataclasses import replace
from typing import Any

from siteplan.findings import Findings, SiteFindings
from siteplan.placement.hand import Risk
from siteplan.report.naming import Naming
from siteplan.report.remarks import roof_words
from siteplan.report.site_content import approach_words, clearance_row, fixture_words, is_far, whose_words
from siteplan.report.words import Notes, chance_words, figure, percent, sentence, span, torque_words, with_unit
from siteplan.surgery.card import Branch, Preparation, Step
from siteplan.surgery.cautions import LED
from siteplan.surgery.forecast import TorqueReport
from siteplan.surgery.reasons import Reason

_MOST_REASONS = 5
"""Reasons printed under "if it turns out otherwise"; the rest is in `findings.json` (own choice, to keep one page)."""
_MOST_CHOICES = 2
"""Other choices of steps whose forecast is printed; the rest is in `findings.json` (own choice, to keep one page)."""
_SAME_MM = 0.005
"""Two depths that print alike are printed once."""


def card_content(findings: Findings, site: SiteFindings, naming: Naming) -> dict[str, Any] | None:
    """Everything that the drilling card of a site says; None without a fixture."""
    if site.placed is None:
        return None
    preparation = site.placed.preparation
    # What a guide or navigation changes about every depth stands above the steps, not among the cautions beneath.
    led = LED.get(site.guidance.hand.name, ())
    notes = Notes()
    return {
        "fixture": fixture_words(site.placed),
        "approach": approach_words(site),
        "kit": preparation.kit,
        "protocol": preparation.protocol,
        "bone": preparation.bone,
        "reference": preparation.reference,
        "problems": _sentences(preparation.problems, naming, notes),
        "steps": [
            _step(number, step, findings, site, naming, notes) for number, step in enumerate(preparation.steps, start=1)
        ],
        "access": _access(preparation, naming),
        "pauses": [
            f"After step {pause.after_step}: "
            f"{sentence(naming.clean(pause.what))} {sentence(naming.clean(pause.why.text))}"
            for pause in preparation.pauses
        ],
        "branches": [_branch(branch, naming, notes) for branch in preparation.branches],
        "torque": _torque(preparation, notes),
        "reasons": _sentences(preparation.reasons, naming, notes),
        "remarks": _sentences(preparation.notes, naming, notes),
        "led": [sentence(caution) for caution in led],
        "cautions": [sentence(caution) for caution in preparation.cautions if caution not in led],
        "calibrated": site.density.calibrated,
        "notes": notes.listed(),
    }


def _step(
    number: int, step: Step, findings: Findings, site: SiteFindings, naming: Naming, notes: Notes
) -> dict[str, Any]:
    low, high = step.drill.speed_per_min
    speed = figure(low, 0) if low == high else f"{figure(low, 0)} to {figure(high, 0)}"
    roofs = roof_words(site.bone, step.tip_below_bone_mm, step.clearances)
    return {
        "number": number,
        "drill": step.drill.name,
        "diameter": f"Ø {with_unit(step.drill.diameter_mm, 'mm')}",
        "purpose": step.drill.purpose.value,
        "reach": step.reach.value,
        "speed": f"{speed} turns per minute, {step.drill.irrigation}",
        "reference": step.reference,
        "set_by": step.set_by,
        "shows": sentence(step.shows),
        "tip": f"{with_unit(step.tip_depth_mm, 'mm', 2)} from the {step.reference}",
        "tip_bone": ""
        if abs(step.tip_below_bone_mm - step.tip_depth_mm) < _SAME_MM
        else f"{with_unit(step.tip_below_bone_mm, 'mm', 2)} below the bone entry",
        "short": ""
        if step.short_of_goal_mm < 0.05
        else f"{with_unit(step.short_of_goal_mm, 'mm', 1)} short of the goal",
        "left": [clearance_row(c, naming, findings.structures, notes, roofs) for c in step.clearances if not is_far(c)],
        "far": ", ".join(naming.name(c.structure) for c in step.clearances if is_far(c)),
        "hand": _hand(step.risks, naming, notes),
        "why": _traced(step.why, naming, notes),
    }


def _access(preparation: Preparation, naming: Naming) -> list[dict[str, str]]:
    """What the handpiece needs, once for all drills with the same answer: their names, and the answer."""
    drills: dict[str, list[str]] = {}
    for step in preparation.steps:
        if step.handpiece is not None:
            drills.setdefault(naming.clean(step.handpiece.said), []).append(step.drill.name)
    return [{"drills": ", ".join(dict.fromkeys(names)), "text": said} for said, names in drills.items()]


def _sentences(reasons: tuple[Reason, ...], naming: Naming, notes: Notes) -> list[dict[str, Any]]:
    """Each reason as a sentence, with the number of the footnote that says what it rests on."""
    return [{"text": sentence(naming.clean(r.text)), "note": notes.number(_rests_on(r, naming))} for r in reasons]


def _traced(reasons: tuple[Reason, ...], naming: Naming, notes: Notes) -> list[dict[str, Any]]:
    """Like `_sentences`, but reasons with the same source share one footnote that names all their places."""
    places: dict[str, list[str]] = {}
    for reason in reasons:
        places.setdefault(reason.source, []).append(naming.clean(reason.where))
    shared = {source: "; ".join(dict.fromkeys(filter(None, found))) for source, found in places.items() if source}
    return _sentences(
        tuple(replace(r, where=shared[r.source]) if r.source in shared else r for r in reasons), naming, notes
    )


def _rests_on(reason: Reason, naming: Naming) -> str:
    parts = [part for part in (naming.clean(reason.where), reason.source) if part]
    return sentence("; ".join(parts) or "no source is given")


def _branch(branch: Branch, naming: Naming, notes: Notes) -> dict[str, Any]:
    drills = [_further(step, naming) for step in branch.steps]
    return {
        "when": sentence(branch.when),
        "drills": drills,
        "fixtures": list(branch.fixtures),
        "reasons": _sentences(branch.reasons[:_MOST_REASONS], naming, notes),
        "more": max(len(branch.reasons) - _MOST_REASONS, 0),
    }


def _further(step: Step, naming: Naming) -> str:
    """One further drill of a branch in a line: what shows, how deep the tip is then, and margins not clearly kept."""
    said = (
        f"{step.drill.name} (Ø {with_unit(step.drill.diameter_mm, 'mm')}): {step.shows}, "
        f"tip {with_unit(step.tip_depth_mm, 'mm', 2)} from it"
    )
    doubts = [f"{naming.name(c.structure)}: {c.verdict}" for c in step.clearances if not c.verdict.good]
    return "; ".join([said, *doubts])


def _torque(preparation: Preparation, notes: Notes) -> dict[str, Any]:
    goal = preparation.torque
    low, high = goal.target_Ncm
    return {
        "target": torque_words(low, high),
        "loading": torque_words(goal.loading_Ncm),
        "ceiling": torque_words(goal.ceiling_Ncm),
        "why": sentence(goal.why.text),
        "note": notes.number(sentence("; ".join(part for part in (goal.why.where, goal.why.source) if part))),
        "forecast": _forecast(preparation.forecast, notes),
    }


def _forecast(report: TorqueReport | None, notes: Notes) -> list[dict[str, Any]]:
    """The forecast as sentences: as on the card, with other choices of steps, and what must be said before surgery."""
    if report is None:
        return []
    rests_on = notes.number(" ".join(sentence(said) for said in (f"model on {report.basis}", *report.cannot_know)))
    lines = [{"text": sentence(text), "note": rests_on} for text in report.warnings]
    for one in (report.planned, *report.others[:_MOST_CHOICES]):
        final = one.final
        if final.value is None or final.low is None or final.high is None:
            continue
        text = (
            f"Forecast {one.name}: {figure(final.value, 0)} N·cm at full seating "
            f"({span(final.low, final.high, 0)}); chance of too little to load "
            f"{percent(one.below_loading)}, of passing the ceiling on the way {percent(one.above_ceiling)}"
        )
        lines.append({"text": sentence(text), "note": rests_on})
    return lines


def _hand(risks: tuple[Risk, ...], naming: Naming, notes: Notes) -> list[dict[str, Any]]:
    """Chance that the hand, deviating as published, touches a structure or breaks its margin; where there is one."""
    lines = []
    for risk in risks:
        if risk.breach.high < _SMALLEST_CHANCE:
            continue
        touch, breach = (chance_words(c.value, c.low, c.high) for c in (risk.touch, risk.breach))
        whose = f"{risk.hand.phrase}, {naming.name(risk.structure)}"
        text = f"{whose}: touched in {touch}, margin broken in {breach}"
        lines.append({"text": sentence(text), "note": notes.number(whose_words(risk))})
    return lines


_SMALLEST_CHANCE = 0.005
"""A chance that is surely below one in two hundred is left to `findings.json` (our own choice)."""
