"""Verdicts as a word and a shape, and the one that speaks for a whole site."""

from collections.abc import Iterable
from typing import Any

from siteplan.placement import Clearance, Verdict
from siteplan.report import palette
from siteplan.report.palette import Mark

MARK_OF: dict[Verdict, Mark] = {
    Verdict.KEEPS: palette.KEPT,
    Verdict.PLANNED_CONTACT: palette.PLANNED,
    Verdict.CANNOT_BE_TOLD: palette.CLOSE,
    Verdict.BREAKS: palette.BROKEN,
    Verdict.TOUCHES: palette.BROKEN,
    Verdict.TOO_DEEP: palette.BROKEN,
}
"""How each verdict looks. Every verdict is in here; a test holds the two together."""

_GRAVITY = (palette.KEPT, palette.PLANNED, palette.CLOSE, palette.BROKEN)

NOTHING_CHECKED = "nothing to check"
BONE_ONLY = "bone only"
"""The word for a site without a fixture: its bone is assessed, and no distance can be."""


def shown(verdict: Verdict) -> dict[str, str]:
    """Word and shape of a verdict."""
    return {"word": verdict.value, "shape": MARK_OF[verdict].shape}


def room_left_mm(clearance: Clearance) -> float | None:
    """How much a distance exceeds what it must keep (mm, below zero: falls short); None where there is no distance."""
    return clearance.spare_mm()


def gravest(clearances: Iterable[Clearance]) -> Clearance | None:
    """The clearance that a site is judged by: gravest verdict first, then the least room left.

    A planned contact comes before every kept margin: it is the nearest thing, and it has to be named.
    """
    everything = list(clearances)
    if not everything:
        return None
    return max(everything, key=lambda c: (_GRAVITY.index(MARK_OF[c.verdict]), -_room(c)))


def _room(clearance: Clearance) -> float:
    room = room_left_mm(clearance)
    return -1e6 if room is None else room


def of_site(clearances: Iterable[Clearance], has_fixture: bool) -> dict[str, Any]:
    """The verdict of a whole site, with the clearance that it rests on."""
    worst = gravest(clearances)
    if worst is None:
        word = NOTHING_CHECKED if has_fixture else BONE_ONLY
        why = "no structure, bone side or other fixture to check against" if has_fixture else "no fixture is planned"
        return {"word": word, "shape": palette.UNKNOWN.shape, "about": why}
    return {**shown(worst.verdict), "about": worst.structure}
