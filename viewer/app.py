"""The program: start Qt, dress it, show the window. Qt is loaded only after it is known that it can start here."""

import gc
import os
import sys
import traceback
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from viewer.texts import say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication

    from viewer.window import MainWindow

SWITCH_S = 0.0002
"""Workers give the interpreter back this often, so that a drag stays smooth: painting lets go of it at every line it
draws, and each time waits this long for it again while a worker has it (Python's own time is 5 ms)."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the window until it is closed; the entry of the script `siteplan-viewer`."""
    from viewer.start_check import why_not

    given = list(sys.argv[1:] if argv is None else argv)
    why = why_not()
    if why:
        print(f"siteplan: {why}", file=sys.stderr)
        return 1
    from PySide6.QtWidgets import QApplication

    from viewer import warming
    from viewer.giving_back import one_store
    from viewer.jobs import still_at_work
    from viewer.window import MainWindow

    one_store()
    sys.setswitchinterval(SWITCH_S)
    app = QApplication([sys.argv[0]])
    dress(app)
    window = MainWindow()
    sys.excepthook = partial(tell_of_error, window)
    window.show()
    warming.begin()
    if given:
        window.open(Path(given[0]))
    code = int(app.exec())
    sys.excepthook = sys.__excepthook__  # it holds the window
    take_apart(window)
    del window
    gc.collect()
    if still_at_work():  # taking the interpreter apart under a thread that is still in a library may crash
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    return code


def take_apart(window: "MainWindow") -> None:
    """Delete the window while Qt is whole: left to the end of the interpreter, its parts would go in any order."""
    from PySide6.QtCore import QCoreApplication, QEvent

    window.deleteLater()
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)


def tell_of_error(
    window: "MainWindow", kind: type[BaseException], error: BaseException, trace: TracebackType | None
) -> None:
    """What Qt calls for an error in the window's own code: without this a person would not learn of it."""
    sys.__excepthook__(kind, error, trace)
    place = traceback.extract_tb(trace)[-1:] if trace else []
    seen = (kind.__name__, *((one.filename, one.lineno) for one in place))
    if seen not in _told and not issubclass(kind, KeyboardInterrupt):
        _told.add(seen)  # once: a picture that cannot be drawn is drawn again and again
        window.tell_of_error(say("error.inside", what=kind.__name__))


_told: set[tuple[object, ...]] = set()


def dress(app: "QApplication") -> None:
    """The program's name and the look that fits the system's own."""
    from PySide6.QtCore import Qt
    from PySide6.QtGui import QGuiApplication

    from viewer import style

    app.setApplicationName("siteplan")
    dark = QGuiApplication.styleHints().colorScheme() is Qt.ColorScheme.Dark
    style.apply(app, style.DARK if dark else style.LIGHT)
