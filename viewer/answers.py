"""The spine of the window: every question with its short answer in words, and its rows when it is open."""

from PySide6.QtCore import QPointF, QSize, Qt, Signal
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QScrollArea, QSizePolicy, QVBoxLayout, QWidget

from siteplan.report import palette
from viewer import style
from viewer.overlay import mark_colour
from viewer.paint import verdict_mark
from viewer.reading import Answer, Row
from viewer.texts import say


class MarkDot(QWidget):
    """The shape of a verdict, the size of a letter."""

    def __init__(self, parent: QWidget | None = None, *, on_night: bool = False) -> None:
        super().__init__(parent)
        self._mark: palette.Mark | None = None
        self._on_night = on_night
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:
        """As high as a line."""
        side = self.fontMetrics().height()
        return QSize(side, side)

    def set_mark(self, mark: palette.Mark | None) -> None:
        """Show another verdict, or nothing."""
        if mark != self._mark:
            self._mark = mark
            self.update()

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw the shape."""
        if self._mark is None:
            return
        dark = self._on_night or style.current() is style.DARK
        colour = mark_colour(self._mark) if dark else None
        middle = QPointF(self.width() / 2, self.height() / 2)
        painter = QPainter(self)
        verdict_mark(painter, middle, self.fontMetrics().height() * 0.8, self._mark, colour)


def show_quick(label: QLabel, quick: bool) -> None:
    """A quick estimate is slanted, a full measurement is bold; the style sheet says how."""
    if label.property("quick") != quick:
        label.setProperty("quick", quick)
        label.style().unpolish(label)
        label.style().polish(label)


class RowView(QWidget):
    """One row of an answer: shape, name and number on one line, the rest under it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 3, 0, 3)
        outer.setSpacing(0)
        line = QHBoxLayout()
        line.setSpacing(6)
        self._dot = MarkDot()
        self._what = QLabel()
        self._value = QLabel()
        self._note = QLabel()
        for label in (self._what, self._value, self._note):
            label.setTextFormat(Qt.TextFormat.PlainText)
            label.setWordWrap(True)
        self._value.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop)
        self._note.setObjectName("quiet")
        line.addWidget(self._dot, 0, Qt.AlignmentFlag.AlignTop)
        line.addWidget(self._what, 4)
        line.addWidget(self._value, 6)
        outer.addLayout(line)
        outer.addWidget(self._note)
        self._row: Row | None = None

    def set_row(self, row: Row) -> None:
        """Show another row; texts that stay are not touched, so that a drag stays cheap."""
        if row == self._row:
            return
        self._row = row
        self._dot.set_mark(row.mark)
        self._dot.setVisible(row.mark is not None)
        self._what.setText(row.what)
        self._value.setText(row.value)
        show_quick(self._value, row.quick)
        self._note.setText(row.note)
        self._note.setVisible(bool(row.note))
        self.setToolTip(row.tip)

    @property
    def row(self) -> Row | None:
        """What it shows."""
        return self._row


class QuestionView(QFrame):
    """One question with its answer.

    Signals: opened(str): the name of a question whose rows were asked for.
    """

    opened = Signal(str)

    def __init__(self, name: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("question")
        self.name = name
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 8, 12, 8)
        layout.setSpacing(4)
        self.head = QPushButton(say(f"question.{name}"))
        self.head.setObjectName("question")
        self.head.setCursor(Qt.CursorShape.PointingHandCursor)
        self.head.setToolTip(say(f"question.{name}-tip"))
        self.head.clicked.connect(lambda: self.opened.emit(self.name))
        layout.addWidget(self.head)
        line = QHBoxLayout()
        self._dot = MarkDot()
        self._short = QLabel(say("answer.waiting"))
        self._short.setObjectName("answer")
        self._short.setWordWrap(True)
        self._short.setTextFormat(Qt.TextFormat.PlainText)
        line.addWidget(self._dot, 0, Qt.AlignmentFlag.AlignTop)
        line.addWidget(self._short, 1)
        layout.addLayout(line)
        self.body = QWidget()
        self._rows_layout = QVBoxLayout(self.body)
        self._rows_layout.setContentsMargins(0, 6, 0, 0)
        self._rows_layout.setSpacing(0)
        self.extra = QVBoxLayout()
        self._cautions = QLabel()
        self._cautions.setWordWrap(True)
        self._cautions.setObjectName("quiet")
        self._cautions.setTextFormat(Qt.TextFormat.PlainText)
        self._rows_layout.addLayout(self.extra)
        self._rows_layout.addWidget(self._cautions)
        layout.addWidget(self.body)
        self.rows: list[RowView] = []
        self.answer: Answer | None = None
        self.set_open(False)

    def set_open(self, open_: bool) -> None:
        """Show or hide the rows."""
        self.body.setVisible(open_)
        self.setProperty("chosen", open_)
        self.style().unpolish(self)
        self.style().polish(self)
        if open_ and self.answer is not None:
            self._fill(self.answer)

    @property
    def is_open(self) -> bool:
        """Whether the rows are shown."""
        return self.body.isVisibleTo(self)

    def set_answer(self, answer: Answer) -> None:
        """Show another answer."""
        self.answer = answer
        self._short.setText(answer.short)
        self._dot.set_mark(answer.mark)
        self._dot.setVisible(answer.mark is not None)
        if self.is_open:
            self._fill(answer)

    def text(self) -> str:
        """The short answer."""
        return self._short.text()

    def _fill(self, answer: Answer) -> None:
        while len(self.rows) < len(answer.rows):
            row = RowView()
            self._rows_layout.insertWidget(len(self.rows), row)
            self.rows.append(row)
        for number, view in enumerate(self.rows):
            shown = number < len(answer.rows)
            view.setVisible(shown)
            if shown:
                view.set_row(answer.rows[number])
        self._cautions.setText("\n".join(answer.cautions))
        self._cautions.setVisible(bool(answer.cautions))


class Answers(QScrollArea):
    """All questions of a site, one open at a time. Signals: asked(str): another question was chosen."""

    asked = Signal(str)

    def __init__(self, names: tuple[str, ...], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        inside = QWidget()
        inside.setObjectName("plain")
        layout = QVBoxLayout(inside)
        layout.setContentsMargins(0, 0, 6, 0)
        layout.setSpacing(0)
        self.questions = {name: QuestionView(name) for name in names}
        for view in self.questions.values():
            layout.addWidget(view)
            view.opened.connect(self.toggle)
        layout.addStretch(1)
        self.setWidget(inside)
        self.present = names[0]
        self.open_one(names[0])

    def toggle(self, name: str) -> None:
        """Open a question, or close it when it is open."""
        self.open_one("" if self.questions[name].is_open else name)

    def open_one(self, name: str) -> None:
        """Open this question and close the others; with "" all are closed and the last one stays the present one."""
        for view in self.questions.values():
            view.set_open(view.name == name)
        if name:
            self.present = name
            self.asked.emit(name)

    def step(self, by: int) -> None:
        """Choose the next question, or the one before."""
        names = list(self.questions)
        name = names[(names.index(self.present) + by) % len(names)]
        self.open_one(name)
        self.ensureWidgetVisible(self.questions[name])

    def set_answers(self, answers: dict[str, Answer]) -> None:
        """Show other answers."""
        for name, answer in answers.items():
            self.questions[name].set_answer(answer)
