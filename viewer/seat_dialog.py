"""The seating guide at the chair: one thing to do, in large letters, and large buttons for what happened.

The library knows every rule; the dialogue only hands in what the surgeon enters. Each entry is on the disk,
beside the case,
before the next step is shown.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QDialog,
    QGridLayout,
    QHBoxLayout,
    QInputDialog,
    QLabel,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from siteplan.errors import SiteplanError
from siteplan.surgery.advice import advice, position
from siteplan.surgery.entries import LONGEST_TEXT, Entry, Kind, accepted
from siteplan.surgery.record import Record, add_entry, read_record, record_path
from siteplan.surgery.seating import MOVES
from siteplan.surgery.seating_plan import SeatingPlan, differing, seating_plan
from viewer.texts import say

if TYPE_CHECKING:
    from viewer.window import MainWindow

TURNS = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0)
"""Turns that one press can enter; more is entered by pressing twice."""
HEIGHTS_MM = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
"""How far the tool's mark can be entered to stand above the gum."""
_NEEDS_TURNS = (Kind.TURNED_BY_HAND, Kind.CLICKED, Kind.TURNED_IN, Kind.BACKED_OUT)
_COLUMNS = 4


def start_guide(window: MainWindow) -> SeatDialog | None:
    """Open the guide of the present site; the case must have been saved, because the record lies beside it."""
    desk = window.desk
    session, found = desk.session, desk.measured.get(desk.tooth or 0)
    if session is None:
        return None
    ready = found is not None and not found.quick and found.site.placed is not None and desk.library is not None
    if not ready or found is None or found.site.placed is None or desk.library is None:
        window.space.told.problem("seat", say("seat.not-ready"))
        return None
    if (session.path is None or session.unsaved) and not window.save():
        window.space.told.problem("seat", say("seat.save-first"))
        return None
    assert session.path is not None
    placed = found.site.placed
    try:
        plan = seating_plan(
            placed.preparation,
            placed.fixture,
            placed.apex_depth_mm,
            desk.library.kit,
            desk.library.protocol,
            found.site.entry.tooth,
            clearances=(*placed.clearances, *placed.beside),
        )
        dialog = SeatDialog(plan, record_path(session.path), window)
    except SiteplanError as error:
        window.space.told.problem("seat", str(error))
        return None
    window.space.told.settled("seat")
    dialog.open()
    return dialog


class SeatDialog(QDialog):
    """See the module."""

    def __init__(self, plan: SeatingPlan, path: Path, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.path = path
        self.record: Record = read_record(path, plan.tooth)
        taken_up = self._begin(plan)
        self.setWindowTitle(say("seat.title", tooth=plan.tooth))
        self.resize(1100, 760)
        column = QVBoxLayout(self)
        self.taken_up = self._label(1.3, "problem")
        self.taken_up.setText(taken_up)
        self.taken_up.setVisible(bool(taken_up))
        column.addWidget(self.taken_up)
        self.position = self._label(1.3, "quiet")
        self.do = self._label(2.4, bold=True)
        self.why = self._label(1.3)
        self.problem = self._label(1.3, "problem")
        for label in (self.position, self.do, self.why, self.problem):
            column.addWidget(label)
        self._area = QScrollArea()
        self._area.setWidgetResizable(True)
        column.addWidget(self._area, 1)
        self.cautions = self._label(1.0, "quiet")
        column.addWidget(self.cautions)
        row = QHBoxLayout()
        self.undo_button = self._button(say("seat.undo"), self.undo)
        self.close_button = self._button(say("seat.close"), self.close)
        self.lot_button = self._button(say("seat.lot"), partial(self._write, Kind.LOT, "seat.lot", "seat.lot-ask"))
        self.remark_button = self._button(
            say("seat.remark"), partial(self._write, Kind.NOTE, "seat.remark", "seat.remark-ask")
        )
        for button in (self.undo_button, self.lot_button, self.remark_button):
            row.addWidget(button)
        row.addStretch(1)
        row.addWidget(self.close_button)
        column.addLayout(row)
        self.buttons: dict[str, QPushButton] = {}
        self._pending: Kind | None = None
        self._turns: float | None = None
        self._show()

    @property
    def plan(self) -> SeatingPlan:
        """Of the fixture that the record holds now."""
        return self.record.state.plan

    def _begin(self, plan: SeatingPlan) -> str:
        """Begin a record, or take up the one that is there; what must be said where it holds another plan.

        Another fixture takes the place of the former one where the guide waits for that; else the record goes on with
        the plan that it holds, and that is said, because the window shows the new one.
        """
        if not self.record.entries:
            self.record = add_entry(self.path, self.record, Entry(Kind.STARTED, plan=plan))
            return ""
        state = self.record.state
        changed = differing(state.plan, plan)
        if not changed:
            return ""
        if "fixture" in changed and Kind.REPLACED in MOVES[state.phase]:
            self.record = add_entry(self.path, self.record, Entry(Kind.REPLACED, plan=plan))
            return say("seat.replaced", fixture=plan.fixture)
        return say("seat.changed", what=", ".join(changed), fixture=state.plan.fixture, mm=f"{state.plan.apex_mm:.1f}")

    def enter(self, entry: Entry) -> None:
        """Hand in what happened; what does not fit is said and nothing is kept."""
        try:
            self.record = add_entry(self.path, self.record, entry)
            self._say_problem("")
        except SiteplanError as error:
            self._say_problem(say("seat.not-taken", why=error))
        self._pending, self._turns = None, None
        self._show()

    def undo(self) -> None:
        """The last entry does not count; it stays in the record, marked."""
        from siteplan.surgery.entries import effective

        last = effective(self.record.entries)[-1]
        if last.kind is Kind.STARTED:
            self._say_problem(say("seat.nothing"))
            return
        self.enter(Entry(Kind.UNDO, of=last.sequence))

    # ---- what is shown

    def _show(self) -> None:
        broken = self._to_accept()
        if broken:
            self._ask(broken)
            return
        state = self.record.state
        said = advice(state)
        self.position.setText(position(state))
        self.do.setText(said.do)
        setting = "" if said.setting_Ncm is None else say("seat.setting", value=f"{said.setting_Ncm:g}") + " "
        self.why.setText(setting + said.why)
        if said.warnings:
            self._say_problem(" ".join(said.warnings))
        self.cautions.setText("\n".join(said.cautions))
        self._show_choices(said.enter)

    def _to_accept(self) -> tuple[str, ...]:
        """Margins that the fixture of now breaks and that nobody has answered for yet."""
        return () if accepted(self.record.entries) else self.record.state.plan.broken

    def _ask(self, broken: tuple[str, ...]) -> None:
        """No turn is taken down before a person has answered for a broken margin; the answer is kept."""
        self.position.setText(position(self.record.state))
        self.do.setText(say("seat.stop"))
        self.why.setText("\n".join(broken))
        self.cautions.setText(say("seat.stop-why"))
        self._put(
            [(say("seat.accept"), partial(self.enter, Entry(Kind.ACCEPTED, text="; ".join(broken)[:LONGEST_TEXT])))]
        )

    def _show_choices(self, kinds: tuple[Kind, ...]) -> None:
        choices: list[tuple[str, Callable[[], None]]]
        if self._pending is None:
            choices = [(kind.value, partial(self._chosen, kind)) for kind in kinds]
        elif self._pending in _NEEDS_TURNS and self._turns is None:
            choices = [(say("seat.turns", n=f"{n:g}"), partial(self._turned, n)) for n in TURNS]
            choices.append((say("seat.back"), self._back))
        elif self._pending is Kind.DEPTH_CONFIRMED:
            choices = [(say("seat.above", mm=f"{mm:g}"), partial(self._mark_stands, mm)) for mm in HEIGHTS_MM]
            choices.append((say("seat.back"), self._back))
        elif self._pending in (Kind.CLICKED, Kind.FINAL_TORQUE):
            choices = [(say("torque.value", value=f"{s:g}"), partial(self._torqued, s)) for s in self._torques()]
            choices.append((say("seat.back"), self._back))
        elif self._pending is Kind.OPENED:
            choices = [
                (step.says, partial(self.enter, Entry(Kind.OPENED, text=step.drill)))
                for step in self.record.state.plan.tighter
            ]
            choices.append((say("seat.back"), self._back))
        else:
            choices = [(say("seat.back"), self._back)]
        self._put(choices, 1 if self._pending is Kind.OPENED else _COLUMNS)

    def _put(self, choices: list[tuple[str, Callable[[], None]]], columns: int = _COLUMNS) -> None:
        inside = QWidget()
        inside.setObjectName("plain")
        grid = QGridLayout(inside)
        self.buttons = {}
        for number, (words, action) in enumerate(choices):
            button = self._button(words, action)
            self.buttons[words] = button
            grid.addWidget(button, number // columns, number % columns)
        grid.setRowStretch(grid.rowCount(), 1)
        self._area.setWidget(inside)

    def _torques(self) -> tuple[float, ...]:
        """Settings of the ratchet; below the first one for a reading that never clicked."""
        settings = self.plan.settings_Ncm
        below = (round(settings[0] / 2, 1),) if self._pending is Kind.FINAL_TORQUE else ()
        return (*below, *settings)

    # ---- what was pressed

    def _chosen(self, kind: Kind) -> None:
        ask_height = kind is Kind.DEPTH_CONFIRMED and not self.record.state.mark_seen
        if ask_height or kind in (*_NEEDS_TURNS, Kind.FINAL_TORQUE, Kind.OPENED):
            self._pending, self._turns = kind, None
            self._show_choices(())
        elif kind is Kind.REPLACED:
            self._say_problem(say("seat.replace"))
        else:
            self.enter(Entry(kind))

    def _turned(self, turns: float) -> None:
        kind = self._pending
        if kind is Kind.CLICKED:
            self._turns = turns
            self._show_choices(())
        elif kind is not None:
            self.enter(Entry(kind, turns=turns))

    def _torqued(self, torque_Ncm: float) -> None:
        kind, turns = self._pending, self._turns
        if kind is not None:
            self.enter(Entry(kind, turns=turns, torque_Ncm=torque_Ncm))

    def _mark_stands(self, above_mm: float) -> None:
        self.enter(Entry(Kind.DEPTH_CONFIRMED, above_gum_mm=above_mm))

    def _write(self, kind: Kind, key: str, ask: str) -> None:
        """A remark is welcome at any time and moves nothing."""
        text, given = QInputDialog.getText(self, say(key), say(ask))
        if given and text.strip():
            self.enter(Entry(kind, text=text.strip()))

    def _back(self) -> None:
        self._pending, self._turns = None, None
        self._show()

    # ---- parts

    def _say_problem(self, words: str) -> None:
        self.problem.setText(words)
        self.problem.setVisible(bool(words))

    @staticmethod
    def _label(size: float, name: str = "", bold: bool = False) -> QLabel:
        label = QLabel()
        label.setWordWrap(True)
        label.setTextFormat(Qt.TextFormat.PlainText)
        label.setObjectName(name)
        font = label.font()
        font.setPointSizeF(font.pointSizeF() * size)
        font.setBold(bold)
        label.setFont(font)
        label.setVisible(name != "problem")
        return label

    @staticmethod
    def _button(words: str, action: Callable[[], object]) -> QPushButton:
        button = QPushButton(words)
        button.setObjectName("gloved")
        button.setMinimumSize(150, 84)
        button.clicked.connect(lambda: action())
        return button
