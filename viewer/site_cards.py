"""The column of sites: one card each, with the one number that matters most."""

from dataclasses import dataclass

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent, QMouseEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QScrollArea, QVBoxLayout, QWidget

from siteplan.report import palette
from viewer.answers import MarkDot, show_quick
from viewer.texts import say


@dataclass(frozen=True)
class CardWords:
    """What one card says."""

    tooth: int
    place: str
    number: str
    what: str
    fixture: str
    mark: palette.Mark | None
    quick: bool = False


class SiteCard(QFrame):
    """One site. Signals: chosen(int): its tooth."""

    chosen = Signal(int)

    def __init__(self, tooth: int, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("card")
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.tooth = tooth
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 8, 12, 8)
        layout.setSpacing(1)
        head = QHBoxLayout()
        head.setSpacing(9)
        self._tooth = QLabel(str(tooth))
        font = self._tooth.font()
        font.setPointSizeF(font.pointSizeF() * 1.9)
        font.setBold(True)
        self._tooth.setFont(font)
        self._place = QLabel()
        self._place.setObjectName("quiet")
        self._place.setWordWrap(True)
        head.addWidget(self._tooth)
        head.addWidget(self._place, 1)
        layout.addLayout(head)
        line = QHBoxLayout()
        self._dot = MarkDot()
        self._number = QLabel()
        self._number.setObjectName("large")
        self.setToolTip(say("cards.number-tip"))
        line.addWidget(self._dot)
        line.addWidget(self._number, 1)
        layout.addLayout(line)
        self._what = QLabel()
        self._what.setWordWrap(True)
        self._fixture = QLabel()
        self._fixture.setObjectName("quiet")
        self._fixture.setWordWrap(True)
        layout.addWidget(self._what)
        layout.addWidget(self._fixture)

    def set_words(self, words: CardWords) -> None:
        """Show what is known now."""
        self._place.setText(words.place)
        self._number.setText(words.number)
        show_quick(self._number, words.quick)
        self._what.setText(words.what)
        self._fixture.setText(words.fixture)
        self._dot.set_mark(words.mark)
        self.setAccessibleName(f"{words.tooth}: {words.number} {words.what}")

    def number_text(self) -> str:
        """The number that is shown."""
        return self._number.text()

    def set_chosen(self, chosen: bool) -> None:
        """Frame the card of the site that is large now."""
        self.setProperty("chosen", chosen)
        self.style().unpolish(self)
        self.style().polish(self)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose this site."""
        self.chosen.emit(self.tooth)
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter and space choose, like a click."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Space):
            self.chosen.emit(self.tooth)
        else:
            super().keyPressEvent(event)


class SiteCards(QScrollArea):
    """All sites. Signals: chosen(int), adding(): another site is wanted."""

    chosen = Signal(int)
    adding = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        inside = QWidget()
        inside.setObjectName("plain")
        self._layout = QVBoxLayout(inside)
        self._layout.setContentsMargins(0, 0, 6, 0)
        self._layout.setSpacing(8)
        self.add_button = QPushButton(say("cards.add"))
        self.add_button.setToolTip(say("cards.add-tip"))
        self.add_button.clicked.connect(self.adding)
        self._layout.addWidget(self.add_button)
        self._layout.addStretch(1)
        self.setWidget(inside)
        self.cards: dict[int, SiteCard] = {}

    def set_teeth(self, teeth: list[int]) -> None:
        """Show these sites, in this order."""
        if list(self.cards) == teeth:
            return
        for card in self.cards.values():
            self._layout.removeWidget(card)
            card.hide()
            card.deleteLater()
        self.cards = {}
        for place, tooth in enumerate(teeth):
            card = SiteCard(tooth)
            card.chosen.connect(self.chosen)
            self._layout.insertWidget(place, card)
            self.cards[tooth] = card

    def set_present(self, tooth: int | None) -> None:
        """Frame one card."""
        for card in self.cards.values():
            card.set_chosen(card.tooth == tooth)
