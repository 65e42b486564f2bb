"""The seating guide taken up again after the plan in the window was changed: it never follows another plan unsaid."""

from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtWidgets import QApplication

from siteplan.surgery.entries import Entry, Kind
from siteplan.surgery.record import Record, add_entry, read_record, record_path
from siteplan.surgery.seating_plan import SeatingPlan, differing

PLAN = SeatingPlan(
    tooth=36, fixture="any-4.0x10", length_mm=10.0, lead_mm=1.0, apex_mm=10.0, drop_in_mm=1.0, gum_mm=2.0,
    settings_Ncm=(15.0, 25.0, 35.0, 45.0), target_Ncm=(35.0, 45.0), loading_Ncm=32.0, ceiling_Ncm=50.0,
    back_out_turns=2.0, widening_turns=4.0, same_tolerance_turns=0.25, cycles_before_opening=3, depth_tolerance_mm=0.7,
    broken=("canal: 0.86 mm, margin 2 mm: breaks the margin",),
)  # fmt: skip
OTHER = replace(PLAN, fixture="any-4.5x8", apex_mm=8.0, length_mm=8.0, settings_Ncm=(15.0, 25.0), ceiling_Ncm=30.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return record_path(tmp_path / "case.json")


@pytest.fixture
def dialog_of(display, qtbot, path):
    from viewer.app import dress
    from viewer.seat_dialog import SeatDialog

    dress(QApplication.instance())

    def make(plan):
        dialog = SeatDialog(plan, path)
        qtbot.addWidget(dialog)
        return dialog

    return make


def test_the_same_plan_is_taken_up_without_a_word(dialog_of, path):
    assert dialog_of(PLAN).taken_up.text() == ""
    # Read from its file a plan is the same; what is measured anew may round otherwise within a sentence.
    again = dialog_of(replace(PLAN, apex_mm=10.01, broken=("canal: 0.87 mm, margin 2 mm: breaks the margin",)))
    assert again.taken_up.isHidden()
    assert [entry.kind for entry in read_record(path, 36).entries] == [Kind.STARTED]


def test_a_plan_that_was_changed_while_the_fixture_is_in_is_told(dialog_of, path):
    record = add_entry(path, Record(36, ()), Entry(Kind.STARTED, plan=PLAN))
    add_entry(path, record, Entry(Kind.TURNED_BY_HAND, turns=3.0))
    dialog = dialog_of(OTHER)
    said = dialog.taken_up.text()
    assert said.startswith("STOP. The plan was changed")
    assert "fixture, planned depth, torques, settings of the ratchet" in said
    assert "any-4.0x10, apex at 10.0 mm" in said
    assert not dialog.taken_up.isHidden()
    # What can be pressed belongs to the plan that is followed, not to the one in the window.
    assert dialog.plan.fixture == "any-4.0x10"
    assert dialog._torques() == PLAN.settings_Ncm
    assert len(read_record(path, 36).entries) == 2


def test_another_fixture_is_placed_where_the_guide_waited_for_it(dialog_of, path):
    record = add_entry(path, Record(36, ()), Entry(Kind.STARTED, plan=PLAN))
    record = add_entry(path, record, Entry(Kind.TURNED_BY_HAND, turns=9.0))
    add_entry(path, record, Entry(Kind.MARK_AT_GUM, torque_Ncm=15.0))
    dialog = dialog_of(OTHER)
    assert "any-4.5x8 is placed from here on" in dialog.taken_up.text()
    kept = read_record(path, 36)
    assert kept.entries[-1].kind is Kind.REPLACED
    assert kept.state.plan.fixture == "any-4.5x8"
    # Its own broken margins are asked about anew.
    assert len(dialog.buttons) == 1


def test_what_differs_is_named():
    assert differing(PLAN, PLAN) == ()
    assert differing(PLAN, replace(PLAN, gum_mm=3.0)) == ("thickness of the gum",)
    assert differing(PLAN, replace(PLAN, broken=())) == ("margins that are not kept",)
