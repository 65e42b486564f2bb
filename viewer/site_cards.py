"""The sites under the unrolled arch: each plate stands under its tooth and says the one number that matters most."""

from dataclasses import dataclass

from PySide6.QtCore import QEvent, QPointF, QRect, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetrics, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QResizeEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from siteplan.report import palette
from viewer.answers import MarkDot, show_quick
from viewer.labels import spread
from viewer.texts import say

_GAP = 8
_RISE = 9
"""Room above the plates for the lines that lead to the teeth (pixels)."""


@dataclass(frozen=True)
class CardWords:
    """What one plate says. `what` is long, `brief` short."""

    tooth: int
    place: str
    number: str
    what: str
    fixture: str
    mark: palette.Mark | None
    quick: bool = False
    brief: str = ""


class SiteCard(QFrame):
    """One site. Signals: chosen(int): its tooth."""

    chosen = Signal(int)

    def __init__(self, tooth: int, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("plate")
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.tooth = tooth
        layout = QVBoxLayout(self)
        layout.setContentsMargins(10, 4, 10, 5)
        layout.setSpacing(0)
        line = QHBoxLayout()
        line.setSpacing(6)
        self._tooth = QLabel(str(tooth))
        self._tooth.setObjectName("tooth")
        self._dot = MarkDot(on_night=True)
        self._number = QLabel()
        line.addWidget(self._tooth)
        line.addWidget(self._dot)
        line.addWidget(self._number, 1)
        layout.addLayout(line)
        self._brief = QLabel()
        self._brief.setWordWrap(True)
        self._brief.setTextFormat(Qt.TextFormat.PlainText)
        self._place = QLabel()
        self._place.setWordWrap(True)
        self._place.hide()
        layout.addWidget(self._brief)
        layout.addWidget(self._place)
        layout.addStretch(1)

    def set_words(self, words: CardWords) -> None:
        """Show what is known now."""
        self._number.setText(words.number)
        show_quick(self._number, words.quick)
        self._brief.setText(words.brief or words.what)
        self._place.setText(words.place)
        self._dot.set_mark(words.mark)
        whole = f"{words.tooth}, {words.place}: {words.number} {words.what}"
        self.setAccessibleName(whole)
        self.setToolTip(f"{whole}\n{words.fixture}\n{say('cards.number-tip')}")

    def set_short(self, short: bool, elsewhere: bool) -> None:
        """Leave out everything but tooth, shape and number, where many sites share the room; say the place of a site
        that the strip above does not show."""
        self._brief.setVisible(not short)
        self._place.setVisible(elsewhere and not short)

    def number_text(self) -> str:
        """The number that is shown."""
        return self._number.text()

    def set_chosen(self, chosen: bool) -> None:
        """Mark the plate of the site that is large now."""
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


class SiteCards(QWidget):
    """All sites, under their teeth. Signals: chosen(int), adding(): another site is wanted."""

    chosen = Signal(int)
    adding = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.add_button = QPushButton(say("cards.add"), self)
        self.add_button.setToolTip(say("cards.add-tip"))
        self.add_button.clicked.connect(self.adding)
        self.cards: dict[int, SiteCard] = {}
        self._wanted: dict[int, float] = {}
        self._tall = 0

    def set_teeth(self, teeth: list[int]) -> None:
        """Show these sites."""
        if list(self.cards) == teeth:
            return
        for card in self.cards.values():
            card.hide()
            card.deleteLater()
        self.cards = {}
        for tooth in teeth:
            card = SiteCard(tooth, self)
            card.chosen.connect(self.chosen)
            self.cards[tooth] = card
            card.show()
        for card in self._ordered():
            card.raise_()  # keys go through the sites as they lie along the arch
        self.add_button.raise_()
        self._arrange()

    def set_places(self, x_of_tooth: dict[int, float]) -> None:
        """Where each tooth stands on the strip above (pixels); sites of the other jaw have no place there."""
        if x_of_tooth != self._wanted:
            self._wanted = dict(x_of_tooth)
            self._arrange()

    def set_present(self, tooth: int | None) -> None:
        """Mark one plate."""
        for card in self.cards.values():
            card.set_chosen(card.tooth == tooth)
        self.update()

    def words_changed(self) -> None:
        """Give the plates the room that their words need now."""
        self._arrange()

    def sizeHint(self) -> QSize:
        """As high as its rows."""
        return QSize(300, self._tall)

    def minimumSizeHint(self) -> QSize:
        """The button and one plate have room."""
        return QSize(150 + self.add_button.sizeHint().width() + _GAP, self._tall)

    def changeEvent(self, event: QEvent) -> None:
        """Other letters need other room."""
        super().changeEvent(event)
        if event.type() in (QEvent.Type.FontChange, QEvent.Type.StyleChange):
            self._arrange()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Place the plates anew."""
        super().resizeEvent(event)
        self._arrange()

    def paintEvent(self, _event: QPaintEvent) -> None:
        """A line from each tooth on the strip above to its plate."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        for tooth, x in self._wanted.items():
            card = self.cards.get(tooth)
            if card is not None and 0 <= x <= self.width():
                strong = bool(card.property("chosen"))
                painter.setPen(QPen(QColor("#6cc4c9" if strong else "#8fa1aa"), 2.0 if strong else 1.0))
                box = card.geometry()
                painter.drawLine(QPointF(x, 0), QPointF(min(max(x, box.left() + 8), box.right() - 8), box.top()))

    def _plate_width(self) -> int:
        return QFontMetrics(self.font()).horizontalAdvance("to mandibular canal: breaks") + 24

    @staticmethod
    def _least(card: SiteCard) -> int:
        """The width that the first line of a plate needs."""
        card.ensurePolished()
        layout = card.layout()
        assert layout is not None
        layout.invalidate()
        return layout.totalMinimumSize().width()

    def _ordered(self) -> list[SiteCard]:
        """From the patient's right to the left, as the strip shows them; the upper jaw first where both have sites."""
        return sorted(self.cards.values(), key=lambda c: (_jaw(c.tooth), self._wanted.get(c.tooth, _along(c.tooth))))

    def _arrange(self) -> None:
        cards, add = self._ordered(), self.add_button.sizeHint()
        room = max(self.width() - add.width() - 3 * _GAP, 60)
        short = len(cards) * (self._plate_width() + _GAP) > room
        for card in cards:
            card.set_short(short, bool(self._wanted) and card.tooth not in self._wanted)
        widest = max((self._least(card) for card in cards), default=0)
        width = min(widest if short else max(self._plate_width(), widest), room)
        each = max(1, (room + _GAP) // (width + _GAP))
        y = _RISE
        for start in range(0, len(cards), each):
            row = cards[start : start + each]
            tall = max(self._height_of(card, width) for card in row)
            for card, left in zip(row, self._lefts(row, width, room), strict=True):
                card.setGeometry(QRect(round(left), y, width, tall))
            y += tall + 5
        y = max(y, _RISE + add.height() + 5)
        self.add_button.setGeometry(QRect(self.width() - add.width() - _GAP, _RISE, add.width(), add.height()))
        if y != self._tall:
            self._tall = y
            self.setFixedHeight(y)
            self.updateGeometry()
        self.update()

    @staticmethod
    def _height_of(card: SiteCard, width: int) -> int:
        card.ensurePolished()
        layout = card.layout()
        assert layout is not None
        layout.invalidate()
        return max(layout.totalHeightForWidth(width), layout.totalMinimumSize().height())

    def _lefts(self, row: list[SiteCard], width: int, room: int) -> list[float]:
        """Left edges: each plate as near under its tooth as its neighbours allow."""
        even = (room - len(row) * width) / (len(row) + 1)
        wanted = [
            self._wanted[c.tooth] - width / 2 if c.tooth in self._wanted else even + n * (width + even)
            for n, c in enumerate(row)
        ]
        return spread(wanted, width + _GAP, _GAP, _GAP + room - width)


def _jaw(tooth: int) -> int:
    return 0 if tooth // 10 in (1, 2, 5, 6) else 1


def _along(tooth: int) -> float:
    """An order along the arch for teeth that have no place on the strip."""
    right = tooth // 10 in (1, 4, 5, 8)
    return float(-(tooth % 10) if right else tooth % 10)
