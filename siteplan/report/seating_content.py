"""The words and numbers of one site's seating record: as it was kept, or a page to fill in where there is none."""

import re
from datetime import datetime
from typing import Any

from siteplan.case.tooth import universal_of
from siteplan.findings import PlacedFixture, SiteFindings
from siteplan.report.identity import Identity
from siteplan.report.site_content import fixture_words
from siteplan.report.words import figure, sentence, torque_words, with_unit
from siteplan.surgery.cautions import LOADING, SEATING
from siteplan.surgery.seating import Phase
from siteplan.surgery.told import SeatingStory, Told

LEFT_OUT = "typed text left out"
"""Stands where a person typed something that identity does not let through."""

_ENDING = (
    "Depth of the platform against the plan, mm",
    "Final torque, N·cm",
    "Held firm when turned back by hand (yes or no)",
    "Radiograph taken and looked at",
    "When it may be loaded, and why",
    "Fixture label: batch and expiry",
    "Different from the plan, and why",
    "Date, name, signature",
)
"""What is written down at the end of seating (common practice, no source)."""

_STOP = (
    "Do not follow as it stands: the drilling card of this site says why. Change the plan before anything is drilled."
)
"""This page may lie at the chair without the card."""

_STILL_BY_HAND = (
    "Held firm when turned back by hand",
    "Radiograph taken and looked at",
    "When it may be loaded, and why",
    "Date, name, signature",
)
"""What the guide at the chair does not ask for and is still written by hand (common practice, no source)."""

_CLASS = re.compile(r"D[1-5]")
_SAME_MM = 0.05
"""Two depths that differ by less print alike."""


def seating_content(site: SiteFindings, identity: Identity) -> dict[str, Any] | None:
    """The seating page of a site; None where there is neither a record nor a fixture to seat.

    Without the right to show typed text, times become minutes from the start, and lot, notes and unknown words of
    drills and feel are left out: a program cannot tell whether they hold a name.
    """
    story, placed = site.seating, site.placed
    tooth = {"tooth": site.entry.tooth, "other_notation": universal_of(site.entry.tooth)}
    if story is not None:
        return tooth | _kept(story, placed, identity)
    return None if placed is None else tooth | _blank(placed)


def _blank(placed: PlacedFixture) -> dict[str, Any]:
    """Empty fields beside what was planned."""
    length = placed.fixture.length_mm
    goal = placed.preparation.torque
    quarters = [round(share * length, 1) for share in (0.25, 0.5, 0.75)]
    low, high = goal.target_Ncm
    return {
        "blank": True,
        "fixture": fixture_words(placed),
        "aim": f"Aim for {torque_words(low, high)}, early loading from {torque_words(goal.loading_Ncm)}, "
        f"never above {torque_words(goal.ceiling_Ncm)}",
        "stop": _STOP if placed.preparation.problems else "",
        "steps": [
            {"number": number, "what": f"{step.drill.name}: {step.shows}"}
            for number, step in enumerate(placed.preparation.steps, start=1)
        ],
        "turning": [f"thread {with_unit(depth, 'mm')} of {with_unit(length, 'mm')} in" for depth in quarters]
        + ["fully seated"],
        "ending": list(_ENDING),
        "cautions": [*SEATING, *LOADING],
    }


def _kept(story: SeatingStory, placed: PlacedFixture | None, identity: Identity) -> dict[str, Any]:
    low, high = story.plan.target_Ncm
    return {
        "blank": False,
        "fixture": story.plan.fixture,
        "aim": f"Aim for {torque_words(low, high)}, early loading from {torque_words(story.plan.loading_Ncm)}, "
        f"never above {torque_words(story.plan.ceiling_Ncm)}",
        "status": _status(story),
        "warnings": [*_warnings(story, placed), *_against(story, identity)],
        "rows": _rows(story, identity),
        "entries": [_entry(entry, story, identity) for entry in story.entries],
        "left_out": not identity.keeps_free_text and any(entry.text for entry in story.entries),
        "by_hand": list(_STILL_BY_HAND),
        "cautions": list(LOADING),
    }


def _status(story: SeatingStory) -> dict[str, str]:
    """Where the record ends, as a word and a shape."""
    phase = story.state.phase
    if phase is Phase.SEATED and story.state.loose:
        return {"word": "seated, not to be loaded", "shape": "triangle"}
    if phase is Phase.SEATED:
        return {"word": "seated", "shape": "disc"}
    if phase is Phase.ENDED:
        return {"word": "ended without a fixture", "shape": "cross"}
    return {"word": "record interrupted", "shape": "cross"}


def _warnings(story: SeatingStory, placed: PlacedFixture | None) -> list[str]:
    """What a reader must know before believing the record."""
    out = []
    if not story.complete:
        out.append(
            f"The record stops while the guide waited for '{story.state.phase.value}': what came after it is not "
            "recorded here"
        )
    if story.unreadable_lines:
        lines = ", ".join(map(str, story.unreadable_lines))
        out.append(f"Line {lines} of the record's file cannot be read and is left out: an entry may be missing")
    if story.earlier:
        out.append(f"Older records of this tooth are kept in the same file ({story.earlier}); this is the latest")
    if story.plan.fixture != story.first.fixture:
        out.append(f"Another fixture was placed: {story.plan.fixture} instead of {story.first.fixture}")
    if placed is None:
        out.append("The case does not plan a fixture here any more; forecast and plan are those of the record")
    elif placed.fixture.name != story.first.fixture:
        out.append(f"The case now plans {placed.fixture.name}; the record was begun for {story.first.fixture}")
    elif abs(placed.apex_depth_mm - story.first.apex_mm) > _SAME_MM:
        out.append(
            f"The plan was changed after the record began: apex at {with_unit(placed.apex_depth_mm, 'mm')} now, "
            f"{with_unit(story.first.apex_mm, 'mm')} then"
        )
    if story.state.loose:
        out.append(
            f"The final torque is below the loading torque of {torque_words(story.plan.loading_Ncm)}: do not load early"
        )
    top = max((torque for run in story.runs for _, torque in run.points), default=0.0)
    if top > story.plan.ceiling_Ncm:
        ceiling = torque_words(story.plan.ceiling_Ncm)
        out.append(f"A torque of {torque_words(top)} was entered, above the ceiling of {ceiling}")
    return [sentence(text) for text in out]


def _against(story: SeatingStory, identity: Identity) -> list[str]:
    """What spoke against the fixture when it was begun; the names of structures in it are typed text."""
    against = story.plan.warnings
    if not against or identity.keeps_free_text:
        return [sentence(f"Known before it was placed: {text}") for text in against]
    return [f"Known before it was placed: {len(against)} warnings, which the original report shows."]


def _rows(story: SeatingStory, identity: Identity) -> list[dict[str, str]]:
    state, plan = story.state, story.plan
    forecast = plan.forecast
    known = {"low", "value", "high"} <= set(forecast)
    depth = f"{with_unit(state.depth_mm, 'mm')} of {with_unit(plan.apex_mm, 'mm')} planned"
    pairs = [
        ("Fixture placed", plan.fixture if story.state.phase is not Phase.ENDED else "none"),
        ("Lot number", _free(story.lots, identity) or "not entered"),
        ("Begun", _begun(story, identity)),
        ("Apex below the bone entry", depth),
        ("Final torque", torque_words(state.final_Ncm) if state.final_Ncm is not None else "not read"),
        ("Forecast at full depth", f"{figure(forecast['value'], 0)}\u00a0N·cm ({figure(forecast['low'], 0)} to "
         f"{figure(forecast['high'], 0)})" if known else "none"),
        ("Drills planned", ", ".join(story.first.planned_drills) or "none"),
        ("Drills used", _drills(story.drills, story, identity) or "not entered"),
        ("Used after a first try", _drills(story.opened, story, identity) or "none"),
        ("Backed out", f"{story.cycles} {'time' if story.cycles == 1 else 'times'}"),
        ("Bone on the card, as felt", f"{plan.bone or 'not known'}, {_felt(story, identity) or 'not entered'}"),
    ]  # fmt: skip
    return [{"label": label, "value": value} for label, value in pairs]


def _entry(entry: Told, story: SeatingStory, identity: Identity) -> dict[str, Any]:
    """One row of the list: when, what, numbers, words; struck out where it does not count, with what changed it."""
    change = ""
    if entry.of is not None:
        verb = "does not count" if entry.what == "undo" else "should have been this"
        change = f"entry {entry.of} {verb}"
    elif entry.by:
        change = f"{'corrected' if entry.counts else 'undone'} by entry {', '.join(map(str, entry.by))}"
    text = entry.text
    if text and not identity.keeps_free_text:
        text = _shown(text, story) or LEFT_OUT
    return {
        "number": entry.number,
        "time": _time(entry.time, story, identity),
        "what": entry.what,
        "numbers": entry.numbers,
        "text": text,
        "change": change,
        "counts": entry.counts,
    }


def _time(time: str, story: SeatingStory, identity: Identity) -> str:
    """Clock time on the day of the start; with the date on any other day; minutes where the day must not be told."""
    if not identity.keeps_free_text:
        minutes = story.minutes(time)
        return "" if minutes is None else f"{figure(minutes, 1)} min"
    try:
        when, began = datetime.fromisoformat(time), datetime.fromisoformat(story.started)
    except ValueError:
        return time
    return when.strftime("%H:%M:%S" if when.date() == began.date() else "%Y-%m-%d %H:%M:%S")


def _begun(story: SeatingStory, identity: Identity) -> str:
    minutes = story.minutes(story.last)
    length = "" if minutes is None else f"{figure(minutes, 0)} min to the last entry"
    if not identity.keeps_free_text:
        return length or "not told"
    try:
        began = datetime.fromisoformat(story.started).strftime("%Y-%m-%d %H:%M %z").strip()
    except ValueError:
        began = story.started
    return f"{began}; {length}" if length else began


def _free(texts: tuple[str, ...], identity: Identity) -> str:
    if not identity.keeps_free_text and texts:
        return LEFT_OUT
    return "; ".join(texts)


def _felt(story: SeatingStory, identity: Identity) -> str:
    if identity.keeps_free_text:
        return ", ".join(story.felt)
    return ", ".join(text if _CLASS.fullmatch(text) else LEFT_OUT for text in story.felt)


def _drills(texts: tuple[str, ...], story: SeatingStory, identity: Identity) -> str:
    if identity.keeps_free_text:
        return ", ".join(texts)
    return ", ".join(_shown(text, story) or LEFT_OUT for text in texts)


def _shown(text: str, story: SeatingStory) -> str:
    """A typed word that is a drill of the card or a class of bone; "" for everything else."""
    return text if text in known_words(story) or _CLASS.fullmatch(text) else ""


def known_words(story: SeatingStory) -> frozenset[str]:
    """Names that the record's own plans hold: typed again, they tell nothing new."""
    plans = (story.first, story.plan)
    return frozenset(name for plan in plans for name in (*plan.planned_drills, *(step.drill for step in plan.tighter)))


def shared_seating(story: SeatingStory) -> dict[str, Any]:
    """The member `seating` of `findings.json` without times of day and typed text."""
    out = story.as_json()
    minutes = story.minutes(story.last)
    out["started"], out["last_entry"] = "", ""
    out["minutes"] = None if minutes is None else round(minutes, 1)
    for key in ("lot", "notes"):
        out[key] = [LEFT_OUT] * len(out[key])
    for key in ("felt", "drills_used", "drills_after_first_try"):
        out[key] = [_shown(text, story) or LEFT_OUT for text in out[key]]
    return out
