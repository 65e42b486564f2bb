"""Where a fixture stands on its way in: a small state machine, moved by what the surgeon enters.

The state follows from the entries alone, so that it can be found again from the record after a crash, and so that an
undo is nothing but leaving an entry out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from siteplan.surgery.entries import REMARKS, Entry, Kind, effective
from siteplan.surgery.seating_plan import GUM, SeatingError, SeatingPlan


class Phase(StrEnum):
    """What the guide waits for."""

    BY_HAND = "turn in by hand"
    RATCHET = "turn in with the ratchet"
    AT_CEILING = "back out"
    GO_IN_AGAIN = "go in again"
    TAKE_OUT = "take it out"
    OPEN = "open the site"
    OUT = "out of the hole"
    NO_BRANCH_LEFT = "no further step on the card"
    CHECK_DEPTH = "check the depth"
    READ_TORQUE = "read the final torque"
    LOOSE = "too little torque"
    SEATED = "seated"
    ENDED = "ended"


MOVES: dict[Phase, tuple[Kind, ...]] = {
    Phase.BY_HAND: (Kind.TURNED_BY_HAND, Kind.MARK_AT_GUM, Kind.TAKEN_OUT, Kind.ENDED),
    Phase.RATCHET: (Kind.CLICKED, Kind.TURNED_IN, Kind.BACKED_OUT, Kind.MARK_AT_GUM, Kind.TAKEN_OUT, Kind.ENDED),
    Phase.AT_CEILING: (Kind.BACKED_OUT, Kind.MARK_AT_GUM, Kind.TAKEN_OUT, Kind.ENDED),
    Phase.GO_IN_AGAIN: (Kind.CLICKED, Kind.TURNED_IN, Kind.BACKED_OUT, Kind.MARK_AT_GUM, Kind.TAKEN_OUT, Kind.ENDED),
    Phase.TAKE_OUT: (Kind.TAKEN_OUT, Kind.MARK_AT_GUM, Kind.BACKED_OUT, Kind.ENDED),
    Phase.OPEN: (Kind.OPENED, Kind.TURNED_BY_HAND, Kind.REPLACED, Kind.ENDED),
    Phase.OUT: (Kind.TURNED_BY_HAND, Kind.OPENED, Kind.REPLACED, Kind.ENDED),
    Phase.NO_BRANCH_LEFT: (Kind.REPLACED, Kind.OPENED, Kind.TURNED_BY_HAND, Kind.ENDED),
    Phase.CHECK_DEPTH: (Kind.DEPTH_CONFIRMED, Kind.MARK_AT_GUM, Kind.BACKED_OUT, Kind.TAKEN_OUT, Kind.ENDED),
    Phase.READ_TORQUE: (Kind.FINAL_TORQUE, Kind.BACKED_OUT, Kind.TAKEN_OUT, Kind.ENDED),
    Phase.LOOSE: (Kind.REPLACED, Kind.KEPT, Kind.TAKEN_OUT, Kind.ENDED),
    Phase.SEATED: (Kind.BACKED_OUT, Kind.TAKEN_OUT),
    Phase.ENDED: (),
}
"""What may be entered in each phase, besides remarks, undo and correction."""


@dataclass(frozen=True)
class State:
    """Where the fixture stands.

    Attributes:
        turns: net turns in since it was put into the hole.
        anchor_mm, anchor_turns: depth of the apex that was last known otherwise than by turns, and the turns then.
        setting_Ncm: the setting to use next; never above the ceiling.
        clicked_Ncm: of the last click. final_Ncm: read at full seating.
        backed_out: turns backed out in the cycle under way. regained: turns gone in again in it.
        cycles: of backing out and going in since the hole was last changed; slow: those with little gain.
        opened: drills used after the first try.
        gum_mm: thickness of the gum as measured at the chair, else as planned; None where it is not known.
        seen_mm: depth of the apex that follows from the mark at the gum.
        mark_seen: the tool's mark has met the gum. loose: the final torque was below the loading torque.
        warnings: what this entry gave cause to say.
    """

    plan: SeatingPlan
    phase: Phase = Phase.BY_HAND
    turns: float = 0.0
    anchor_mm: float = 0.0
    anchor_turns: float = 0.0
    setting_Ncm: float = 0.0
    clicked_Ncm: float | None = None
    final_Ncm: float | None = None
    backed_out: float = 0.0
    regained: float = 0.0
    cycles: int = 0
    slow: int = 0
    opened: tuple[str, ...] = ()
    mark_seen: bool = False
    loose: bool = False
    gum_mm: float | None = None
    seen_mm: float | None = None
    warnings: tuple[str, ...] = ()

    @property
    def mark_mm(self) -> float | None:
        """Height above the platform of the tool's mark that meets the gum (or the crest, with a flap) at full seating.

        None where the gum's thickness is not known, or where the platform itself ends above it.
        """
        above = self.gum_mm if self.plan.reference == GUM else 0.0
        height = None if above is None else self.plan.platform_mm + above
        return None if height is None or height < 0 else round(height, 3)

    @property
    def depth_mm(self) -> float:
        """Apex below the bone entry: the last anchor, and the turns since times the thread lead."""
        return self.anchor_mm + (self.turns - self.anchor_turns) * self.plan.lead_mm

    @property
    def remaining_mm(self) -> float:
        """To full seating; below zero when the turns say that it is past it."""
        return self.plan.apex_mm - self.depth_mm

    @property
    def next_opening(self) -> str | None:
        """The next drill of the tighter branch in words; None when there is none left."""
        left = [step for step in self.plan.tighter if step.drill not in self.opened]
        return left[0].says if left else None


def begin(plan: SeatingPlan) -> State:
    """The fixture in hand, the hole prepared; what speaks against the fixture is warned about at once."""
    start = plan.drop_in_mm
    return State(plan, anchor_mm=start, setting_Ncm=plan.settings_Ncm[0], gum_mm=plan.gum_mm, warnings=plan.warnings)


def replay(entries: Sequence[Entry]) -> State:
    """The state after all entries that count.

    Raises:
        SeatingError: they do not begin with a start, or one of them does not fit where it stands.
    """
    kept = effective(entries)
    if not kept or kept[0].kind is not Kind.STARTED or kept[0].plan is None:
        raise SeatingError("a seating record begins with the plan of the fixture; start a new record.")
    state = begin(kept[0].plan)
    for entry in kept[1:]:
        state = advance(state, entry)
    return state


def torque_points(entries: Sequence[Entry]) -> tuple[tuple[float, float], ...]:
    """(depth of the apex in mm, torque in N.cm) of every click and of the final reading, in order."""
    kept = effective(entries)
    if not kept or kept[0].plan is None:
        return ()
    state, points = begin(kept[0].plan), []
    for entry in kept[1:]:
        state = advance(state, entry)
        if entry.torque_Ncm is not None and entry.kind in (Kind.CLICKED, Kind.FINAL_TORQUE, Kind.MARK_AT_GUM):
            points.append((reading_depth_mm(state, entry), entry.torque_Ncm))
    return tuple(points)


def reading_depth_mm(state: State, entry: Entry) -> float:
    """Depth of the apex at which the entry's torque was read: by the mark where that is known, else by the turns."""
    by_mark = state.seen_mm if entry.kind is Kind.MARK_AT_GUM else None
    return round(state.depth_mm if by_mark is None else by_mark, 3)


def advance(state: State, entry: Entry) -> State:
    """The state after one more entry.

    Raises:
        SeatingError: it does not fit here; the sentence lists what does.
    """
    if entry.kind is Kind.GUM_MEASURED:
        return _gum_measured(state, entry)
    if entry.kind in REMARKS:
        return replace(state, warnings=())
    if entry.kind not in MOVES[state.phase]:
        fitting = ", ".join(f"'{kind.value}'" for kind in MOVES[state.phase]) or "remarks, undo and correction"
        raise SeatingError(f"'{entry.kind.value}' does not fit here ({state.phase.value}); enter {fitting}.")
    return _STEPS[entry.kind](replace(state, warnings=()), entry)


def _gum_measured(state: State, entry: Entry) -> State:
    """The gum counts as measured from here; where it differs from the plan, another mark of the tool counts."""
    measured = replace(state, gum_mm=entry.gum_mm, warnings=())
    planned, now = state.plan.gum_mm, entry.gum_mm or 0.0
    if planned is None or abs(now - planned) <= state.plan.depth_tolerance_mm or state.plan.reference != GUM:
        return measured
    text = (
        f"the gum is {now:.1f} mm thick here, {planned:.1f} mm were planned: the drills' marks were read on the "
        "planned thickness, so check the depth of the hole before you go on"
    )
    return _warned(measured, text)


def _by_hand(state: State, entry: Entry) -> State:
    moved = _moved(state, entry.turns or 0.0, entry)
    moved = replace(moved, loose=False)
    return _question_depth(replace(moved, phase=Phase.RATCHET, setting_Ncm=state.plan.settings_Ncm[0]))


def _clicked(state: State, entry: Entry) -> State:
    turns, torque = entry.turns or 0.0, entry.torque_Ncm or 0.0
    moved = replace(_moved(state, turns, entry), clicked_Ncm=torque, regained=state.regained + turns)
    if torque <= 0:
        raise SeatingError("a click has a torque above zero; enter the setting of the ratchet.")
    if torque > state.plan.ceiling_Ncm:
        text = f"{torque:g} N·cm is above the ceiling of {state.plan.ceiling_Ncm:g} N·cm: do not use this setting again"
        moved = _warned(moved, text)
    higher = [setting for setting in state.plan.settings_Ncm if setting > torque]
    if higher:
        again = state.phase is Phase.GO_IN_AGAIN
        return _question_depth(replace(moved, phase=state.phase if again else Phase.RATCHET, setting_Ncm=higher[0]))
    if moved.remaining_mm < -state.plan.depth_tolerance_mm:
        moved = _warned(moved, _depth_text(moved.remaining_mm))
    if moved.cycles == 0 or state.backed_out == 0:
        return replace(moved, phase=Phase.AT_CEILING)
    return _judge_cycle(moved)


def _judge_cycle(state: State) -> State:
    """After backing out and going in until it clicks at the ceiling again: widen on, or open the site."""
    plan = state.plan
    net = state.regained - state.backed_out
    if net <= plan.same_tolerance_turns:
        return replace(state, phase=Phase.TAKE_OUT)
    if net >= plan.widening_turns - plan.back_out_turns - plan.same_tolerance_turns:
        return replace(state, phase=Phase.AT_CEILING, slow=0)
    slow = state.slow + 1
    phase = Phase.TAKE_OUT if slow >= plan.cycles_before_opening else Phase.AT_CEILING
    return replace(state, phase=phase, slow=slow)


def _turned_in(state: State, entry: Entry) -> State:
    turns = entry.turns or 0.0
    return _question_depth(replace(_moved(state, turns, entry), regained=state.regained + turns))


def _backed_out(state: State, entry: Entry) -> State:
    turns = entry.turns or 0.0
    if turns > state.turns + state.plan.same_tolerance_turns:
        raise SeatingError(
            f"it cannot be backed out by {turns:g} turns: only {state.turns:g} have been made; enter 'taken out' when "
            "it left the hole."
        )
    moved = _moved(state, -min(turns, state.turns), entry)
    return replace(
        moved, phase=Phase.GO_IN_AGAIN, backed_out=turns, regained=0.0, cycles=state.cycles + 1, final_Ncm=None,
        setting_Ncm=_again_at(state), mark_seen=False, seen_mm=None, loose=False,
    )  # fmt: skip


def _again_at(state: State) -> float:
    """Go in again with the setting that was reached, never above the ceiling."""
    below = [s for s in state.plan.settings_Ncm if state.clicked_Ncm is None or s <= state.clicked_Ncm]
    return below[-1] if below and state.clicked_Ncm is not None else state.plan.settings_Ncm[0]


def _mark_at_gum(state: State, entry: Entry) -> State:
    by_turns = _moved(state, entry.turns or 0.0, None)
    seen = _depth_by_mark(state, entry)
    read = replace(by_turns, final_Ncm=entry.torque_Ncm, mark_seen=True, seen_mm=seen)
    doubts = []
    if abs(read.remaining_mm) > state.plan.depth_tolerance_mm:
        doubts.append(_depth_text(read.remaining_mm))
    if abs(seen - state.plan.apex_mm) > state.plan.depth_tolerance_mm:
        doubts.append(_depth_text(state.plan.apex_mm - seen, "the mark"))
    if doubts:
        return replace(read, phase=Phase.CHECK_DEPTH, warnings=(*read.warnings, *doubts))
    return _after_seating(_at_mark(read))


def _depth_by_mark(state: State, entry: Entry) -> float:
    """Depth of the apex when a mark of the tool meets the gum: mark less gum is the platform's depth.

    Without a number the mark that was advised is meant, which is the planned depth by its own rule.
    """
    if entry.mark_mm is None:
        return state.plan.apex_mm
    above = state.gum_mm if state.plan.reference == GUM else 0.0
    if above is None:
        raise SeatingError("the gum's thickness is not known, so this mark says nothing; enter the thickness first.")
    return entry.mark_mm - above + state.plan.length_mm


def _depth_confirmed(state: State, entry: Entry) -> State:
    """Either the mark is at the gum and that depth is right, or it is not and its height above the gum is known."""
    if state.mark_seen:
        off = state.remaining_mm
        confirmed = _after_seating(_at_mark(state))
        unsure = abs(off) > state.plan.depth_tolerance_mm
        return _warned(confirmed, f"confirmed, although {_depth_text(off)}") if unsure else confirmed
    if entry.above_gum_mm is None:
        raise SeatingError("enter how many mm the tool's mark still stands above the gum, or 'mark at gum'.")
    measured = state.plan.apex_mm - entry.above_gum_mm
    return replace(state, phase=Phase.RATCHET, anchor_mm=measured, anchor_turns=state.turns)


def _at_mark(state: State) -> State:
    depth = state.plan.apex_mm if state.seen_mm is None else state.seen_mm
    return replace(state, anchor_mm=depth, anchor_turns=state.turns)


def _after_seating(state: State) -> State:
    if state.final_Ncm is None:
        return replace(state, phase=Phase.READ_TORQUE)
    return _judge_torque(state)


def _final_torque(state: State, entry: Entry) -> State:
    return _judge_torque(replace(state, final_Ncm=entry.torque_Ncm))


def _judge_torque(state: State) -> State:
    final = state.final_Ncm or 0.0
    if final > state.plan.ceiling_Ncm:
        text = f"the final torque of {final:g} N·cm is above the ceiling of {state.plan.ceiling_Ncm:g} N·cm"
        state = _warned(state, text)
    if final < state.plan.loading_Ncm:
        return replace(state, phase=Phase.LOOSE, loose=True)
    return replace(state, phase=Phase.SEATED)


def _taken_out(state: State, entry: Entry) -> State:
    """Out of the hole. Only where it was too tight does the tighter branch come next."""
    phase = Phase.OUT
    if state.phase in (Phase.TAKE_OUT, Phase.AT_CEILING):
        phase = Phase.OPEN if state.next_opening is not None else Phase.NO_BRANCH_LEFT
    return replace(_fresh(state, state.plan), phase=phase, opened=state.opened, loose=state.loose)


def _opened(state: State, entry: Entry) -> State:
    fresh = replace(_fresh(state, state.plan), opened=(*state.opened, entry.text))
    known = {step.drill for step in state.plan.tighter}
    if entry.text not in known:
        return _warned(fresh, f"{entry.text} is not on the card; check diameter and depth yourself")
    return fresh


def _replaced(state: State, entry: Entry) -> State:
    if entry.plan is None:
        raise SeatingError("another fixture needs its own plan.")
    return _fresh(state, entry.plan)


def _fresh(state: State, plan: SeatingPlan) -> State:
    """From the start again; the gum stays as thick as it was measured."""
    return replace(begin(plan), gum_mm=plan.gum_mm if state.gum_mm is None else state.gum_mm)


def _kept(state: State, entry: Entry) -> State:
    return replace(state, phase=Phase.SEATED)


def _ended(state: State, entry: Entry) -> State:
    return replace(state, phase=Phase.ENDED)


def _moved(state: State, turns: float, entry: Entry | None) -> State:
    moved = replace(state, turns=state.turns + turns)
    if entry is None or entry.above_gum_mm is None:
        return moved
    measured = state.plan.apex_mm - entry.above_gum_mm
    off = measured - moved.depth_mm
    anchored = replace(moved, anchor_mm=measured, anchor_turns=moved.turns)
    if abs(off) > state.plan.depth_tolerance_mm:
        text = (
            f"by the turns the apex lies at {moved.depth_mm:.1f} mm, by the mark at {measured:.1f} mm; the mark counts "
            "from here, but find out why"
        )
        return _warned(anchored, text)
    return anchored


def _question_depth(state: State) -> State:
    """Turns that lead past the plan without the mark at the gum: it spins, or the plan is wrong."""
    if state.remaining_mm >= -state.plan.depth_tolerance_mm:
        return state
    return _warned(replace(state, phase=Phase.CHECK_DEPTH), _depth_text(state.remaining_mm))


def _depth_text(remaining_mm: float, by: str = "the turns") -> str:
    side = "short of" if remaining_mm > 0 else "past"
    return f"by {by} the fixture is {abs(remaining_mm):.1f} mm {side} its planned depth"


def _warned(state: State, text: str) -> State:
    return replace(state, warnings=(*state.warnings, text))


_STEPS = {
    Kind.TURNED_BY_HAND: _by_hand,
    Kind.CLICKED: _clicked,
    Kind.TURNED_IN: _turned_in,
    Kind.BACKED_OUT: _backed_out,
    Kind.MARK_AT_GUM: _mark_at_gum,
    Kind.DEPTH_CONFIRMED: _depth_confirmed,
    Kind.FINAL_TORQUE: _final_torque,
    Kind.TAKEN_OUT: _taken_out,
    Kind.OPENED: _opened,
    Kind.REPLACED: _replaced,
    Kind.KEPT: _kept,
    Kind.ENDED: _ended,
}
