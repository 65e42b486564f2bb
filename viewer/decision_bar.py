"""One line over the work while a structure waits for a person: what it is, and the three things to do about it."""

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QWidget

from viewer.pictures import DOUBT_BELOW
from viewer.texts import say
from viewer.undecided import Undecided


class DecisionBar(QFrame):
    """See the module. It hides where nothing waits."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("card")
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 6, 12, 6)
        self._text = QLabel()
        self._text.setWordWrap(True)
        self._text.setTextFormat(Qt.TextFormat.PlainText)
        self._text.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        row.addWidget(self._text, 1)
        self.look_button, self.confirm_button, self.reject_button = (
            self._button(name) for name in ("look", "confirm", "reject")
        )
        for button in (self.look_button, self.confirm_button, self.reject_button):
            row.addWidget(button)
        self.hide()

    def show_waiting(self, waiting: tuple[Undecided, ...]) -> None:
        """Ask about the first of what waits."""
        self.setVisible(bool(waiting))
        if not waiting:
            return
        first = waiting[0]
        parts = [say("decide.proposed" if first.proposed else "decide.found", name=first.entry.name), say("decide.ask")]
        confidence = first.entry.confidence
        if confidence:
            share = float((np.array(confidence) < DOUBT_BELOW).mean())
            if share > 0:
                parts.insert(1, say("decide.doubt", share=f"{share:.0%}"))
        if waiting[1:]:
            parts.append(say("decide.more", n=len(waiting) - 1))
        self._text.setText(" ".join(parts))

    def text(self) -> str:
        """What it says."""
        return self._text.text()

    @staticmethod
    def _button(name: str) -> QPushButton:
        button = QPushButton(say(f"decide.{name}"))
        button.setToolTip(say(f"decide.{name}-tip"))
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        return button
