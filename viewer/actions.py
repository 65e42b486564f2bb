"""Buttons and keys of the window: each is one line in a table, and one small method."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QUrl
from PySide6.QtGui import QDesktopServices, QKeySequence, QShortcut
from PySide6.QtWidgets import QFileDialog, QInputDialog, QMessageBox

from siteplan.case.model import WIDEST_OPENING_MM
from viewer.adding import Adding
from viewer.led import Led
from viewer.look import Tissue
from viewer.reporting import Reporting
from viewer.session import Session
from viewer.sharing import ShareDialog
from viewer.structures import Structures
from viewer.texts import say
from viewer.workspace import TOOLS

if TYPE_CHECKING:
    from viewer.window import MainWindow

POINTER = 5.0
"""A pointer that no fixture hangs on moves this many times further with each key."""
NUDGE_MM, FAR_MM, TILT_DEG, STEP_MM, TURN_DEG = 0.1, 0.5, 0.5, 0.5, 5.0


class Actions(QObject):
    """What can be done, tied to buttons and keys."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self.window = window
        self.desk = window.desk
        self.space = window.space
        self.adding = Adding(window.desk, window)
        self.structures = Structures(window.desk, window)
        self.led = Led(window.desk, window)
        self.reporting = Reporting(window.desk, self)
        self.reporting.done.connect(self._report_done)
        self.last_report: Path | None = None
        self._shortcuts = [self._shortcut(keys, action) for keys, action in self._table()]
        space = self.space
        space.open_button.clicked.connect(window.ask_folder)
        space.undo_button.clicked.connect(self.undo)
        space.redo_button.clicked.connect(self.redo)
        space.save_button.clicked.connect(window.save)
        space.identity_button.toggled.connect(lambda _on: window._show_state())
        space.light_button.clicked.connect(window.toggle_light)
        space.share_button.clicked.connect(self.share)
        space.report_button.clicked.connect(self.report)
        space.solid_button.clicked.connect(self.solid)
        space.cards.adding.connect(self.adding.ask_tooth)
        space.arch_button.clicked.connect(self.adding.show_arch)
        space.structures_button.clicked.connect(self.structures.menu)
        space.confirm_button.clicked.connect(self.structures.menu)
        space.mouth_button.clicked.connect(self.mouth_opening)
        space.height_button.clicked.connect(self.free_height)
        space.seat_button.clicked.connect(self.seat)
        space.section.clicked.connect(self._place)
        space.section.marked.disconnect(self.desk.add_mark)
        space.section.marked.connect(self._mark)
        space.strip.pointed_at.connect(self._place)

    def _table(self) -> list[tuple[str, Callable[[], object]]]:
        desk, section = self.desk, self.space.section
        far = FAR_MM
        table: list[tuple[str, Callable[[], object]]] = [
            ("Left", lambda: self.arrow(-NUDGE_MM, 0)),
            ("Right", lambda: self.arrow(NUDGE_MM, 0)),
            ("Up", lambda: self.arrow(0, NUDGE_MM)),
            ("Down", lambda: self.arrow(0, -NUDGE_MM)),
            ("Shift+Left", lambda: self.arrow(-far, 0)),
            ("Shift+Right", lambda: self.arrow(far, 0)),
            ("Shift+Up", lambda: self.arrow(0, far)),
            ("Shift+Down", lambda: self.arrow(0, -far)),
            ("Alt+Left", lambda: desk.tilt(-TILT_DEG)),
            ("Alt+Right", lambda: desk.tilt(TILT_DEG)),
            ("W", lambda: desk.change_fixture(wider=1)),
            ("Shift+W", lambda: desk.change_fixture(wider=-1)),
            ("E", lambda: desk.change_fixture(longer=1)),
            ("Shift+E", lambda: desk.change_fixture(longer=-1)),
            ("F", self.choose_fixture),
            ("P", self.adding.propose),
            ("G", self.led.menu_by_key),
            (",", lambda: self.sideways(-1)),
            (".", lambda: self.sideways(1)),
            ("[", lambda: self.turn(-1)),
            ("]", lambda: self.turn(1)),
            ("+", lambda: section.zoom(1.15)),
            ("=", lambda: section.zoom(1.15)),
            ("-", lambda: section.zoom(1 / 1.15)),
            ("Home", section.recentre),
            ("H", self.space.lines_button.toggle),
            ("A", self.space.arch_button.click),
            ("C", self.take_canal),
            ("PgUp", lambda: self.other_site(-1)),
            ("PgDown", lambda: self.other_site(1)),
            ("Ctrl+N", self.adding.ask_tooth),
            ("Delete", self.adding.remove),
            ("Escape", self.leave),
            ("Backspace", self.remove_mark),
            ("Ctrl+T", self.structures.trace),
            ("Ctrl+P", self.structures.propose),
            ("Ctrl+J", self.structures.look_along),
            ("Ctrl+Return", self.structures.confirm_first),
            ("Ctrl+Backspace", self.structures.reject_first),
            ("Ctrl+K", self.structures.menu_by_key),
            ("F3", self.solid),
            ("F5", desk.measure_again),
            ("Ctrl+Z", self.undo),
            ("Ctrl+Shift+Z", self.redo),
            ("Ctrl+Y", self.redo),
            ("Ctrl+S", self.window.save),
            ("Ctrl+O", self.window.ask_folder),
            ("Ctrl+R", self.report),
            ("Ctrl+E", self.share),
            ("Ctrl+C", self.copy),
            ("Ctrl+G", self.seat),
            ("Ctrl+M", self.mouth_opening),
            ("Ctrl+H", self.free_height),
            ("Q", lambda: self.space.answers.step(1)),
            ("Shift+Q", lambda: self.space.answers.step(-1)),
            ("Ctrl+I", self.space.identity_button.toggle),
            ("Ctrl+L", self.window.toggle_light),
            ("F1", self.keys),
        ]
        for number, tissue in enumerate(Tissue, 1):
            table.append((f"Alt+{number}", self.space.tissue_buttons[tissue].click))
        for number, tool in enumerate(TOOLS, 1):
            table.append((str(number), self.space.tool_buttons[tool].click))
        return table

    def _shortcut(self, keys: str, action: Callable[[], object]) -> QShortcut:
        shortcut = QShortcut(QKeySequence(keys), self.window)
        shortcut.activated.connect(lambda: action() if self.desk.session is not None or keys == "Ctrl+O" else None)
        return shortcut

    def opened(self, session: Session) -> None:
        """A session was opened: look for its arch. What was looked for in another scan must not arrive in this one."""
        self.structures.give_up()
        self.structures.leave()
        self.adding.opened(session)

    def close(self) -> None:
        """End all work."""
        for part in (self.adding, self.structures, self.reporting):
            part.close()

    # ---- small actions

    def undo(self) -> None:
        """Take the last change back."""
        if self.desk.session is not None:
            self.space.told.settled("place")
            self.desk.session.undo()

    def redo(self) -> None:
        """Bring the last undone change again."""
        if self.desk.session is not None:
            self.space.told.settled("place")
            self.desk.session.redo()

    @property
    def _on_arch(self) -> bool:
        return self.space.stage.currentWidget() is self.space.arch

    def arrow(self, right_mm: float, up_mm: float) -> None:
        """An arrow key moves what is in the hand: a point of the arch, a pointer, else the fixture."""
        section = self.space.section
        if self._on_arch:
            self.space.arch.move_by_key(POINTER * right_mm, POINTER * up_mm)
        elif section.keys_point:
            factor = 1.0 if section.held_crossing is not None else POINTER
            section.move_by_key(factor * right_mm, factor * up_mm)
        else:
            self.desk.nudge(right_mm, up_mm)

    def sideways(self, step: int) -> None:
        """The next section along the arch; on the axial picture the next point of the arch."""
        if self._on_arch:
            self.space.arch.choose_point(step)
        else:
            self.desk.step(step * STEP_MM)

    def turn(self, step: int) -> None:
        """Turn the section round the fixture; on the axial picture another height."""
        if self._on_arch:
            self.space.arch.stepped.emit(step)
        else:
            self.desk.turn(step * TURN_DEG)

    def take_canal(self) -> None:
        """Take hold of the canal in the section, for the arrow keys to move."""
        if not self._on_arch and self.space.section.take_canal():
            self.space.section.setFocus()

    def other_site(self, step: int) -> None:
        """The next or the last card."""
        plan = self.desk.plan
        teeth = [e.tooth for e in plan.sites] if plan else []
        if self.desk.tooth in teeth:
            self.desk.choose(teeth[(teeth.index(self.desk.tooth) + step) % len(teeth)])

    def leave(self) -> None:
        """Put away whatever is in the hand; of a measurement by hand first its points, and of an empty hand what
        is said over the work."""
        if self.space.section.has_points:
            self.space.section.forget_points()
            return
        given_up = [part.give_up() for part in (self.structures, self.adding, self.reporting)]
        if any(given_up):
            self.space.told.news("given up", say("app.given-up"))
            return
        in_hand = self.space.section.keys_point or self.adding.wanted is not None
        self.space.section.let_canal_go()
        self.desk.choose_tool("")
        self.adding.leave()
        self.structures.leave()
        if not in_hand:
            self.space.told.put_away()

    def remove_mark(self) -> None:
        """Remove the last hand measurement."""
        session = self.desk.session
        if session is not None and session.plan.marks:
            session.change(session.plan.without_mark(session.plan.marks[-1]), say("did.remove-mark"))

    def choose_fixture(self) -> None:
        """A fixture from the catalogue by name."""
        library, entry = self.desk.library, self.desk.entry
        if library is None or entry is None:
            return
        names = [*library.catalogue.names, say("fixture.none")]
        present = names.index(entry.fixture) if entry.fixture in names else len(names) - 1
        name, chosen = QInputDialog.getItem(
            self.window, say("app.name"), say("fixture.choose-ask", tooth=entry.tooth), names, present, False
        )
        if chosen:
            self.desk.set_fixture(None if name == say("fixture.none") else name)

    def mouth_opening(self) -> None:
        """How far the mouth opens: whether the handpiece fits depends on it."""
        session = self.desk.session
        if session is None:
            return
        case = session.plan.case
        most, present = WIDEST_OPENING_MM, case.mouth_opening_mm or 0.0
        value, given = QInputDialog.getDouble(
            self.window, say("drill.mouth"), say("drill.mouth-ask"), present, 0.0, most, 1
        )
        if given:
            changed = case.model_copy(update={"mouth_opening_mm": value or None})
            session.change(replace(session.plan, case=changed), say("did.mouth"))

    def free_height(self) -> None:
        """How much room there is above the present site: goes before the mouth's opening between the front teeth."""
        entry = self.desk.entry
        if entry is None:
            return
        ask, present = say("drill.height-ask", tooth=entry.tooth), entry.free_height_mm or 0.0
        value, given = QInputDialog.getDouble(self.window, say("drill.height"), ask, present, 0.0, WIDEST_OPENING_MM, 1)
        if given:
            changed = entry.model_copy(update={"free_height_mm": value or None})
            self.desk.put(changed, say("did.height", tooth=entry.tooth))

    def keys(self) -> None:
        """All keys."""
        QMessageBox.information(self.window, say("keys.title"), say("keys.text").strip())

    def _mark(self, mark: object) -> None:
        from viewer.plan import HandMark

        assert isinstance(mark, HandMark)
        if mark.kind == "note":
            text, given = QInputDialog.getText(self.window, say("hand.note-title"), say("hand.note-ask"))
            if not given or not text.strip():
                self.desk.choose_tool("")
                return
            mark = replace(mark, text=text.strip())
        self.desk.add_mark(mark)

    def _place(self, point: object) -> None:
        if self.structures.waits:
            self.structures.take(point)
        else:
            self.adding.take(point)

    # ---- share, report, guide

    def share(self) -> None:
        """One picture with or without the patient."""
        if self.desk.entry is not None:
            ShareDialog(self.window).exec()

    def copy(self) -> None:
        """The picture on the clipboard, without the patient: the default for sharing is none."""
        if self.desk.entry is not None:
            ShareDialog(self.window).copy(with_patient=False)

    def report(self) -> None:
        """Assess every site and write the report into a folder."""
        session = self.desk.session
        if session is None or not session.plan.sites or self.reporting.busy:
            return
        folder = QFileDialog.getExistingDirectory(self.window, say("report.title"), str(session.home))
        if folder:
            chosen = Path(folder)
            # Beside the case the report gets a folder of its own; anywhere else the chosen folder is it.
            self.reporting.write(chosen / say("report.folder") if chosen == session.home else chosen)

    def _report_done(self, page: object, told: str) -> None:
        assert isinstance(page, Path)
        self.last_report = page
        self.space.told.news("report", " ".join([say("report.done", place=page.name), told]).strip())
        if QDesktopServices is not None and not self.window.property("quiet"):
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(page)))

    def solid(self) -> None:
        """All sites in 3D."""
        from viewer.solid_view import show_solid

        show_solid(self.window)

    def seat(self) -> None:
        """The seating guide of the present site."""
        from viewer.seat_dialog import start_guide

        start_guide(self.window)
