"""What stands beside the section and under the arch: depths on the section's own scale, sites under their teeth."""

import json
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QPointF, Qt
from PySide6.QtTest import QTest

from siteplan.case.model import WIDEST_OPENING_MM
from tests.viewer.hands import MEASURED_MS, settle
from viewer.depth_view import _outline
from viewer.labels import spread
from viewer.texts import say

pytestmark = pytest.mark.display


def aligned(window: object) -> None:
    """The tip stands at one height in both pictures: once from the plan's own points, once as a measured depth."""
    section, beside = window.space.section, window.space.by_depth
    scale = beside.scale()
    placed = window.desk.measured[window.desk.tooth].site.placed
    both = ((section.handle_px("platform"), placed.platform_depth_mm), (section.handle_px("tip"), placed.apex_depth_mm))
    for handle, depth in both:
        there = beside.mapFromGlobal(section.mapToGlobal(handle)).y()
        assert scale.y(depth) == pytest.approx(there, abs=0.5)


def test_depths_lie_on_the_scale_of_the_section(opened, qtbot):
    space = opened.space
    for key, question in ((Qt.Key.Key_Q, "bone"), (Qt.Key.Key_Q, "near"), (Qt.Key.Key_Q, "drill")):
        QTest.keyClick(opened, key)
        assert space.answers.present == question
        assert space.beside.currentWidget() is space.by_depth
        qtbot.wait(30)
        aligned(opened)
    space.section.zoom(1.6)
    opened.desk.tilt(4.0)
    settle(opened, qtbot)
    aligned(opened)
    scale, glass = space.by_depth.scale(), space.section.glass()
    steps = opened.desk.measured[35].site.placed.preparation.steps
    assert len(space.by_depth.depths.lanes) == len(steps) > 0
    for lane, step in zip(space.by_depth.depths.lanes, steps, strict=True):
        box = _outline(lane, 100.0, scale).boundingRect()
        assert box.width() == pytest.approx(step.drill.diameter_mm * glass.scale, rel=1e-6)
        assert f"{step.tip_below_bone_mm:.1f}" in lane.tip
    QTest.keyClick(opened, Qt.Key.Key_Q, Qt.KeyboardModifier.ShiftModifier)
    found = {c.structure: c for c in opened.desk.measured[35].clearances}
    canal = next(gap for gap in space.by_depth.depths.gaps if "mandibular canal" in gap.words)
    assert canal.gap_mm == found["mandibular canal"].distance.value
    assert canal.limit_mm == found["mandibular canal"].margin.value_mm
    QTest.keyClick(opened, Qt.Key.Key_A)
    assert not space.beside.isVisible()  # an axial picture has no depth


def test_sites_stand_under_their_teeth(opened, qtbot):
    strip, cards = opened.space.strip, opened.space.cards
    qtbot.waitUntil(lambda: strip.panorama is not None, timeout=MEASURED_MS)
    lefts = []
    for site in strip.sites:
        tooth = (strip._ends(site)[0] + strip._ends(site)[1]).x() / 2
        card = cards.cards[site.tooth].geometry()
        there = cards.mapFromGlobal(strip.mapToGlobal(QPointF(tooth, 0.0))).x()
        assert abs(card.center().x() - there) <= card.width()
        lefts.append(card)
    assert not lefts[0].intersects(lefts[1])
    # The patient's left lies on the right, as when facing a person, so 37 stands to the right of 35.
    assert cards.cards[35].geometry().right() < cards.cards[37].geometry().left()


def test_room_above_a_site_goes_before_the_mouth_opening(opened, qtbot, monkeypatch):
    from viewer import actions

    asked = []

    def answer(*given: object) -> tuple[float, bool]:
        asked.append(given)
        return 24.0, True

    monkeypatch.setattr(actions.QInputDialog, "getDouble", answer)
    QTest.keyClick(opened, Qt.Key.Key_H, Qt.KeyboardModifier.ControlModifier)
    assert asked[0][5] == WIDEST_OPENING_MM
    assert opened.desk.entry.free_height_mm == 24.0
    settle(opened, qtbot)
    step = opened.desk.measured[35].site.placed.preparation.steps[0]
    assert step.handpiece.opening.height_mm == 24.0
    assert step.handpiece.opening.at_site
    QTest.keyClick(opened, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert opened.desk.entry.free_height_mm is None


def test_a_second_report_says_which_former_files_went(opened, qtbot, tmp_path):
    """The folder then holds fewer sites; what was taken away is said, and only the new report's files are left."""
    actions, folder = opened.actions_, tmp_path / "out"
    actions.reporting.write(folder)
    qtbot.waitUntil(lambda: actions.last_report is not None, timeout=6 * MEASURED_MS)
    assert opened.space.told.text() == say("report.done", place="report.html")
    opened.desk.choose(37)
    QTest.keyClick(opened, Qt.Key.Key_Delete)
    settle(opened, qtbot)
    actions.last_report = None
    actions.reporting.write(folder)
    qtbot.waitUntil(lambda: actions.last_report is not None, timeout=6 * MEASURED_MS)
    assert "earlier report removed" in opened.space.told.text()
    assert {site["tooth"] for site in json.loads((folder / "findings.json").read_text())["sites"]} == {35}
    assert not [p.name for p in folder.rglob("*37*")]


@given(st.lists(st.floats(-200.0, 1500.0), min_size=1, max_size=8))
@settings(max_examples=100, deadline=None)
def test_plates_keep_apart_and_stay_where_they_can(wanted):
    """Closed form: never nearer than a step, never outside where there is room, and untouched where nothing presses."""
    wanted = sorted(wanted)
    step, low, high = 110.0, 8.0, 1000.0
    placed = spread(wanted, step, low, high)
    assert all(b - a >= step - 1e-6 for a, b in pairwise(placed))
    assert all(low - 1e-6 <= x <= high + 1e-6 for x in placed)
    if all(b - a >= step for a, b in pairwise(wanted)) and low <= wanted[0] and wanted[-1] <= high:
        assert placed == pytest.approx(wanted)


def test_a_removed_site_leaves_no_number_on_the_screen(opened, qtbot):
    for tooth in (37, 35):
        opened.desk.choose(tooth)
        QTest.keyClick(opened, Qt.Key.Key_Delete)
    qtbot.wait(400)
    space = opened.space
    assert not space.cards.cards
    assert space.section.cut is None
    assert space.section.numbers.leader is None
    assert space.section.handle_px("tip") is None
    assert space.film.frames == []
    assert space.by_depth.depths is None
    QTest.keyClick(opened, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: space.section.handle_px("tip") is not None, timeout=MEASURED_MS)
    settle(opened, qtbot)
    assert space.section.numbers.leader is not None


def test_a_hand_at_rest_ends_with_the_sharp_section(opened, monkeypatch):
    """On a slow machine the quick section is still on its way when the hand has rested: it must not be the last."""
    from viewer import desk_asks

    desk, sharp = opened.desk, []
    monkeypatch.setattr(desk_asks, "make_cut", lambda request: sharp.append(request.smooth))
    monkeypatch.setattr(desk.channels["cut"], "ask", lambda work, **_how: work(None))
    desk.step(1.0)
    assert sharp == [False]
    desk._at_rest()
    assert sharp == [False, True]
