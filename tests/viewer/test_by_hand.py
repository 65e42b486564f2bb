"""Hand measurements, the arch, and the whole job by keys alone, with real mouse and key events."""

import json
import shutil

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QInputDialog

from siteplan.case import load_case
from siteplan.report.plane import Plane
from tests.viewer.hands import MEASURED_MS, awake, drag, rest, settle
from viewer.hand import value_of
from viewer.texts import say

pytestmark = pytest.mark.display

CTRL = Qt.KeyboardModifier.ControlModifier


def _click(section, at: QPoint) -> None:
    QTest.mouseMove(section, at)
    QTest.mouseClick(section, Qt.MouseButton.LeftButton, pos=at)


def test_every_tool_by_clicks(opened, qtbot, shoot):
    section, desk = opened.space.section, opened.desk
    scan, middle = desk.session.scan, section.rect().center()
    scale = section.glass().scale

    QTest.mouseClick(opened.space.tool_buttons["angle"], Qt.MouseButton.LeftButton)
    for at in (middle + QPoint(60, 0), middle, middle + QPoint(0, 60)):
        _click(section, at)
    angle = desk.plan.marks[-1]
    assert value_of(angle, scan).value == pytest.approx(90.0, abs=0.05)  # closed form: pixels at right angles

    QTest.mouseClick(opened.space.tool_buttons["circle"], Qt.MouseButton.LeftButton)
    radius = round(2 * scale)
    _click(section, middle)
    _click(section, middle + QPoint(radius, 0))
    found = value_of(desk.plan.marks[-1], scan)
    # The picture itself is the outside truth: the mean of its own samples in the same circle.
    cut = section.cut.section
    u, v = section.glass().to_mm(middle.toPointF())
    inside = np.hypot(cut.u_mm[None] - u, cut.v_mm[:, None] - v) < radius / scale
    assert found.value == pytest.approx(float(np.nanmean(cut.grey[inside])), abs=0.35 * found.sd)

    QTest.mouseClick(opened.space.tool_buttons["line"], Qt.MouseButton.LeftButton)
    _click(section, middle)
    _click(section, middle + QPoint(0, round(5 * scale)))
    line = value_of(desk.plan.marks[-1], scan)
    row = np.interp(np.linspace(v - 5, v, 60), cut.v_mm, cut.grey[:, int(np.argmin(np.abs(cut.u_mm - u)))])
    assert line.value == pytest.approx(float(row.mean()), abs=0.35 * line.sd)

    def write() -> None:
        box = QApplication.activeModalWidget()
        assert isinstance(box, QInputDialog)
        QTest.keyClicks(box.focusWidget(), "thin here")
        QTest.keyClick(box, Qt.Key.Key_Return)

    QTest.mouseClick(opened.space.tool_buttons["note"], Qt.MouseButton.LeftButton)
    QTimer.singleShot(400, write)
    _click(section, middle + QPoint(-80, -40))
    assert desk.plan.marks[-1].text == "thin here"
    shoot(opened, "50_by_hand")
    assert [m.kind for m in desk.plan.marks] == ["angle", "circle", "line", "note"]
    awake(opened, qtbot)
    for left in (3, 2, 1, 0):
        QTest.keyClick(opened, Qt.Key.Key_Z, CTRL)
        assert len(desk.plan.marks) == left


def test_a_hand_measurement_by_keys(opened):
    section, desk = opened.space.section, opened.desk
    QTest.keyClick(opened, Qt.Key.Key_1)
    QTest.keyClick(section, Qt.Key.Key_Right)
    QTest.keyClick(section, Qt.Key.Key_Return)
    for _ in range(4):
        QTest.keyClick(section, Qt.Key.Key_Up, Qt.KeyboardModifier.ShiftModifier)
    QTest.keyClick(section, Qt.Key.Key_Return)
    (mark,) = desk.plan.marks
    assert float(np.linalg.norm(np.subtract(*mark.points_mm))) == pytest.approx(10.0, abs=1e-3)  # four steps of 2.5 mm


def test_arch_is_corrected_by_dragging_and_by_keys(opened, qtbot, shoot):
    adding, arch, desk = opened.actions_.adding, opened.space.arch, opened.desk
    qtbot.waitUntil(lambda: len(adding.arch_points) >= 3 and arch.section is not None, timeout=MEASURED_MS)
    qtbot.waitUntil(lambda: not desk.channels["strip"].busy and not adding.axial.busy, timeout=MEASURED_MS)
    QTest.keyClick(opened, Qt.Key.Key_A)
    assert opened.space.stage.currentWidget() is arch
    rest(100)
    before, panorama = adding.arch_points.copy(), opened.space.strip.panorama
    chosen = len(before) // 2
    start = arch.to_px(before[chosen]).toPoint()
    pixels = round(3 * arch.glass().scale)
    drag(arch, start, start + QPoint(0, pixels))
    kept = np.array(desk.plan.arch("lower"))
    moved = kept[chosen] - before[chosen]
    # Down on an axial picture is towards the back of the patient: +y in LPS.
    assert moved[1] == pytest.approx(pixels / arch.glass().scale, abs=1.0 / arch.glass().scale)
    assert abs(moved[2]) < 1e-9
    assert np.delete(kept, chosen, 0) == pytest.approx(np.delete(before, chosen, 0), abs=1e-3)
    qtbot.waitUntil(lambda: opened.space.strip.panorama is not panorama, timeout=MEASURED_MS)
    shoot(opened, "51_arch")
    QTest.keyClick(opened, Qt.Key.Key_Period)
    QTest.keyClick(opened, Qt.Key.Key_Right)
    assert desk.plan.arch("lower")[0][0] - kept[0][0] == pytest.approx(0.5, abs=1e-3)
    QTest.keyClick(opened, Qt.Key.Key_Z, CTRL)
    QTest.keyClick(opened, Qt.Key.Key_Z, CTRL)
    assert desk.plan.arch("lower") == ()
    assert np.allclose(arch.points, before)
    QTest.keyClick(opened, Qt.Key.Key_A)
    assert opened.space.stage.currentWidget() is opened.space.section


def test_the_whole_job_by_keys_alone(window, sample, root, qtbot, monkeypatch, shoot):
    """From the start page to a report: no mouse at all. Dialogues of the system are answered as they would be."""
    from viewer import actions
    from viewer import window as window_module

    truth = json.loads(sample.with_name("truth.json").read_text())
    canal = next(s for s in json.loads((root / "sample_volumes/lower_jaw/case.json").read_text())["structures"]
                 if s["kind"] == "canal")  # fmt: skip
    series, out = sample.parent / "series", sample.parent
    for file in (*sample.parent.glob("case*"),):
        file.unlink()
    monkeypatch.setattr(window_module.QFileDialog, "getExistingDirectory", lambda *_a, **_k: str(series))
    monkeypatch.setattr(window_module.QFileDialog, "getSaveFileName", lambda *_a, **_k: (str(out / "case.json"), ""))
    monkeypatch.setattr(actions.QFileDialog, "getExistingDirectory", lambda *_a, **_k: str(out))
    window.start.folder_button.setFocus()
    QTest.keyClick(window.start.folder_button, Qt.Key.Key_Space)
    desk, arch = window.desk, window.space.arch
    qtbot.waitUntil(lambda: desk.library is not None and arch.section is not None, timeout=MEASURED_MS)
    qtbot.waitUntil(lambda: not window.actions_.adding.finder.busy, timeout=MEASURED_MS)
    qtbot.waitUntil(lambda: not window.actions_.adding.axial.busy, timeout=MEASURED_MS)

    QTest.keyClick(window, Qt.Key.Key_P, CTRL)  # the canal first, so that the proposal of a place can heed it
    qtbot.waitUntil(lambda: bool(desk.plan.proposals), timeout=MEASURED_MS)
    QTest.keyClick(window, Qt.Key.Key_Return, CTRL)
    assert desk.plan.case.structures[0].made_by == "confirmed"
    assert canal["points_mm"]

    def type_tooth() -> None:
        QTest.keyClicks(QApplication.activeModalWidget(), "36")

    QTimer.singleShot(500, type_tooth)
    QTest.keyClick(window, Qt.Key.Key_N, CTRL)
    assert window.actions_.adding.wanted == 36
    awake(window, qtbot)
    qtbot.waitUntil(lambda: not window.actions_.adding.axial.busy, timeout=MEASURED_MS)
    goal = np.array(
        next(s for s in truth["sites"] if s.get("tooth", 36) == 36 or "36" in str(s.get("name")))["crest_mm"]
    )
    plane: Plane = arch.section.plane
    glass = arch.glass()
    u, v, _ = plane.from_lps(goal)
    QTest.keyClick(arch, Qt.Key.Key_Return)  # the first press shows the pointer
    across, up = round((u - glass.centre_u_mm) / 0.5), round((v - glass.centre_v_mm) / 0.5)
    for count, key in ((across, (Qt.Key.Key_Left, Qt.Key.Key_Right)), (up, (Qt.Key.Key_Down, Qt.Key.Key_Up))):
        for _ in range(abs(count)):
            QTest.keyClick(arch, key[count > 0])
    shoot(window, "52_keys_place")
    QTest.keyClick(arch, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: bool(desk.plan.sites), timeout=MEASURED_MS)
    settle(window, qtbot)
    placed = np.array(desk.entry.crest_mm)
    assert np.linalg.norm((placed - goal)[:2]) < 3.0
    first = desk.entry
    QTest.keyClick(window, Qt.Key.Key_Right)
    assert desk.entry != first
    QTest.keyClick(window, Qt.Key.Key_P)
    undo = say("did.propose", tooth=36)
    qtbot.waitUntil(lambda: desk.session.undo_words == undo, timeout=MEASURED_MS)
    settle(window, qtbot)
    shoot(window, "53_keys_proposed")
    canal_gap = next(c for c in desk.measured[36].clearances if c.kind == "canal")
    assert canal_gap.distance.value > canal_gap.margin.value_mm  # what is proposed keeps the margins
    QTest.keyClick(window, Qt.Key.Key_S, CTRL)
    assert load_case(out / "case.json").case.sites[0] == desk.entry
    QTest.keyClick(window, Qt.Key.Key_R, CTRL)
    qtbot.waitUntil(lambda: window.actions_.last_report is not None, timeout=180_000)
    assert (out / "report" / "report.html").exists() or (out / "report.html").exists()
    shutil.rmtree(out / "report", ignore_errors=True)


def test_every_button_can_be_reached_by_the_tab_key(opened):
    """Everything that can be pressed takes the focus by Tab, or has a key of its own in the list of keys."""
    from PySide6.QtWidgets import QAbstractButton

    pressed = [b for b in opened.space.findChildren(QAbstractButton) if b.text() and b.isVisible()]
    assert len(pressed) > 25
    assert [b.text() for b in pressed if not b.focusPolicy() & Qt.FocusPolicy.TabFocus] == []
    seen, part = set(), opened.space.section
    part.setFocus()
    for _ in range(200):
        QTest.keyClick(QApplication.focusWidget(), Qt.Key.Key_Tab)
        seen.add(QApplication.focusWidget())
    wanted = {b for b in pressed if b.isEnabled()} | set(opened.space.cards.cards.values())
    assert [w.text() if hasattr(w, "text") else w.tooth for w in wanted - seen] == []
    assert all(b.toolTip() for b in pressed)
