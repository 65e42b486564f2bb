"""What tests of the window do with their hands, and how they wait."""

from PySide6.QtCore import QEvent, QEventLoop, QPoint, QPointF, Qt, QTimer
from PySide6.QtGui import QMouseEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QWidget

MEASURED_MS = 90_000
"""A full measurement of three sites takes seconds on two quiet cores; CI machines are busy ones."""

SOON_MS = 30_000
"""For what takes no time by itself, on a machine that is busy with other things."""


def rest(ms: int) -> None:
    """Let window and workers go on for a while; QTest.qWait of PySide6 6.12.0 keeps the interpreter to itself."""
    loop = QEventLoop()
    QTimer.singleShot(ms, loop.quit)
    loop.exec()


def settle(window: QWidget, qtbot: object) -> None:
    """Wait until every picture and number is in."""

    def ready() -> bool:
        desk = window.desk
        sites = desk.plan.sites
        full = all(e.tooth in desk.measured and not desk.measured[e.tooth].quick for e in sites)
        fresh = not any(desk._stale(e) for e in sites)
        return full and fresh and not desk.busy

    QApplication.processEvents()
    qtbot.waitUntil(ready, timeout=MEASURED_MS)


def awake(window: QWidget, qtbot: object) -> None:
    """Give the window the keys back after a dialogue: under Xvfb no window manager does it."""
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=SOON_MS)


def drag(widget: QWidget, start: QPoint, stop: QPoint, *, button: Qt.MouseButton = Qt.MouseButton.LeftButton) -> None:
    """Press, move in steps, release: what a hand does."""
    QTest.mouseMove(widget, start)
    QTest.mousePress(widget, button, pos=start)
    for share in (0.25, 0.5, 0.75, 1.0):
        at = start + (stop - start) * share
        move(widget, at, button)
        rest(20)
    QTest.mouseRelease(widget, button, pos=stop)


def move(widget: QWidget, at: QPoint, button: Qt.MouseButton) -> None:
    """A move with the button held: QTest.mouseMove forgets the button."""
    place = QPointF(at)
    event = QMouseEvent(
        QEvent.Type.MouseMove, place, widget.mapToGlobal(place), Qt.MouseButton.NoButton, button,
        Qt.KeyboardModifier.NoModifier,
    )  # fmt: skip
    QApplication.sendEvent(widget, event)
