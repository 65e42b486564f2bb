"""The page on which a case is planned. Layout only.

The questions with their answers are its spine. The chosen one decides what stands beside the large section: neighbours,
or what is known at each depth, on the section's own scale. The unrolled arch lies below, the sites under their teeth.
"""

from functools import partial

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from viewer.answers import Answers
from viewer.arch_strip import ArchStrip
from viewer.arch_view import ArchView
from viewer.decision_bar import DecisionBar
from viewer.depth_view import DepthView
from viewer.film_strip import FilmStrip
from viewer.flow import Flow
from viewer.look import Tissue
from viewer.section_view import SectionView
from viewer.site_cards import SiteCards
from viewer.texts import say
from viewer.told import Told

QUESTIONS = ("fits", "bone", "near", "drill", "turn-in", "scan")
BY_DEPTH = ("bone", "near", "drill", "turn-in")
"""Questions whose answer has a depth; beside the others stand the neighbouring sections."""
TOOLS = ("distance", "angle", "circle", "line", "note")


class Workspace(QWidget):
    """All parts of the planning page, by name."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("page")
        outer = QVBoxLayout(self)
        outer.setContentsMargins(10, 8, 10, 10)
        outer.setSpacing(8)
        outer.addLayout(self._top())
        self.told = Told()
        outer.addWidget(self.told)
        self.decision = DecisionBar()
        outer.addWidget(self.decision)
        split = QSplitter(Qt.Orientation.Horizontal)
        split.setChildrenCollapsible(False)
        self.answers = Answers(QUESTIONS)
        self.answers.setMinimumWidth(240)
        self.led_button = QPushButton(say("led.button", how="…"))
        self.led_button.setToolTip(say("led.tip"))
        self.answers.questions["fits"].extra.addWidget(self.led_button)
        self.seat_button = QPushButton(say("torque.seat"))
        self.seat_button.setToolTip(say("torque.seat-tip"))
        self.answers.questions["turn-in"].extra.addWidget(self.seat_button)
        self.mouth_button = QPushButton(say("drill.mouth"))
        self.mouth_button.setToolTip(say("drill.mouth-tip"))
        self.answers.questions["drill"].extra.addWidget(self.mouth_button)
        self.height_button = QPushButton(say("drill.height"))
        self.height_button.setToolTip(say("drill.height-tip"))
        self.answers.questions["drill"].extra.addWidget(self.height_button)
        self.confirm_button = QPushButton(say("controls.structures"))
        self.confirm_button.setToolTip(say("controls.structures-tip"))
        self.answers.questions["near"].extra.addWidget(self.confirm_button)
        split.addWidget(self.answers)
        split.addWidget(self._pictures())
        split.setStretchFactor(0, 0)
        split.setStretchFactor(1, 1)
        outer.addWidget(split, 1)
        self._split = split
        self.answers.asked.connect(self._show_beside)
        self._show_beside(self.answers.present)

    def share_out(self, width: int) -> None:
        """Give the columns their widths at first; a person moves the handles between them afterwards."""
        answers, beside = min(340, max(240, width // 4)), min(290, max(150, width // 5))
        self._split.setSizes([answers, width - answers])
        self._sides.setSizes([width - answers - beside, beside])

    def _show_beside(self, question: str) -> None:
        self.beside.setCurrentWidget(self.by_depth if question in BY_DEPTH else self.film)

    def _show_place(self) -> None:
        """The axial picture has no depth, so nothing stands beside it."""
        self.beside.setVisible(self.stage.currentWidget() is self.section)

    def _top(self) -> QVBoxLayout:
        self.title = QLabel()
        font = self.title.font()
        font.setBold(True)
        self.title.setFont(font)
        self.state = QLabel()
        self.state.setObjectName("quiet")
        said = QHBoxLayout()
        for label in (self.title, self.state):
            label.setTextFormat(Qt.TextFormat.PlainText)
            label.setWordWrap(True)
        said.addWidget(self.title, 1)
        said.addWidget(self.state, 1)
        buttons = QWidget()
        row = Flow(buttons)
        row.setContentsMargins(0, 0, 0, 0)
        for name in ("open", "undo", "redo", "save", "identity", "light", "solid", "share", "report"):
            button = QPushButton(say(f"top.{name}"))
            button.setToolTip(say(f"top.{name}-tip"))
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            setattr(self, f"{name}_button", button)
            row.addWidget(button)
        self.report_button.setObjectName("main")
        self.identity_button.setCheckable(True)
        self.identity_button.setChecked(True)
        column = QVBoxLayout()
        column.setSpacing(4)
        column.addLayout(said)
        column.addWidget(buttons)
        return column

    open_button: QPushButton
    undo_button: QPushButton
    redo_button: QPushButton
    save_button: QPushButton
    identity_button: QPushButton
    light_button: QPushButton
    solid_button: QPushButton
    share_button: QPushButton
    report_button: QPushButton

    def _pictures(self) -> QWidget:
        pictures = QWidget()
        pictures.setObjectName("plain")
        column = QVBoxLayout(pictures)
        column.setContentsMargins(4, 0, 0, 0)
        column.setSpacing(6)
        self.stage = QStackedWidget()
        self.section = SectionView()
        self.arch = ArchView()
        self.stage.addWidget(self.section)
        self.stage.addWidget(self.arch)
        self.beside = QStackedWidget()
        self.film = FilmStrip()
        self.by_depth = DepthView(self.section)
        self.beside.addWidget(self.film)
        self.beside.addWidget(self.by_depth)
        self.beside.setMinimumWidth(150)
        self.stage.currentChanged.connect(self._show_place)
        self._sides = QSplitter(Qt.Orientation.Horizontal)
        self._sides.setChildrenCollapsible(False)
        self._sides.addWidget(self.stage)
        self._sides.addWidget(self.beside)
        self._sides.setStretchFactor(0, 1)
        self._sides.setStretchFactor(1, 0)
        column.addWidget(self._sides, 1)
        column.addWidget(self._controls())
        column.addWidget(self._jaw())
        return pictures

    def _jaw(self) -> QFrame:
        frame = QFrame()
        frame.setObjectName("night")
        column = QVBoxLayout(frame)
        column.setContentsMargins(0, 0, 0, 4)
        column.setSpacing(0)
        self.strip = ArchStrip()
        self.cards = SiteCards()
        self.strip.placed.connect(self.cards.set_places)
        column.addWidget(self.strip)
        column.addWidget(self.cards)
        return frame

    def _controls(self) -> QFrame:
        frame = QFrame()
        frame.setObjectName("night")
        rows = Flow(frame, 5)
        rows.setContentsMargins(8, 5, 8, 5)
        rows.addWidget(self._heading("controls.tissue"))
        self.tissue_buttons: dict[Tissue, QPushButton] = {}
        for tissue in Tissue:
            button = self._small(f"tissue.{tissue.value}", checkable=True)
            button.clicked.connect(partial(self.show_tissue, tissue))
            self.tissue_buttons[tissue] = button
            rows.addWidget(button)
        rows.addWidget(self._heading("controls.by-hand"))
        self.tool_buttons: dict[str, QPushButton] = {}
        for tool in TOOLS:
            button = self._small(f"tool.{tool}", checkable=True)
            self.tool_buttons[tool] = button
            rows.addWidget(button)
        rows.addWidget(self._heading("controls.more"))
        self.lines_button = self._small("controls.lines", checkable=True)
        self.lines_button.setChecked(True)
        self.arch_button = self._small("controls.arch", checkable=True)
        self.structures_button = self._small("controls.structures")
        for button in (self.lines_button, self.arch_button, self.structures_button):
            rows.addWidget(button)
        return frame

    def show_tissue(self, tissue: Tissue | None, _on: bool = True) -> None:
        """Mark the tissue whose brightness is shown; None where a hand has set its own."""
        for name, button in self.tissue_buttons.items():
            button.setChecked(name is tissue)

    @staticmethod
    def _heading(key: str) -> QLabel:
        label = QLabel(say(key))
        label.setMinimumHeight(QPushButton("M").sizeHint().height())
        return label

    @staticmethod
    def _small(key: str, checkable: bool = False) -> QPushButton:
        button = QPushButton(say(key))
        button.setToolTip(say(f"{key}-tip"))
        button.setCheckable(checkable)
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        return button
