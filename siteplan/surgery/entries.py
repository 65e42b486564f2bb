"""What can be entered while seating a fixture, and which entries count after undo and correction."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from siteplan.surgery.seating_plan import SeatingError, SeatingPlan


class Kind(StrEnum):
    """What happened. The value is what the record holds."""

    STARTED = "started"
    TURNED_BY_HAND = "turned by hand"
    CLICKED = "clicked"
    TURNED_IN = "turned in"
    BACKED_OUT = "backed out"
    MARK_AT_GUM = "mark at gum"
    TAKEN_OUT = "taken out"
    OPENED = "opened"
    DEPTH_CONFIRMED = "depth confirmed"
    FINAL_TORQUE = "final torque"
    REPLACED = "replaced"
    KEPT = "kept"
    ENDED = "ended"
    DRILLED = "drilled"
    LOT = "lot"
    GUM_MEASURED = "gum measured"
    FELT = "felt"
    ACCEPTED = "broken margin accepted"
    NOTE = "note"
    UNDO = "undo"
    CORRECTION = "correction"


REMARKS = frozenset({Kind.DRILLED, Kind.LOT, Kind.FELT, Kind.NOTE, Kind.GUM_MEASURED, Kind.ACCEPTED})
"""Entries that are welcome at any time and move nothing."""

NUMBERS = ("turns", "torque_Ncm", "above_gum_mm", "mark_mm", "gum_mm")
"""Members of an entry that hold a measured number."""

MOST_TURNS = 60.0
"""More turns in one entry are a slip of the finger (our own bound: 60 turns are 36 mm even at 0.6 mm a turn)."""

MOST_NCM = 200.0
"""A torque above this is a slip of the finger (our own bound)."""

MOST_MM = 40.0
"""A height above the gum above this is a slip of the finger (our own bound)."""

MOST_GUM_MM = 15.0
"""Gum above this is a slip of the finger (as in the case file)."""

LONGEST_TEXT = 500


@dataclass(frozen=True)
class Entry:
    """One thing that happened.

    Attributes:
        sequence: 1, 2, 3 ... in the record of a tooth.
        time: ISO 8601, as given by the caller.
        turns: made in this entry. torque_Ncm: setting at which it clicked, or reading.
        above_gum_mm: how far the tool's mark still stands above the gum, where it was measured.
        mark_mm: which mark of the tool met the gum, above the platform; the advised one where it is left out.
        gum_mm: thickness of the gum as measured at the chair.
        text: drill, lot number, feel, note.
        plan: of a start or of another fixture.
        of: the sequence that an undo or a correction is about.
    """

    kind: Kind
    turns: float | None = None
    torque_Ncm: float | None = None
    above_gum_mm: float | None = None
    mark_mm: float | None = None
    gum_mm: float | None = None
    text: str = ""
    plan: SeatingPlan | None = None
    of: int | None = None
    sequence: int = 0
    time: str = ""

    def __post_init__(self) -> None:
        _in_range("turns", self.turns, MOST_TURNS)
        _in_range("torque in N·cm", self.torque_Ncm, MOST_NCM)
        _in_range("mm above the gum", self.above_gum_mm, MOST_MM)
        _in_range("mm of the mark above the platform", self.mark_mm, MOST_MM)
        _in_range("mm of gum", self.gum_mm, MOST_GUM_MM)
        if len(self.text) > LONGEST_TEXT:
            raise SeatingError(f"this text is too long; {LONGEST_TEXT} characters are kept at the most.")
        for name, kinds in _NEEDS.items():
            if self.kind in kinds and getattr(self, name) in (None, ""):
                raise SeatingError(f"'{self.kind.value}' needs {_SPOKEN[name]}.")

    def as_json(self) -> dict[str, Any]:
        """One line of the record; what is not given is left out."""
        out: dict[str, Any] = {"sequence": self.sequence, "time": self.time, "kind": self.kind.value}
        for name in (*NUMBERS, "text", "of"):
            if getattr(self, name) not in (None, ""):
                out[name] = getattr(self, name)
        return out | ({"plan": self.plan.as_json()} if self.plan else {})

    @classmethod
    def from_json(cls, content: Any) -> "Entry":
        """From one line of the record.

        Raises:
            SeatingError: it is not an entry.
        """
        try:
            given = dict(content)
            plan = SeatingPlan.from_json(given["plan"]) if given.get("plan") else None
            names = (*NUMBERS, "text", "of", "sequence", "time")
            return cls(Kind(given["kind"]), plan=plan, **{name: given[name] for name in names if name in given})
        except (TypeError, ValueError, KeyError) as error:
            raise SeatingError("a line of the seating record is no entry.") from error


_NEEDS = {
    "turns": (Kind.TURNED_BY_HAND, Kind.CLICKED, Kind.TURNED_IN, Kind.BACKED_OUT),
    "torque_Ncm": (Kind.CLICKED, Kind.FINAL_TORQUE),
    "text": (Kind.OPENED, Kind.DRILLED, Kind.LOT, Kind.FELT, Kind.NOTE, Kind.ACCEPTED),
    "plan": (Kind.STARTED, Kind.REPLACED),
    "gum_mm": (Kind.GUM_MEASURED,),
    "of": (Kind.UNDO, Kind.CORRECTION),
}
_SPOKEN = {
    "turns": "the number of turns",
    "torque_Ncm": "the torque in N·cm",
    "text": "a few words",
    "plan": "the plan of the fixture",
    "gum_mm": "the thickness in mm",
    "of": "the number of an entry",
}


def effective(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """The entries that count: undone ones left out, corrected ones with their new numbers, in their old place.

    Raises:
        SeatingError: an undo or a correction names an entry that is not there, or the start.
    """
    kept: dict[int, Entry] = {}
    for entry in entries:
        if entry.kind not in (Kind.UNDO, Kind.CORRECTION):
            kept[entry.sequence] = entry
            continue
        target = kept.get(entry.of or 0)
        if target is None:
            raise SeatingError(f"there is no entry {entry.of} to change; look at the list of entries.")
        if target.kind is Kind.STARTED:
            raise SeatingError("the start cannot be changed; end this record and start again.")
        if entry.kind is Kind.UNDO:
            del kept[target.sequence]
        else:
            kept[target.sequence] = _corrected(target, entry)
    return tuple(kept.values())


def accepted(entries: Sequence[Entry]) -> bool:
    """Whether a person has accepted the broken margins of the fixture that is in now."""
    said = False
    for entry in effective(entries):
        said = entry.kind is Kind.ACCEPTED or (said and entry.kind not in (Kind.STARTED, Kind.REPLACED))
    return said


def _corrected(target: Entry, entry: Entry) -> Entry:
    """The target with every number that the correction gives."""
    given = {name: getattr(entry, name) for name in (*NUMBERS, "text") if getattr(entry, name) not in (None, "")}
    return replace(target, **given)


def _in_range(name: str, value: float | None, most: float) -> None:
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SeatingError(f"{name}: a number is needed, not {value!r}.")
    if not 0 <= value <= most:
        raise SeatingError(f"{name}: {value:g} cannot be right; it must lie between 0 and {most:g}.")
