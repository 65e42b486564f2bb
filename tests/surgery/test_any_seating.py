"""What must hold of the seating guide after any log, with undo and correction."""

from contextlib import suppress
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.surgery.advice import advice, position
from siteplan.surgery.entries import Entry, Kind, effective
from siteplan.surgery.seating import Phase, advance, begin, replay, torque_points
from siteplan.surgery.seating_plan import SeatingError
from tests.surgery.made_seating import PLAN, numbered

ANY = st.builds(
    Entry,
    kind=st.sampled_from([k for k in Kind if k not in (Kind.STARTED, Kind.UNDO, Kind.CORRECTION)]),
    turns=st.floats(0, 12).map(lambda x: round(x, 2)),
    torque_Ncm=st.sampled_from([5.0, 15.0, 25.0, 33.0, 35.0, 45.0, 50.0, 60.0, 120.0]),
    above_gum_mm=st.none() | st.floats(0, 12),
    mark_mm=st.none() | st.floats(0, 12),
    gum_mm=st.floats(0, 8),
    text=st.sampled_from(["crestal 2.8", "shaping 3.0", "something else"]),
    plan=st.just(PLAN),
)


@settings(max_examples=300, deadline=None)
@given(log=st.lists(ANY, max_size=60), ceiling=st.sampled_from([15.0, 27.0, 45.0, 200.0]))
def test_no_log_ends_without_a_next_step_or_above_the_ceiling(log, ceiling):
    plan = replace(PLAN, ceiling_Ncm=ceiling, settings_Ncm=tuple(s for s in PLAN.settings_Ncm if s <= ceiling))
    state = begin(plan)
    for entry in [replace(entry, plan=plan) for entry in log]:
        with suppress(SeatingError):
            state = advance(state, entry)
        said = advice(state)
        assert said.do
        assert said.why
        assert said.enter or state.phase is Phase.ENDED
        assert state.turns >= 0
        if said.setting_Ncm is not None:
            assert said.setting_Ncm <= ceiling
            assert f"{said.setting_Ncm:g} N·cm" in said.do or state.phase is Phase.READ_TORQUE
        assert position(state)


def changed_log(draws):
    """A record as the guide would let it grow: every entry that was refused is left out."""
    log = numbered()
    for entry, change, which in draws:
        target = 1 + which % len(log)
        kind = {"undo": Kind.UNDO, "correct": Kind.CORRECTION}.get(change)
        wanted = replace(entry, plan=PLAN) if kind is None else replace(entry, kind=kind, of=target, text="", plan=None)
        grown = [*log, replace(wanted, sequence=len(log) + 1)]
        with suppress(SeatingError):
            replay(grown)
            log = grown
    return log


CHANGES = st.lists(st.tuples(ANY, st.sampled_from(["", "", "", "undo", "correct"]), st.integers(0, 99)), max_size=40)


@settings(max_examples=200, deadline=None)
@given(draws=CHANGES)
def test_undo_and_correction_never_leave_a_record_without_a_next_step(draws):
    log = changed_log(draws)
    state = replay(log)
    said = advice(state)
    assert said.do
    assert said.setting_Ncm is None or said.setting_Ncm <= PLAN.ceiling_Ncm
    assert torque_points(log) == torque_points(effective(log))
    kept = effective(log)
    assert [entry.sequence for entry in kept] == sorted(entry.sequence for entry in kept)
    if len(kept) > 1:
        # The state after an undo of the last entry is that of a record in which it was never made.
        undone = [*log, Entry(Kind.UNDO, of=kept[-1].sequence, sequence=len(log) + 1)]
        assert replay(undone) == replay(kept[:-1])
