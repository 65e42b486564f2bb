"""States that are rarely seen: ZIP, dropped folder, media that cannot be written, two windows, a crash."""

import json
import os
import signal
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QMimeData, QPointF, Qt, QTimer, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMessageBox, QPushButton

from siteplan.case import load_case
from tests.viewer.hands import MEASURED_MS, settle
from viewer.texts import say

pytestmark = pytest.mark.display


def _drop(window, path: Path) -> None:
    """What the system sends when something is dragged onto a window and let go there."""
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(path))])
    place, copy, none = QPointF(200, 200), Qt.DropAction.CopyAction, Qt.KeyboardModifier.NoModifier
    enter = QDragEnterEvent(place, copy, mime, Qt.MouseButton.LeftButton, none)
    QApplication.sendEvent(window, enter)
    assert enter.isAccepted()
    QApplication.sendEvent(window, QDropEvent(place, copy, mime, Qt.MouseButton.LeftButton, none))


def _answer(words: str, seen: list[str]) -> None:
    """Press the button with these words in the question that is on the screen, as soon as it is there."""

    def press() -> None:
        box = QApplication.activeModalWidget()
        if not isinstance(box, QMessageBox):
            QTimer.singleShot(100, press)
            return
        seen.append(box.text())
        button = next(b for b in box.findChildren(QPushButton) if b.text() == words)
        QTest.mouseClick(button, Qt.MouseButton.LeftButton)

    QTimer.singleShot(100, press)


def test_a_dropped_folder_and_a_dropped_zip_hold_the_same_scan(window, sample, tmp_path, qtbot, shoot):
    series = sample.parent / "series"
    packed = tmp_path / "scan.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for file in sorted(series.iterdir()):
            archive.write(file, f"somewhere/{file.name}")
    _drop(window, series)
    assert window.pages.currentWidget() is window.loading
    shoot(window, "40_loading")
    qtbot.waitUntil(lambda: window.desk.session is not None, timeout=MEASURED_MS)
    folder_scan = window.desk.session.scan
    _drop(window, packed)
    qtbot.waitUntil(lambda: window.desk.session.scan is not folder_scan, timeout=MEASURED_MS)
    assert np.array_equal(window.desk.session.scan.voxels, folder_scan.voxels)
    assert window.desk.session.plan.sites == []
    qtbot.waitUntil(lambda: not window.actions_.adding.finder.busy, timeout=MEASURED_MS)
    shoot(window, "41_zip")


def test_media_that_cannot_be_written(window, sample, tmp_path, qtbot, monkeypatch, shoot):
    """The state folder lies below a file, so that nobody can write it; the case's folder refuses as a CD does."""
    from viewer import session as session_module
    from viewer import window as window_module

    (tmp_path / "no-folder").write_text("")
    monkeypatch.setenv("SITEPLAN_STATE", str(tmp_path / "no-folder" / "state"))
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    window.open(sample)
    qtbot.waitUntil(lambda: window.desk.entry is not None and window.desk.library is not None, timeout=MEASURED_MS)
    settle(window, qtbot)
    QTest.keyClick(window, Qt.Key.Key_Right)
    window.desk.session.recovery.flush()
    window._show_state()
    assert "kept safe in" in window.space.state.text()
    elsewhere = window.desk.session.recovery.file
    assert elsewhere.exists()
    assert str(elsewhere).startswith(str(tmp_path))

    really = session_module.save_case

    def refuse(case, target):
        if target.parent == sample.parent:
            from siteplan.errors import OutputError

            raise OutputError(f"{target.name}: this place cannot be written (read-only file system).")
        return really(case, target)

    other = tmp_path / "other" / "case.json"
    other.parent.mkdir()
    monkeypatch.setattr(session_module, "save_case", refuse)
    monkeypatch.setattr(window_module.QFileDialog, "getSaveFileName", lambda *_a, **_k: (str(other), ""))
    seen: list[str] = []
    _answer(say("save.elsewhere"), seen)
    QTest.keyClick(window, Qt.Key.Key_S, Qt.KeyboardModifier.ControlModifier)
    assert "read-only file system" in seen[0]
    assert not window.desk.session.unsaved
    assert not elsewhere.exists()
    kept = load_case(other)
    assert kept.case.sites[0] == window.desk.plan.sites[0]
    assert kept.series_path.resolve() == (sample.parent / "series").resolve()


CHILD = """
import sys
from pathlib import Path
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication
from tests.viewer.hands import rest
from viewer.app import dress
from viewer.window import MainWindow
app = QApplication(["other"])
dress(app)
window = MainWindow()
window.show()
window.open(Path(sys.argv[1]))
while window.desk.entry is None or window.desk.library is None or window.space.section.plane() is None:
    rest(50)
window.activateWindow()
rest(200)
window.desk.nudge(0.5, 0.0)
window.desk.session.recovery.flush()
print("changed", window.desk.plan.sites[0].crest_mm, flush=True)
rest(120_000)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="a process is ended otherwise there")
def test_two_windows_are_warned_of_and_a_crash_leaves_a_choice(window, sample, root, qtbot, state_folder, shoot):
    env = {**os.environ, "SITEPLAN_STATE": str(state_folder)}
    other = subprocess.Popen([sys.executable, "-c", CHILD, str(sample)], cwd=root, env=env, stdout=subprocess.PIPE,
                             text=True)  # fmt: skip
    try:
        assert other.stdout is not None
        assert other.stdout.readline().startswith("changed")
        seen: list[str] = []
        _answer(say("open.locked-stop"), seen)
        window.open(sample)
        qtbot.waitUntil(lambda: bool(seen), timeout=MEASURED_MS)
        qtbot.waitUntil(lambda: window.pages.currentWidget() is window.start, timeout=MEASURED_MS)
        assert "this computer" in seen[0]
        assert window.desk.session is None
    finally:
        other.send_signal(signal.SIGKILL)
        other.wait(30)
    before = load_case(sample).case.sites[0]
    seen.clear()
    window._show_start()
    assert window.start.recovered_list.count() == 1
    shoot(window, "42_recovered")
    _answer(say("open.recovered-take"), seen)
    window.open(sample)
    qtbot.waitUntil(lambda: window.desk.session is not None, timeout=MEASURED_MS)
    assert "ended before" in seen[0]
    moved = np.subtract(window.desk.plan.sites[0].crest_mm, before.crest_mm)
    assert np.linalg.norm(moved) == pytest.approx(0.5, abs=0.01)
    assert window.desk.session.unsaved
    assert json.loads(sample.read_text())["sites"][0]["crest_mm"] == list(before.crest_mm)  # the file is as it was
    qtbot.waitUntil(lambda: window.desk.library is not None, timeout=MEASURED_MS)
    settle(window, qtbot)
