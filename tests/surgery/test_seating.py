"""The seating guide: every rule, every refusal, undo and correction."""

from dataclasses import replace

import pytest

from siteplan.surgery.advice import advice, mark_words, position
from siteplan.surgery.entries import Entry, Kind, effective
from siteplan.surgery.seating import MOVES, Phase, advance, begin, replay, torque_points
from siteplan.surgery.seating_plan import SeatingError
from tests.surgery.made_seating import GUM, PLAN, TIGHT, after, back, click, hand, just, numbered


def test_by_hand_until_it_stops_then_the_ratchet_from_low_to_high():
    state = begin(PLAN)
    assert "by hand" in advice(state).do
    settings_used = []
    for _ in PLAN.settings_Ncm:
        state = advance(state, hand(3) if state.phase is Phase.BY_HAND else click(settings_used[-1], 0.5))
        settings_used.append(state.setting_Ncm)
    assert settings_used == list(PLAN.settings_Ncm)


def test_depth_is_turns_times_lead_from_where_it_dropped_in():
    state = after(hand(3), click(15, 1.5))
    assert state.depth_mm == pytest.approx(1.0 + 4.5)
    assert state.remaining_mm == pytest.approx(4.5)
    assert "4.5 turns in" in position(state)


def test_past_the_plan_is_never_called_reached():
    state = after(hand(9), just(Kind.TURNED_IN, turns=0.5))
    assert "0.5 mm past the planned depth" in position(state)
    assert advice(state).do.startswith("Look at the mark first")
    assert "planned depth reached" in position(after(hand(9)))


def test_a_mark_that_was_measured_counts_more_than_turns():
    state = after(hand(3, above_gum_mm=7.5))
    assert state.depth_mm == pytest.approx(2.5)
    assert "by the mark at 2.5 mm" in state.warnings[0]
    assert after(hand(3, above_gum_mm=6.2)).warnings == ()


def test_a_click_at_the_ceiling_means_back_out():
    # common practice, no source: about two turns back, then in again
    state = after(*TIGHT)
    assert state.phase is Phase.AT_CEILING
    assert "Back out by about 2 turns" in advice(state).do
    assert advice(state).setting_Ncm is None


@pytest.mark.parametrize(
    ("in_again", "phase"),
    [
        (4.0, Phase.AT_CEILING),  # four or more: the thread still widens, go on (common practice, no source)
        (5.5, Phase.AT_CEILING),
        (3.0, Phase.AT_CEILING),  # some gain: another cycle
        (2.0, Phase.TAKE_OUT),  # no more than was backed out (common practice, no source)
        (2.2, Phase.TAKE_OUT),
        (1.0, Phase.TAKE_OUT),
    ],
)
def test_what_is_gained_decides(in_again, phase):
    state = after(*TIGHT, back(), click(45, in_again))
    assert state.phase is phase
    assert (state.slow == 1) == (in_again == 3.0)


def test_turns_without_a_click_count_as_gained():
    assert after(*TIGHT, back(), just(Kind.TURNED_IN, turns=3), click(45, 1.2)).phase is Phase.AT_CEILING
    assert after(*TIGHT, back(), just(Kind.TURNED_IN, turns=1), click(45, 1.0)).phase is Phase.TAKE_OUT


def test_backing_out_far_does_not_make_a_gain():
    assert after(hand(5), click(45), back(5), click(45, 5)).phase is Phase.TAKE_OUT


def test_several_cycles_with_little_gain_are_normal_but_end():
    state = after(*TIGHT)
    for _ in range(2):
        state = advance(advance(state, back()), click(45, 2.5))
        assert state.phase is Phase.AT_CEILING
    state = advance(advance(state, back()), click(45, 2.5))
    assert state.phase is Phase.TAKE_OUT


def test_the_site_is_opened_step_by_step_and_then_the_card_ends():
    entries = (*TIGHT, back(), click(45, 2), just(Kind.TAKEN_OUT))
    state = after(*entries)
    assert state.phase is Phase.OPEN
    assert "crestal 2.8 to 2 mm" in advice(state).do
    entries += (just(Kind.OPENED, text="crestal 2.8"),)
    state = after(*entries)
    assert (state.phase, state.turns, state.cycles) == (Phase.BY_HAND, 0.0, 0)
    entries += (*TIGHT, just(Kind.TAKEN_OUT), just(Kind.OPENED, text="shaping 3.0"), *TIGHT, just(Kind.TAKEN_OUT))
    state = after(*entries)
    assert state.phase is Phase.NO_BRANCH_LEFT
    assert "Stop here" in advice(state).do


def test_a_drill_that_is_not_on_the_card_is_kept_and_questioned():
    state = after(*TIGHT, just(Kind.TAKEN_OUT), just(Kind.OPENED, text="another"))
    assert state.opened == ("another",)
    assert "not on the card" in state.warnings[0]


def test_full_seating_with_enough_torque():
    state = after(hand(6), click(35, 3), just(Kind.MARK_AT_GUM, torque_Ncm=40))
    assert state.phase is Phase.SEATED
    assert state.depth_mm == PLAN.apex_mm
    assert "within the target" in advice(state).why


def test_the_final_torque_is_asked_for():
    state = after(hand(6), click(35, 3), GUM)
    assert state.phase is Phase.READ_TORQUE
    assert advance(state, just(Kind.FINAL_TORQUE, torque_Ncm=38)).phase is Phase.SEATED


def test_low_final_torque_leads_to_the_looser_branch_and_forbids_loading():
    state = after(hand(9), just(Kind.MARK_AT_GUM, torque_Ncm=15))
    said = advice(state)
    assert state.phase is Phase.LOOSE
    assert "Do not load" in said.do
    assert "any-4.5x10" in said.do
    assert any("Do not load early" in caution for caution in said.cautions)
    kept = advance(state, just(Kind.KEPT))
    assert kept.phase is Phase.SEATED
    assert "without load" in advice(kept).do


def test_a_loose_fixture_that_is_out_is_not_answered_with_a_wider_hole():
    state = after(hand(9), just(Kind.MARK_AT_GUM, torque_Ncm=15), just(Kind.TAKEN_OUT))
    assert state.phase is Phase.OUT
    assert "crestal" not in advice(state).do
    assert "any-4.5x10" in advice(state).do


def test_a_depth_that_disagrees_with_the_plan_is_questioned():
    state = after(hand(6), GUM)
    assert state.phase is Phase.CHECK_DEPTH
    assert "3.0 mm short of" in state.warnings[0]
    assert advance(state, just(Kind.DEPTH_CONFIRMED)).phase is Phase.READ_TORQUE


def test_turns_past_the_plan_without_the_mark_are_questioned():
    state = after(hand(11))
    assert state.phase is Phase.CHECK_DEPTH
    assert "spins" in advice(state).do
    with pytest.raises(SeatingError, match="how many mm"):
        advance(state, just(Kind.DEPTH_CONFIRMED))
    on = advance(state, just(Kind.DEPTH_CONFIRMED, above_gum_mm=2.0))
    assert on.phase is Phase.RATCHET
    assert on.remaining_mm == pytest.approx(2.0)
    assert advance(state, GUM).phase is Phase.CHECK_DEPTH


def test_the_mark_that_must_meet_the_gum_follows_from_planned_depth_and_gum():
    # Platform depth = planned apex less length; a mark that is level with the gum stands gum + platform depth above it.
    state = after(hand(3))
    assert state.mark_mm == pytest.approx(2.0)
    assert "the tool's mark 2.0 mm above the platform meets the gum" in advice(state).do
    deep = after(hand(3), plan=replace(PLAN, apex_mm=11.5))
    assert deep.mark_mm == pytest.approx(3.5)
    flap = after(hand(3), plan=replace(PLAN, apex_mm=11.5, reference="bone crest"))
    assert flap.mark_mm == pytest.approx(1.5)
    assert "meets the bone crest" in advice(flap).do
    proud = after(hand(3), plan=replace(PLAN, apex_mm=9.0, reference="bone crest"))
    assert "the platform stands 1.0 mm above the bone crest" in mark_words(proud)
    assert "the tool's mark meets the gum" in mark_words(after(hand(3), plan=replace(PLAN, gum_mm=None)))


def test_gum_that_is_thicker_than_planned_changes_the_mark_and_is_told():
    thick = just(Kind.GUM_MEASURED, gum_mm=3.5)
    state = after(hand(3), thick)
    assert (state.mark_mm, state.phase, state.depth_mm) == (3.5, Phase.RATCHET, after(hand(3)).depth_mm)
    assert "3.5 mm thick here, 2.0 mm were planned" in state.warnings[0]
    assert after(just(Kind.GUM_MEASURED, gum_mm=2.3)).warnings == ()
    out = after(hand(3), thick, just(Kind.TAKEN_OUT), hand(2))
    assert out.mark_mm == 3.5


def test_another_mark_at_the_gum_is_checked_against_planned_depth_and_gum():
    # Mark 4 at 2 mm of gum: platform 2 mm below the entry, the apex of a 10 mm fixture at 12 mm instead of 10 mm.
    state = after(hand(9), just(Kind.MARK_AT_GUM, mark_mm=4.0))
    assert state.phase is Phase.CHECK_DEPTH
    assert "by the mark the fixture is 2.0 mm past its planned depth" in state.warnings
    done = advance(advance(state, just(Kind.DEPTH_CONFIRMED)), just(Kind.FINAL_TORQUE, torque_Ncm=40))
    assert done.depth_mm == pytest.approx(12.0)
    assert "2.0 mm past the planned depth" in advice(done).why
    # The same mark is right where the gum is 4 mm thick.
    right = after(just(Kind.GUM_MEASURED, gum_mm=4.0), hand(9), just(Kind.MARK_AT_GUM, mark_mm=4.0))
    assert right.phase is Phase.READ_TORQUE
    with pytest.raises(SeatingError, match="thickness is not known"):
        after(hand(9), just(Kind.MARK_AT_GUM, mark_mm=4.0), plan=replace(PLAN, gum_mm=None))


def test_a_click_above_the_ceiling_is_kept_but_never_advised_again():
    state = after(hand(3), click(60, 1))
    assert state.phase is Phase.AT_CEILING
    assert "above the ceiling" in state.warnings[0]
    again = advance(state, back())
    assert again.setting_Ncm == 45
    loud = after(hand(9), just(Kind.MARK_AT_GUM, torque_Ncm=70))
    assert "above the ceiling" in loud.warnings[0]


def test_what_speaks_against_another_fixture_is_said_before_it_is_turned_in():
    deep = replace(PLAN, fixture="any-4.0x14", warnings=("canal: breaks the margin, 0.40 mm away, margin 2 mm",))
    state = after(hand(9), just(Kind.MARK_AT_GUM, torque_Ncm=15), Entry(Kind.REPLACED, plan=deep))
    assert advice(state).warnings == deep.warnings
    assert begin(deep).warnings == deep.warnings
    assert advance(state, hand(1)).warnings == ()


def test_another_fixture_starts_afresh_with_its_own_numbers():
    wide = replace(PLAN, fixture="any-4.5x10", lead_mm=0.8)
    state = after(hand(9), just(Kind.MARK_AT_GUM, torque_Ncm=15), Entry(Kind.REPLACED, plan=wide), hand(2))
    assert state.plan.fixture == "any-4.5x10"
    assert state.depth_mm == pytest.approx(1.0 + 1.6)


@pytest.mark.parametrize("phase", list(Phase))
@pytest.mark.parametrize("kind", [kind for kind in Kind if kind not in (Kind.UNDO, Kind.CORRECTION, Kind.STARTED)])
def test_every_entry_is_taken_or_refused_with_words_in_every_phase(phase, kind):
    state = replace(begin(PLAN), phase=phase, turns=3.0, clicked_Ncm=25.0)
    entry = Entry(kind, turns=1.0, torque_Ncm=25.0, text="words", plan=PLAN, above_gum_mm=5.0, gum_mm=2.0)
    remark = kind in (Kind.DRILLED, Kind.LOT, Kind.FELT, Kind.NOTE, Kind.GUM_MEASURED, Kind.ACCEPTED)
    if remark:
        assert advance(state, entry).phase is phase
    elif kind in MOVES[phase]:
        assert advance(state, entry).phase in Phase
    else:
        with pytest.raises(SeatingError, match=r"does not fit here .*; enter "):
            advance(state, entry)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: hand(-1), "must lie between 0 and 60"),
        (lambda: hand(600), "cannot be right"),
        (lambda: hand(float("nan")), "a number is needed"),
        (lambda: hand("two"), "a number is needed"),
        (lambda: Entry(Kind.TURNED_BY_HAND), "needs the number of turns"),
        (lambda: Entry(Kind.CLICKED, turns=1.0), "needs the torque"),
        (lambda: Entry(Kind.OPENED), "needs a few words"),
        (lambda: Entry(Kind.NOTE, text="x" * 501), "too long"),
        (lambda: after(hand(1), back(5)), "only 1 have been made"),
        (lambda: after(hand(1), click(0.0, 1)), "above zero"),
        (lambda: after(hand(9), GUM, hand(1)), "does not fit here"),
        (lambda: replace(PLAN, settings_Ncm=(60.0,)), "no setting of the ratchet stays within the ceiling of 50"),
        (lambda: replace(PLAN, settings_Ncm=()), "no setting of the ratchet"),
        (lambda: replace(PLAN, lead_mm=0.0), "above zero"),
        (lambda: replay([]), "begins with the plan"),
    ],
)
def test_wrong_input_is_refused_in_words(make, says):
    with pytest.raises(SeatingError, match=says):
        make()


def test_undo_leaves_the_entry_out():
    log = numbered(hand(3), click(15, 1), Entry(Kind.UNDO, of=3))
    assert replay(log) == after(hand(3))
    assert len(log) == 4


def test_an_undone_cycle_was_never_made():
    log = numbered(*TIGHT, back(), click(45, 2), Entry(Kind.UNDO, of=8), Entry(Kind.UNDO, of=7))
    assert replay(log) == after(*TIGHT)


def test_a_correction_changes_the_numbers_in_their_place():
    log = numbered(hand(3), click(15, 1), Entry(Kind.CORRECTION, of=2, turns=4.0))
    assert replay(log) == after(hand(4), click(15, 1))


@pytest.mark.parametrize("of", [1, 7, 99])
def test_the_start_and_what_is_not_there_cannot_be_undone(of):
    with pytest.raises(SeatingError, match=r"cannot be changed|no entry"):
        effective(numbered(hand(3), Entry(Kind.UNDO, of=of)))


def test_torque_against_depth_for_the_report():
    log = numbered(hand(3), click(15, 1), click(25, 2), just(Kind.NOTE, text="x"), GUM)
    assert torque_points(log) == ((5.0, 15), (7.0, 25))


def test_one_turn_is_no_turns_and_one_aim_is_no_range():
    single = replace(PLAN, back_out_turns=1.0, target_Ncm=(35.0, 35.0))
    state = replay([Entry(Kind.STARTED, plan=single, sequence=1), Entry(Kind.TURNED_BY_HAND, turns=3.0, sequence=2)])
    assert "Back out by about 1 turn." in advice(replace(state, phase=Phase.AT_CEILING)).do
    assert "the target of 35 N·cm" in advice(replace(state, phase=Phase.SEATED, final_Ncm=35.0)).why
