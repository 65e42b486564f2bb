"""The pages around the work: nothing open yet, loading, and what went wrong. Each says what a person can do next."""

from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QImage, QPixmap
from PySide6.QtWidgets import QHBoxLayout, QLabel, QListWidget, QProgressBar, QPushButton, QVBoxLayout, QWidget

from siteplan import cautions
from siteplan.scan import ScanFinding
from viewer.answering import finding_words
from viewer.texts import say

_WIDTH = 720


def _column(page: QWidget) -> QVBoxLayout:
    """A column of readable width in the middle of a page."""
    page.setObjectName("page")
    outer = QHBoxLayout(page)
    inside = QWidget()
    inside.setMaximumWidth(_WIDTH)
    outer.addStretch(1)
    outer.addWidget(inside, 4)
    outer.addStretch(1)
    column = QVBoxLayout(inside)
    column.setSpacing(14)
    column.addStretch(1)
    return column


def _label(text: str, name: str = "", size: float = 1.0, bold: bool = False) -> QLabel:
    label = QLabel(text)
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setObjectName(name)
    font = label.font()
    font.setPointSizeF(font.pointSizeF() * size)
    font.setBold(bold)
    label.setFont(font)
    return label


class StartPage(QWidget):
    """Nothing open yet. Signals: folder_wanted(), file_wanted(), recovered(int): place in the list of
    unfinished work."""

    folder_wanted = Signal()
    file_wanted = Signal()
    recovered = Signal(int)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        column = _column(self)
        column.addWidget(_label(say("start.title"), size=1.9, bold=True))
        column.addWidget(_label(say("start.drop"), size=1.15))
        row = QHBoxLayout()
        self.folder_button = QPushButton(say("start.folder"))
        self.folder_button.setObjectName("main")
        self.folder_button.clicked.connect(self.folder_wanted)
        self.file_button = QPushButton(say("start.file"))
        self.file_button.clicked.connect(self.file_wanted)
        row.addWidget(self.folder_button)
        row.addWidget(self.file_button)
        row.addStretch(1)
        column.addLayout(row)
        self._recovered_title = _label(say("start.recovered"), bold=True)
        self.recovered_list = QListWidget()
        self.recovered_list.setMaximumHeight(150)
        self.recovered_list.itemActivated.connect(lambda item: self.recovered.emit(self.recovered_list.row(item)))
        self.recovered_list.itemClicked.connect(lambda item: self.recovered.emit(self.recovered_list.row(item)))
        column.addWidget(self._recovered_title)
        column.addWidget(self.recovered_list)
        column.addWidget(_label(cautions.ALWAYS[0], "quiet"))
        column.addWidget(_label(say("start.untouched"), "quiet"))
        column.addStretch(2)
        self.set_recovered([])

    def set_recovered(self, lines: list[str]) -> None:
        """List unfinished work."""
        self.recovered_list.clear()
        self.recovered_list.addItems(lines)
        for part in (self._recovered_title, self.recovered_list):
            part.setVisible(bool(lines))


class LoadingPage(QWidget):
    """A scan is being read. Signals: cancelled()."""

    cancelled = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        column = _column(self)
        self._title = _label("", size=1.5, bold=True)
        column.addWidget(self._title)
        self._picture = QLabel()
        self._picture.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._picture.setMinimumHeight(320)
        self._picture.setStyleSheet("background: #101417; color: #cfd8dc; border-radius: 10px;")
        column.addWidget(self._picture)
        self.bar = QProgressBar()
        self.bar.setRange(0, 1000)
        column.addWidget(self.bar)
        self._words = _label("", "quiet")
        column.addWidget(self._words)
        self.cancel_button = QPushButton(say("loading.cancel"))
        self.cancel_button.setToolTip(say("loading.cancel-tip"))
        self.cancel_button.clicked.connect(self.cancelled)
        column.addWidget(self.cancel_button, 0, Qt.AlignmentFlag.AlignLeft)
        column.addStretch(2)

    def begin(self, name: str) -> None:
        """Start over for another place."""
        self._title.setText(say("loading.title", name=name))
        self.bar.setValue(0)
        self._words.setText(say("loading.looking"))
        self._picture.setPixmap(QPixmap())
        self._picture.setText(say("loading.no-preview"))

    def set_progress(self, fraction: float, words: str) -> None:
        """How far it is."""
        self.bar.setValue(round(1000 * min(max(fraction, 0.0), 1.0)))
        self._words.setText(words)

    def set_preview(self, image: QImage) -> None:
        """Something to see at once."""
        self._picture.setPixmap(
            QPixmap.fromImage(image).scaled(
                460, 320, Qt.AspectRatioMode.KeepAspectRatio, Qt.TransformationMode.SmoothTransformation
            )
        )


@dataclass(frozen=True)
class SeriesChoice:
    """A series that may be opened."""

    number: str
    words: str


class ProblemPage(QWidget):
    """Opening failed. Signals: again(), chosen(str): a series from the list, by its number."""

    again = Signal()
    chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        column = _column(self)
        self._title = _label("", size=1.5, bold=True)
        column.addWidget(self._title)
        self.sentence = _label("", "problem", size=1.1)
        column.addWidget(self.sentence)
        self._list = QListWidget()
        self._list.setMaximumHeight(220)
        self._list.itemActivated.connect(self._choose)
        self._list.itemClicked.connect(self._choose)
        column.addWidget(self._list)
        self._remedies = _label("")
        column.addWidget(self._remedies)
        self.again_button = QPushButton(say("problem.again"))
        self.again_button.setObjectName("main")
        self.again_button.clicked.connect(self.again)
        column.addWidget(self.again_button, 0, Qt.AlignmentFlag.AlignLeft)
        column.addWidget(_label(say("start.untouched"), "quiet"))
        column.addStretch(2)
        self._choices: list[SeriesChoice] = []

    def show_problem(
        self,
        name: str,
        sentence: str,
        findings: tuple[ScanFinding, ...] = (),
        choices: list[SeriesChoice] | None = None,
    ) -> None:
        """Say what is wrong, what to do, and which series there are to choose from."""
        self._choices = choices or []
        key = "problem.choose" if self._choices else "problem.title"
        self._title.setText(say(key, name=name))
        self.sentence.setText(sentence)
        self.sentence.setVisible(not self._choices)
        self._list.clear()
        self._list.addItems([choice.words for choice in self._choices])
        self._list.setVisible(bool(self._choices))
        lines = [f"• {finding_words(f)}" for f in findings if f.what not in sentence]
        self._remedies.setText("\n".join(lines))
        self._remedies.setVisible(bool(lines))

    @property
    def choices(self) -> QListWidget:
        """The list of series."""
        return self._list

    def _choose(self) -> None:
        row = self._list.currentRow()
        if 0 <= row < len(self._choices):
            self.chosen.emit(self._choices[row].number)


def place_words(path: Path) -> str:
    """The last part of a path: enough to recognise it, never a patient's name from a folder tree."""
    return path.name or str(path)
