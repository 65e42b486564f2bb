"""The program: start Qt, dress it, show the window. Qt is loaded only after it is known that it can start here."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication

SWITCH_S = 0.001
"""Workers give the interpreter back this often: five times as often as usual, so that a drag stays smooth."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the window until it is closed; the entry of the script `siteplan-viewer`."""
    from viewer.start_check import why_not

    given = list(sys.argv[1:] if argv is None else argv)
    why = why_not()
    if why:
        print(f"siteplan: {why}", file=sys.stderr)
        return 1
    from PySide6.QtWidgets import QApplication

    from viewer.window import MainWindow

    sys.setswitchinterval(SWITCH_S)
    app = QApplication([sys.argv[0]])
    dress(app)
    window = MainWindow()
    window.show()
    if given:
        window.open(Path(given[0]))
    return int(app.exec())


def dress(app: "QApplication") -> None:
    """The program's name and the look that fits the system's own."""
    from PySide6.QtCore import Qt
    from PySide6.QtGui import QGuiApplication

    from viewer import style

    app.setApplicationName("siteplan")
    dark = QGuiApplication.styleHints().colorScheme() is Qt.ColorScheme.Dark
    style.apply(app, style.DARK if dark else style.LIGHT)
