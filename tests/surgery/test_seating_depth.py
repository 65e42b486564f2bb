"""Depth by turns, by the mark, and the click at the ceiling: none of them is believed against the others in silence.

Depths follow from turns times thread lead (definition of lead); what is done at them is common practice, no source.
"""

from siteplan.surgery.advice import advice
from siteplan.surgery.entries import Kind
from siteplan.surgery.seating import Phase
from tests.surgery.made_seating import GUM, after, back, click, hand, just


def test_a_click_at_the_ceiling_past_the_planned_depth_is_questioned():
    # The fixture drops in by 1 mm, ten turns of 1 mm follow: 11 mm of 10 mm planned.
    state = after(hand(9), click(45, 1))
    assert state.phase is Phase.AT_CEILING
    assert "1.0 mm past its planned depth" in " ".join(state.warnings)
    assert advice(state).do.startswith("Look at the mark first")


def test_a_fixture_at_its_depth_is_not_taken_out_before_its_mark_was_looked_at():
    state = after(hand(8), click(45, 1), back(2), click(45, 2))
    assert state.phase is Phase.TAKE_OUT
    assert advice(state).do.startswith("Look at the mark first")
    assert Kind.MARK_AT_GUM in advice(state).enter
    seated = after(hand(8), click(45, 1), back(2), click(45, 2), just(Kind.MARK_AT_GUM, torque_Ncm=45))
    assert seated.phase is Phase.SEATED
    shallow = after(hand(3), click(45, 1), back(2), click(45, 2))
    assert advice(shallow).do.startswith("Take the fixture out")


def test_a_depth_that_is_confirmed_against_the_turns_stays_told():
    state = after(hand(4), GUM)
    assert state.phase is Phase.CHECK_DEPTH
    confirmed = after(hand(4), GUM, just(Kind.DEPTH_CONFIRMED))
    assert "confirmed, although by the turns the fixture is 5.0 mm short" in " ".join(confirmed.warnings)
    assert not after(hand(9), GUM).warnings


def test_the_final_torque_is_what_has_clicked_and_nothing_is_turned_to_find_it():
    said = advice(after(hand(9), GUM))
    assert "has clicked" in said.do
    assert "never above 50" in said.do
    assert "Do not turn" in said.do
