"""A seating record as it is told afterwards: what was placed, what was read, what was changed, where it stops."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from siteplan.surgery.entries import Entry, Kind, effective
from siteplan.surgery.record import Record, read_records
from siteplan.surgery.seating import Phase, State, advance, begin, reading_depth_mm
from siteplan.surgery.seating_plan import SeatingError, SeatingPlan

_NEW_HOLE = (Kind.TAKEN_OUT, Kind.OPENED, Kind.REPLACED)
"""After these the fixture starts from above again, so its readings are a run of their own."""

_READ = (Kind.CLICKED, Kind.FINAL_TORQUE, Kind.MARK_AT_GUM)


@dataclass(frozen=True)
class Told:
    """One entry in words.

    Attributes:
        number: in the record. time: ISO 8601. what: the kind. numbers: what was measured, in words.
        text: what a person typed with it; free text, which may hold a name.
        counts: whether it still counts. by: numbers of the entries that undid or corrected it.
        of: the entry that this one undoes or corrects.
    """

    number: int
    time: str
    what: str
    numbers: str
    text: str
    counts: bool
    by: tuple[int, ...]
    of: int | None


@dataclass(frozen=True)
class Run:
    """Readings of one fixture in one hole: (depth of the apex in mm, torque in N·cm) in order."""

    fixture: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class SeatingStory:
    """The latest record of one tooth, told.

    Attributes:
        plan: of the fixture that is in now, with its forecast. first: of the fixture that the record began with.
        state: where the fixture stands. runs: the last one is that of the fixture and hole of now.
        lots, felt, notes: as typed, of entries that count.
        drills: entered as really used, before seating; opened: further ones after a first try.
        unreadable_lines: of the whole file. earlier: number of older records of this tooth.
    """

    tooth: int
    plan: SeatingPlan
    first: SeatingPlan
    state: State
    entries: tuple[Told, ...]
    runs: tuple[Run, ...]
    lots: tuple[str, ...]
    felt: tuple[str, ...]
    notes: tuple[str, ...]
    drills: tuple[str, ...]
    opened: tuple[str, ...]
    cycles: int
    unreadable_lines: tuple[int, ...]
    earlier: int

    @property
    def started(self) -> str:
        """Time of the first entry, ISO 8601."""
        return self.entries[0].time

    @property
    def last(self) -> str:
        """Time of the latest entry, ISO 8601."""
        return self.entries[-1].time

    @property
    def complete(self) -> bool:
        """Whether the record was brought to its end: seated, or ended on purpose. Else it was interrupted."""
        return self.state.phase in (Phase.SEATED, Phase.ENDED)

    @property
    def changed(self) -> int:
        """How many entries undo or correct another one."""
        return sum(entry.of is not None for entry in self.entries)

    def minutes(self, time: str) -> float | None:
        """Minutes from the first entry to `time`; None where one of them is no time."""
        try:
            return (datetime.fromisoformat(time) - datetime.fromisoformat(self.started)).total_seconds() / 60
        except (ValueError, TypeError):
            return None

    def as_json(self) -> dict[str, Any]:
        """The member `seating` of a site in `findings.json`."""
        state, plan = self.state, self.plan
        return {
            "started": self.started,
            "last_entry": self.last,
            "complete": self.complete,
            "phase": state.phase.value,
            "fixture_placed": plan.fixture,
            "fixture_planned": self.first.fixture,
            "lot": list(self.lots),
            "felt": list(self.felt),
            "notes": list(self.notes),
            "drills_planned": list(self.first.planned_drills),
            "drills_used": list(self.drills),
            "drills_after_first_try": list(self.opened),
            "depth_mm": round(state.depth_mm, 3),
            "planned_depth_mm": plan.apex_mm,
            "final_torque_Ncm": state.final_Ncm,
            "loading_Ncm": plan.loading_Ncm,
            "ceiling_Ncm": plan.ceiling_Ncm,
            "below_loading": state.loose,
            "forecast_Ncm": dict(plan.forecast) or None,
            "cycles": self.cycles,
            "torque_against_depth": [
                {"run": number, "fixture": run.fixture, "depth_mm": depth, "torque_Ncm": torque}
                for number, run in enumerate(self.runs, start=1)
                for depth, torque in run.points
            ],
            "entries": len(self.entries),
            "undone_or_corrected": self.changed,
            "unreadable_lines": list(self.unreadable_lines),
            "earlier_records": self.earlier,
        }


def read_story(path: Path, tooth: int) -> SeatingStory | None:
    """The latest record of a tooth, told; None where there is none.

    Raises:
        SeatingError: the entries do not follow from each other, so somebody changed the file.
        OutputError: the file is there but cannot be opened.
    """
    records = read_records(path, tooth)
    if not records or not records[-1].entries:
        return None
    return story_of(records[-1], earlier=len(records) - 1)


def story_of(record: Record, *, earlier: int = 0) -> SeatingStory:
    """A record, told.

    Raises:
        SeatingError: its entries do not follow from each other.
    """
    kept = effective(record.entries)
    first = kept[0].plan if kept else None
    if first is None:
        raise SeatingError(f"tooth {record.tooth}: the record does not begin with a plan.")
    state = record.state
    return SeatingStory(
        tooth=record.tooth,
        plan=state.plan,
        first=first,
        state=state,
        entries=told(record.entries),
        runs=runs_of(kept),
        lots=_texts(kept, Kind.LOT),
        felt=_texts(kept, Kind.FELT),
        notes=_texts(kept, Kind.NOTE),
        drills=_texts(kept, Kind.DRILLED),
        opened=_texts(kept, Kind.OPENED),
        cycles=sum(entry.kind is Kind.BACKED_OUT for entry in kept),
        unreadable_lines=record.unreadable_lines,
        earlier=earlier,
    )


def told(entries: Sequence[Entry]) -> tuple[Told, ...]:
    """Every entry in words, also those that do not count any more."""
    counting = {entry.sequence for entry in effective(entries)}
    changed: dict[int, list[int]] = {}
    for entry in entries:
        if entry.of is not None:
            changed.setdefault(entry.of, []).append(entry.sequence)
    return tuple(
        Told(
            entry.sequence,
            entry.time,
            entry.kind.value,
            _numbers(entry),
            entry.text,
            entry.sequence in counting or entry.of is not None,
            tuple(changed.get(entry.sequence, ())),
            entry.of,
        )
        for entry in entries
    )


def from_to(low: float, high: float) -> str:
    """ "35 to 50", or "35" where both ends are the same."""
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def turns_words(turns: float) -> str:
    """1 turn, 2.5 turns."""
    return f"{turns:g} turn{'' if turns == 1 else 's'}"


def runs_of(entries: Sequence[Entry]) -> tuple[Run, ...]:
    """Readings by fixture and hole; the last run is that of now, and may be empty. `entries` are those that count."""
    if not entries or entries[0].plan is None:
        return ()
    state = begin(entries[0].plan)
    runs: list[Run] = []
    points: list[tuple[float, float]] = []
    for entry in entries[1:]:
        if entry.kind in _NEW_HOLE and points:
            runs.append(Run(state.plan.fixture, tuple(points)))
            points = []
        state = advance(state, entry)
        if entry.torque_Ncm is not None and entry.kind in _READ:
            points.append((reading_depth_mm(state, entry), entry.torque_Ncm))
    return (*runs, Run(state.plan.fixture, tuple(points)))


def _texts(entries: Sequence[Entry], kind: Kind) -> tuple[str, ...]:
    return tuple(entry.text for entry in entries if entry.kind is kind)


def _numbers(entry: Entry) -> str:
    parts = [
        turns_words(entry.turns) if entry.turns is not None else "",
        f"{entry.torque_Ncm:g} N·cm" if entry.torque_Ncm is not None else "",
        f"mark {entry.above_gum_mm:g} mm above the gum" if entry.above_gum_mm is not None else "",
        f"mark {entry.mark_mm:g} mm above the platform" if entry.mark_mm is not None else "",
        f"gum {entry.gum_mm:g} mm" if entry.gum_mm is not None else "",
        entry.plan.fixture if entry.plan else "",
    ]
    return ", ".join(part for part in parts if part)
