"""The window with real mouse and key events: open, look, drag, undo, change, measure by hand, share, recover."""

from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QDropEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from siteplan.case import load_case
from siteplan.case.tooth import jaw_of
from tests.viewer.hands import MEASURED_MS, SOON_MS, drag, move, settle
from viewer import edits
from viewer.look import Tissue
from viewer.plan import HandMark
from viewer.section_words import side_words
from viewer.texts import say

pytestmark = pytest.mark.display


def test_first_sight_says_what_to_do(window, shoot):
    shoot(window, "01_start")
    assert window.start.folder_button.isVisible()
    assert say("start.untouched") in [label.text() for label in window.start.findChildren(type(window.space.title))]


def test_drop_opens_a_case(window, sample, qtbot, shoot):
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(sample))])
    event = QDropEvent(QPointF(50, 50), Qt.DropAction.CopyAction, mime, Qt.MouseButton.LeftButton,
                       Qt.KeyboardModifier.NoModifier)  # fmt: skip
    window.dropEvent(event)
    qtbot.waitUntil(lambda: window.desk.session is not None, timeout=MEASURED_MS)
    settle(window, qtbot)
    shoot(window, "03_case")
    assert list(window.space.cards.cards) == [35, 37]
    assert "Invented patient" in window.space.title.text()


def test_numbers_on_screen_are_those_of_the_library(opened):
    from siteplan.assessment import assess
    from siteplan.scan import read_scan

    case = load_case(opened.desk.session.path)
    findings = assess(read_scan(case.series_path), case)
    for site in findings.sites:
        shown = {c.structure: c.distance.value for c in opened.desk.measured[site.entry.tooth].site.clearances}
        assert shown == {c.structure: c.distance.value for c in site.clearances}


def test_drag_moves_fixture_and_numbers_follow(opened, qtbot, shoot):
    section, desk = opened.space.section, opened.desk
    before = desk.entry
    number = opened.space.cards.cards[35].number_text()
    body = (section.handle_px("platform") + section.handle_px("tip")) / 2
    scale = section.glass().scale
    plane = section.plane()
    drag(section, body.toPoint(), body.toPoint() + QPoint(round(1.5 * scale), 0))
    after = desk.entry
    moved = plane.from_lps(edits.platform_of(after)) - plane.from_lps(edits.platform_of(before))
    assert moved[0] == pytest.approx(round(1.5 * scale) / scale, abs=0.03)  # one pixel is about 0.08 mm
    assert abs(moved[1]) < 0.03
    assert abs(moved[2]) < 1e-3
    settle(opened, qtbot)
    shoot(opened, "05_after_drag")
    assert opened.space.cards.cards[35].number_text() != number
    assert desk.session.unsaved


def test_in_the_hand_numbers_look_like_estimates(opened, qtbot, shoot):
    section, desk = opened.space.section, opened.desk
    body = ((section.handle_px("platform") + section.handle_px("tip")) / 2).toPoint()
    QTest.mouseMove(section, body)
    QTest.mousePress(section, Qt.MouseButton.LeftButton, pos=body)
    for step in range(1, 8):
        move(section, body + QPoint(step * 3, 0), Qt.MouseButton.LeftButton)
        qtbot.wait(30)
    qtbot.waitUntil(lambda: desk.measured[35].quick, timeout=SOON_MS)
    qtbot.waitUntil(lambda: "about" in opened.space.answers.questions["fits"].text(), timeout=SOON_MS)
    shoot(opened, "04_in_hand")
    assert opened.space.cards.cards[35].number_text().startswith("about")
    assert opened.space.answers.questions["drill"].text() == say("drill.moving")
    QTest.mouseRelease(section, Qt.MouseButton.LeftButton, pos=body + QPoint(21, 0))
    settle(opened, qtbot)
    assert not opened.space.cards.cards[35].number_text().startswith("about")


@pytest.mark.parametrize("which", ["tip", "platform"])
def test_tilt_keeps_the_other_end(opened, which):
    section, desk = opened.space.section, opened.desk
    length = desk.fixture.length_mm
    ends = {"platform": edits.platform_of(desk.entry), "tip": edits.tip_of(desk.entry, length)}
    handle = section.handle_px(which).toPoint()
    drag(section, handle, handle + QPoint(25, 0))
    after = {"platform": edits.platform_of(desk.entry), "tip": edits.tip_of(desk.entry, length)}
    other = "platform" if which == "tip" else "tip"
    assert np.linalg.norm(after[other] - ends[other]) < 2e-3
    assert np.linalg.norm(after[which] - ends[which]) > 1.0
    assert np.linalg.norm(after["tip"] - after["platform"]) == pytest.approx(length, abs=1e-3)


def test_undo_and_redo_of_everything(opened, qtbot):
    desk = opened.desk
    states = [desk.plan]
    QTest.keyClick(opened, Qt.Key.Key_Right)
    states.append(desk.plan)
    QTest.keyClick(opened, Qt.Key.Key_Left, Qt.KeyboardModifier.AltModifier)
    states.append(desk.plan)
    QTest.keyClick(opened, Qt.Key.Key_E)
    states.append(desk.plan)
    QTest.keyClick(opened, Qt.Key.Key_Delete)
    states.append(desk.plan)
    assert len({id(s) for s in states}) == 5
    assert [e.tooth for e in desk.plan.sites] == [37]
    for wanted in states[-2::-1]:
        QTest.keyClick(opened, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
        assert desk.plan == wanted
    assert not opened.space.undo_button.isEnabled()
    for wanted in states[1:]:
        QTest.keyClick(opened, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier)
        assert desk.plan == wanted


def test_fixture_by_keys(opened):
    desk = opened.desk
    first = desk.fixture
    QTest.keyClick(opened, Qt.Key.Key_E)
    assert desk.fixture.length_mm > first.length_mm
    assert desk.fixture.family == first.family
    QTest.keyClick(opened, Qt.Key.Key_W)
    assert desk.fixture.outer_diameter_mm > first.outer_diameter_mm


def test_step_and_turn(opened, qtbot, shoot):
    desk, section = opened.desk, opened.space.section
    QTest.keyClick(opened, Qt.Key.Key_Period)
    QTest.keyClick(opened, Qt.Key.Key_Period)
    assert desk.look.offset_mm == 1.0
    settle(opened, qtbot)
    gone = section.plane().origin_lps_mm - desk.entry.frame().origin_lps_mm
    assert float(np.linalg.norm(gone)) == pytest.approx(1.0, abs=0.1)  # a site beside the arch goes more or less far
    assert float(gone @ desk.entry.frame().distal) > 0.9
    for _ in range(2):
        QTest.keyClick(opened, Qt.Key.Key_Comma)  # back: further along, the picture is turned with the arch
    for _ in range(18):
        QTest.keyClick(opened, Qt.Key.Key_BracketRight)
    settle(opened, qtbot)
    shoot(opened, "06_turned")
    assert desk.look.turn_deg == 90.0
    assert abs(float(section.plane().right @ desk.entry.frame().distal)) == pytest.approx(1.0, abs=1e-9)


def test_window_by_drag_and_by_tissue(opened):
    section = opened.space.section
    before = section.window_grey
    middle = section.rect().center()
    drag(section, middle, middle + QPoint(80, 0), button=Qt.MouseButton.RightButton)
    assert section.window_grey.high - section.window_grey.low > before.high - before.low
    QTest.keyClick(opened, Qt.Key.Key_2, Qt.KeyboardModifier.AltModifier)
    assert section.window_grey == opened.desk.presets[Tissue.SOFT]


def test_distance_by_hand(opened, shoot):
    section, desk = opened.space.section, opened.desk
    QTest.keyClick(opened, Qt.Key.Key_1)
    start = section.rect().center()
    pixels = round(10 * section.glass().scale)
    for at in (start, start + QPoint(0, -pixels)):
        QTest.mouseMove(section, at)
        QTest.mouseClick(section, Qt.MouseButton.LeftButton, pos=at)
    (mark,) = desk.plan.marks
    length = float(np.linalg.norm(np.subtract(*mark.points_mm)))
    assert length == pytest.approx(pixels / section.glass().scale, abs=1e-3)
    shoot(opened, "07_distance")
    QTest.keyClick(opened, Qt.Key.Key_Backspace)
    assert desk.plan.marks == ()


def test_scan_and_lines_can_be_hidden_and_shown(opened, shoot):
    QTest.keyClick(opened, Qt.Key.Key_H)
    assert not opened.space.section.show_overlays
    shoot(opened, "08_no_lines")
    QTest.keyClick(opened, Qt.Key.Key_H)
    assert opened.space.section.show_overlays


def test_every_question_opens(opened, shoot):
    for name, view in opened.space.answers.questions.items():
        if not view.is_open:
            QTest.mouseClick(view.head, Qt.MouseButton.LeftButton)
        assert view.is_open
        assert view.answer.rows
        shoot(opened, f"09_question_{name}")


def test_dark(opened, shoot):
    QTest.keyClick(opened, Qt.Key.Key_L, Qt.KeyboardModifier.ControlModifier)
    shoot(opened, "10_dark")
    QTest.keyClick(opened, Qt.Key.Key_L, Qt.KeyboardModifier.ControlModifier)


def test_patient_is_shown_and_can_be_hidden(opened):
    section = opened.space.section
    assert "Invented patient" in section.identity
    QTest.keyClick(opened, Qt.Key.Key_I, Qt.KeyboardModifier.ControlModifier)
    assert section.identity == ""
    assert "Invented" not in opened.space.title.text()
    assert "Invented" not in opened.windowTitle()


def test_save_writes_what_is_shown(opened):
    QTest.keyClick(opened, Qt.Key.Key_Right)
    opened.desk.session.change(
        opened.desk.plan.with_mark(HandMark("note", ((1.0, 2.0, 3.0),), "look here", 35)), "note"
    )
    QTest.keyClick(opened, Qt.Key.Key_S, Qt.KeyboardModifier.ControlModifier)
    path = opened.desk.session.path
    assert load_case(path).case.sites[0] == opened.desk.plan.sites[0]
    assert load_case(path).case.marks[0].text == "look here"
    assert not opened.desk.session.unsaved


def test_copy_leaves_the_patient_out(opened):
    QTest.keyClick(opened, Qt.Key.Key_C, Qt.KeyboardModifier.ControlModifier)
    image = QApplication.clipboard().image()
    assert image.width() == 2 * opened.space.section.width()
    from viewer.sharing import picture

    assert image == picture(opened, with_patient=False)
    assert image != picture(opened, with_patient=True)


def test_share_dialog(opened, tmp_path, shoot, monkeypatch):
    from viewer import sharing

    target = tmp_path / "one.png"
    monkeypatch.setattr(sharing.QFileDialog, "getSaveFileName", lambda *_a, **_k: (str(target), ""))
    dialog = sharing.ShareDialog(opened)
    dialog.show()
    shoot(dialog, "11_share")
    QTest.mouseClick(dialog.file_button, Qt.MouseButton.LeftButton)
    assert target.stat().st_size > 10_000
    dialog.close()


def test_too_far_out_says_so(opened, qtbot, shoot):
    """The hand can take the picture beyond the scan: it says so and invents nothing."""
    desk = opened.desk
    desk.put(edits.moved(desk.entry, [60.0, 0, 0]), "far away")
    qtbot.waitUntil(lambda: not desk.busy, timeout=MEASURED_MS)
    shoot(opened, "12_outside")
    assert opened.space.section.cut.section is None or np.isnan(opened.space.section.cut.section.grey).any()


def test_jaw_words(opened):
    assert jaw_of(opened.desk.tooth) == "lower"
    cut = opened.space.section.cut
    assert say("word.lingual") in side_words(cut.look, cut.plane, opened.desk.entry)


def test_wrong_place_is_a_sentence(window, tmp_path, qtbot, shoot):
    (tmp_path / "letter.txt").write_text("no scan")
    window.open(tmp_path)
    qtbot.waitUntil(lambda: window.pages.currentWidget() is window.problem, timeout=SOON_MS)
    shoot(window, "13_problem")
    assert window.problem.sentence.text().endswith(".")
    assert str(tmp_path) not in window.problem.sentence.text()


def test_recovered_work_gives_a_choice(window, sample, qtbot, monkeypatch, state_folder):
    from viewer.recovery import RecoveryFile
    from viewer.session import read_plan

    plan, file = read_plan(sample)
    changed = plan.with_site(edits.with_notes(plan.sites[0], "not saved yet"))
    keeper = RecoveryFile(file.path, file.folder)
    keeper.keep(changed)
    keeper.flush()
    asked = []
    monkeypatch.setattr(window, "ask", lambda title, text, answers: asked.append((title, answers)) or 0)
    window.open(sample)
    qtbot.waitUntil(lambda: window.desk.session is not None, timeout=MEASURED_MS)
    assert asked[0][0] == say("open.recovered-title")
    assert len(asked[0][1]) == 2
    assert window.desk.plan.sites[0].notes == "not saved yet"
    assert window.desk.session.unsaved
    settle(window, qtbot)


def test_second_window_is_warned(opened, sample, qtbot, monkeypatch):
    from viewer.lock import CaseLock

    assert CaseLock(sample).take() == "this computer"


def test_report_from_the_window(opened, tmp_path, qtbot, monkeypatch):
    from viewer import actions

    out = tmp_path / "out"
    monkeypatch.setattr(actions.QFileDialog, "getExistingDirectory", lambda *_a, **_k: str(out))
    QTest.mouseClick(opened.space.report_button, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: opened.actions_.last_report is not None, timeout=180_000)
    assert Path(opened.actions_.last_report).name == "report.html"
    assert (out / "findings.json").exists()


def test_pointer_is_shown_in_every_picture(opened, qtbot):
    film, section = opened.space.film, opened.space.section
    box, frame = film.boxes()[3], film.frames[3]
    middle = box.center().toPoint()
    QTest.mouseMove(film, middle)
    move(film, middle + QPoint(2, 0), Qt.MouseButton.NoButton)
    assert section._cross_lps is not None
    assert abs(frame.look.plane().from_lps(section._cross_lps)[2]) < 1e-9  # the place lies in that very section
    strip = opened.space.strip
    assert strip._cross is not None
    qtbot.waitUntil(lambda: strip.panorama is not None, timeout=MEASURED_MS)  # it needs the arch, which comes last
    move(strip, strip.picture_box().center().toPoint(), Qt.MouseButton.NoButton)
    assert strip.to_px(*strip.panorama.from_lps(section._cross_lps)[0][:2]).x() == pytest.approx(
        strip.picture_box().center().x(), abs=3.0
    )


def test_mouth_opening_is_asked_for_and_kept(opened, qtbot, monkeypatch):
    from viewer import actions

    monkeypatch.setattr(actions.QInputDialog, "getDouble", lambda *_a, **_k: (31.0, True))
    QTest.keyClick(opened, Qt.Key.Key_M, Qt.KeyboardModifier.ControlModifier)
    assert opened.desk.plan.checked_case().mouth_opening_mm == 31.0
    settle(opened, qtbot)
    card = opened.desk.measured[35].site.placed.preparation
    words = " ".join(step.access for step in card.steps)
    rows = " ".join(row.note for row in opened.space.answers.questions["drill"].answer.rows)
    assert words
    assert all(step.access in rows for step in card.steps)


def test_another_site_and_another_case_begin_in_the_middle(opened, sample, root, qtbot, shoot):
    section, desk = opened.space.section, opened.desk

    def aside() -> float:
        middle = (section.handle_px("platform") + section.handle_px("tip")) / 2 - section.rect().center().toPointF()
        return float(np.hypot(middle.x(), middle.y()))

    desk.choose(37)
    settle(opened, qtbot)
    assert aside() < 5.0
    desk.session._saved = desk.session._kept
    before = desk.session
    opened.open(root / "sample_volumes" / "upper_jaw" / "case.json")
    qtbot.waitUntil(lambda: desk.session is not before and desk.entry is not None, timeout=MEASURED_MS)
    settle(opened, qtbot)
    assert aside() < 5.0
