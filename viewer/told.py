"""What went wrong and what was done, over the work: every sentence stays until it is settled or a person puts it away.

A late answer must not take away a sentence that it has nothing to do with, so each sentence is about something, and
only what is about the same thing replaces or settles it.
"""

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QWidget

from viewer.texts import say


class Told(QFrame):
    """See the module. It hides where nothing is to be said."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("problem")
        self._problems: dict[str, str] = {}
        self._news = ("", "")
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 6, 6, 6)
        self._label = QLabel()
        self._label.setObjectName("problem")
        self._label.setWordWrap(True)
        self._label.setTextFormat(Qt.TextFormat.PlainText)
        self._label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        row.addWidget(self._label, 1)
        self.away_button = QPushButton(say("told.away"))
        self.away_button.setToolTip(say("told.away-tip"))
        self.away_button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.away_button.clicked.connect(self.put_away)
        row.addWidget(self.away_button, 0, Qt.AlignmentFlag.AlignTop)
        self.hide()

    def problem(self, about: str, sentence: str) -> None:
        """Something went wrong: said until `settled(about)`, whatever else is said meanwhile; "" settles."""
        self.settled(about)
        if sentence:
            self._problems[about] = sentence
        self._show()

    def news(self, about: str, sentence: str) -> None:
        """Something is being done or was done: said until there is other news, or it is settled."""
        self._problems.pop(about, None)  # what failed before is being tried again
        self._news = (about, sentence)
        self._show()

    def settled(self, about: str) -> None:
        """What was said about this holds no more."""
        self._problems.pop(about, None)
        if self._news[0] == about:
            self._news = ("", "")
        self._show()

    def put_away(self) -> bool:
        """A person has read it all; whether there was anything."""
        there = bool(self.text())
        self._problems, self._news = {}, ("", "")
        self._show()
        return there

    def text(self) -> str:
        """What it says, the latest problem first and news last, a line each; the same sentence once."""
        said = dict.fromkeys((*reversed(self._problems.values()), self._news[1]))
        return "\n".join(sentence for sentence in said if sentence)

    def _show(self) -> None:
        text = self.text()
        if text != self._label.text():
            self._label.setText(text)
        self.setVisible(bool(text))
