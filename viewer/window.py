"""The main window: what is open, and the way from nothing to a case and back."""

import time
from pathlib import Path

from PySide6.QtCore import QPoint, Qt, Signal
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent, QShowEvent
from PySide6.QtWidgets import QApplication, QFileDialog, QMainWindow, QMessageBox, QStackedWidget

from siteplan.errors import OutputError, SiteplanError
from siteplan.scan import ScanFinding
from viewer import opening, style
from viewer.actions import Actions
from viewer.desk import Desk
from viewer.jobs import Channel, leave
from viewer.lock import CaseLock
from viewer.opening import FirstPicture, Opened, OpenRequest
from viewer.pages import LoadingPage, ProblemPage, SeriesChoice, StartPage, place_words
from viewer.paint import grey_image
from viewer.recovery import Recovered, RecoveryFile, all_recovered, find_recovered, set_aside
from viewer.session import ChangedMeanwhile, Session
from viewer.texts import say
from viewer.workspace import Workspace


class MainWindow(QMainWindow):
    """See the module."""

    _kept = Signal()  # from the thread that keeps unsaved work: it was written, or could not be

    def __init__(self) -> None:
        super().__init__()
        self.setAcceptDrops(True)
        self.setWindowTitle(say("app.name"))
        room = self.screen().availableSize()
        self.resize(min(1480, room.width()), min(940, room.height()))
        self._share_out = True
        self.pages = QStackedWidget()
        self.start, self.loading, self.problem = StartPage(), LoadingPage(), ProblemPage()
        self.space = Workspace()
        for page in (self.start, self.loading, self.problem, self.space):
            self.pages.addWidget(page)
        self.setCentralWidget(self.pages)
        self.desk = Desk(self.space, self)
        self.opener = Channel("open", self, leaves_behind=True)
        self.first = Channel("first", self, leaves_behind=True)
        self.why = Channel("why", self, leaves_behind=True)
        self.lock: CaseLock | None = None
        self._wanted = OpenRequest(Path())
        self._recovered: list[Recovered] = []
        self._leaving: str | None = None
        self.actions_ = Actions(self)
        self._connect()
        self._show_start()

    def _connect(self) -> None:
        self.start.folder_wanted.connect(self.ask_folder)
        self.start.file_wanted.connect(self.ask_file)
        self.start.recovered.connect(self._open_recovered)
        self.loading.cancelled.connect(self.cancel_opening)
        self.problem.again.connect(self._show_start)
        self.problem.chosen.connect(lambda number: self.open(self._wanted.path, number))
        self.opener.done.connect(lambda _n, opened: self._opened(opened))
        self.opener.failed.connect(lambda _n, sentence: self._failed(sentence))
        self.opener.moved.connect(lambda _n, share, words: self.loading.set_progress(share, words))
        self.first.done.connect(lambda _n, answer: self._show_first(answer))
        self.first.failed.connect(lambda _n, _s: None)  # a look before the scan is there, and no more than that
        self.why.done.connect(lambda _n, answer: self._explain(*answer))
        self.why.failed.connect(lambda _n, _s: None)  # the sentence that it adds to is on the screen already
        self.desk.changed.connect(self._show_state)
        self._kept.connect(self._show_state, Qt.ConnectionType.QueuedConnection)

    # ---- open

    def ask_folder(self) -> None:
        """Choose a scan folder by dialogue."""
        name = QFileDialog.getExistingDirectory(self, say("open.folder-title"))
        if name:
            self.open(Path(name))

    def ask_file(self) -> None:
        """Choose a case, ZIP or DICOM file by dialogue."""
        name, _ = QFileDialog.getOpenFileName(self, say("open.file-title"), "", say("open.filter"))
        if name:
            self.open(Path(name))

    def open(self, path: Path, series: str | None = None) -> None:
        """Open a place; the window stays alive meanwhile."""
        if not self._may_leave():
            return
        self._wanted = OpenRequest(path, series)
        self.loading.begin(place_words(path))
        self.pages.setCurrentWidget(self.loading)
        request = self._wanted
        self.opener.ask(lambda ticket: opening.open_place(request, ticket), give_up_running=True)
        if path.suffix.lower() != ".json":
            self.first.ask(lambda _ticket: opening.first_picture(request), give_up_running=True)

    def cancel_opening(self) -> None:
        """Give up reading; what was open before is still there."""
        self.opener.cancel()
        self.first.cancel()
        self.why.cancel()
        if self.desk.session is not None:
            self.pages.setCurrentWidget(self.space)
        else:
            self._show_start()

    def _show_start(self) -> None:
        self._recovered = all_recovered()
        lines = [
            say("start.recovered-line", what=place_words(r.subject), when=_when(r.saved_at)) for r in self._recovered
        ]
        self.start.set_recovered(lines)
        self.pages.setCurrentWidget(self.start)

    def _open_recovered(self, row: int) -> None:
        if 0 <= row < len(self._recovered):
            self.open(self._recovered[row].subject)

    def _show_first(self, picture: object) -> None:
        if self.pages.currentWidget() is self.loading and isinstance(picture, FirstPicture):
            self.loading.set_preview(grey_image(picture.grey, picture.window))

    def _failed(self, sentence: str) -> None:
        """Say what is wrong, with the scans to choose from where there are several."""
        request = self._wanted
        self.first.cancel()
        self.problem.show_problem(place_words(request.path), sentence)
        self.pages.setCurrentWidget(self.problem)
        self.why.ask(lambda _ticket: (request, sentence, *opening.explain(request)), give_up_running=True)

    def _explain(
        self,
        request: OpenRequest,
        sentence: str,
        findings: tuple[ScanFinding, ...],
        choices: list[tuple[str, str]],
    ) -> None:
        """Add what was found about a place that could not be opened, if it is still the one that is shown."""
        if request is self._wanted and self.pages.currentWidget() is self.problem:
            listed = [SeriesChoice(n, words) for n, words in choices]
            self.problem.show_problem(place_words(request.path), sentence, findings, listed)

    def _opened(self, opened: Opened) -> None:
        lock = CaseLock(opened.subject)
        holder = lock.take()
        if holder and not self._open_anyway(holder):
            self._show_start()
            return
        plan, saved = opened.plan, opened.plan
        found = find_recovered(opened.subject)
        if found is not None and found.plan != plan:
            if self._take_recovered(found):
                plan = found.plan
            else:
                set_aside(found)
        self._leave_session()
        self.lock = lock
        recovery = RecoveryFile(opened.subject, opened.home, told=self._kept.emit)
        session = Session(
            opened.scan,
            plan,
            opened.home,
            opened.case_path,
            recovery=recovery,
            saved=saved,
            digest=opened.digest,
            windows=opened.windows,
        )
        self.pages.setCurrentWidget(self.space)
        self.desk.open(session)
        self.actions_.opened(session)
        self._show_state()
        self.space.section.setFocus()

    def _open_anyway(self, where: str) -> bool:
        return (
            self.ask(
                say("open.locked-title"),
                say("open.locked", where=where),
                (say("open.locked-go"), say("open.locked-stop")),
            )
            == 0
        )

    def _take_recovered(self, found: Recovered) -> bool:
        text = f"{say('open.recovered', when=_when(found.saved_at))}\n{say('open.recovered-kept')}"
        answers = (say("open.recovered-take"), say("open.recovered-leave"))
        return self.ask(say("open.recovered-title"), text, answers) == 0

    def ask(self, title: str, text: str, answers: tuple[str, ...]) -> int:
        """A question with named answers; the place of the chosen one, the last one for Escape."""
        box = QMessageBox(self)
        box.setWindowTitle(title)
        box.setText(text)
        box.setTextFormat(Qt.TextFormat.PlainText)
        buttons = [box.addButton(words, QMessageBox.ButtonRole.ActionRole) for words in answers]
        box.setDefaultButton(buttons[0])
        box.setEscapeButton(buttons[-1])
        box.exec()
        return next((n for n, button in enumerate(buttons) if button is box.clickedButton()), len(answers) - 1)

    # ---- save and leave

    def save(self) -> bool:
        """Write the case file; asks for a place the first time. False when it was not written."""
        session = self.desk.session
        if session is None:
            return False
        try:
            session.plan.checked_case()
            path = session.path
            if path is None:
                name, _ = QFileDialog.getSaveFileName(
                    self, say("save.title"), str(session.home / "case.json"), say("save.filter")
                )
                if not name:
                    return False
                path = Path(name)
            session.save(path)
        except ChangedMeanwhile as error:
            return self._save_beside_others(session, str(error))
        except OutputError as error:
            return self._save_elsewhere(session, str(error))
        except SiteplanError as error:
            self.space.told.problem("save", say("save.not-written", error=error))
            return False
        self.space.told.settled("save")
        self._show_state()
        return True

    def _save_beside_others(self, session: Session, why: str) -> bool:
        """Somebody else has changed the case file: their work is written over only when a person says so."""
        answers = (say("save.elsewhere"), say("save.over-others"), say("save.later"))
        chosen = self.ask(say("save.changed-title"), why, answers)
        if chosen == 0:
            return self._save_to(session, self._other_place(session))
        if chosen == 1:
            return self._save_to(session, session.path, over_others=True)
        self.space.told.problem("save", say("save.not-written", error=why))
        return False

    def _other_place(self, session: Session) -> Path | None:
        start = str(Path.home() / (session.path or Path("case.json")).name)
        name, _ = QFileDialog.getSaveFileName(self, say("save.title"), start, say("save.filter"))
        return Path(name) if name else None

    def _save_to(self, session: Session, path: Path | None, *, over_others: bool = False) -> bool:
        """Save there and say so; False where no place was chosen, or it cannot be written either."""
        if path is None:
            return False
        try:
            session.save(path, over_others=over_others)
        except SiteplanError as error:
            self.space.told.problem("save", say("save.not-written", error=error))
            return False
        self.space.told.settled("save")
        self._show_state()
        return True

    def _save_elsewhere(self, session: Session, why: str) -> bool:
        """The place cannot be written, a read-only medium for instance: say so and offer another one."""
        answers = (say("save.elsewhere"), say("save.later"))
        if self.ask(say("save.elsewhere-title"), say("save.not-written", error=why), answers) != 0:
            self.space.told.problem("save", say("save.not-written", error=why))
            return False
        return self._save_to(session, self._other_place(session))

    def _may_leave(self) -> bool:
        """Whether the present case may be left; asks where it has unsaved changes."""
        session = self.desk.session
        if session is None or not session.unsaved:
            return True
        answers = (say("save.close-save"), say("save.close-keep"), say("save.close-stay"))
        chosen = self.ask(say("save.close-title"), say("save.close"), answers)
        return self.save() if chosen == 0 else chosen == 1

    def _leave_session(self) -> None:
        if self.desk.session is not None:
            self.desk.session.close()
        if self.lock is not None:
            self.lock.release()
            self.lock = None

    def showEvent(self, event: QShowEvent) -> None:
        """The columns get their widths once, at the size that the screen allows."""
        super().showEvent(event)
        if self._share_out:
            self._share_out = False
            self.space.share_out(self.width())

    def closeEvent(self, event: QCloseEvent) -> None:
        """Ask about unsaved changes, then end all work."""
        if not self._may_leave():
            event.ignore()
            return
        self._leave_session()
        self.hide()  # what is still being worked on ends in its own time, which nobody need watch
        leave(self.findChildren(Channel))
        self.actions_.close()
        self.desk.close()
        event.accept()

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Take files and folders."""
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Open what was dropped."""
        paths = [Path(url.toLocalFile()) for url in event.mimeData().urls() if url.isLocalFile()]
        if paths:
            event.acceptProposedAction()
            self.open(paths[0])

    def tell_of_error(self, sentence: str) -> None:
        """Say that something went wrong in the window itself, wherever the person is."""
        if self.pages.currentWidget() is self.space:
            self.space.told.problem(sentence, sentence)
        else:
            for channel in (self.opener, self.first, self.why):
                channel.cancel()  # what is still on its way must not take the sentence away
            self.problem.show_problem(place_words(self._wanted.path), sentence)
            self.pages.setCurrentWidget(self.problem)

    # ---- what the top line says

    def _show_state(self) -> None:
        session = self.desk.session
        if session is None:
            return
        space = self.space
        name = place_words(session.path or session.home / session.plan.case.series)
        self.setWindowTitle(say("app.title", name=name))
        shown = space.identity_button.isChecked()
        space.title.setText(self.patient_line() if shown else name)
        space.section.identity = self.patient_line() if shown else ""
        space.arch.identity = space.section.identity
        problem = session.recovery.problem if session.recovery else ""
        kept = "top.saved" if session.path is not None else "top.new"
        state = "top.unkept" if problem else "top.unsaved" if session.unsaved else kept
        elsewhere = session.recovery.elsewhere if session.recovery and session.unsaved else ""
        space.state.setText(say("top.elsewhere", place=elsewhere) if elsewhere else say(state, why=problem))
        for button, words, key in (
            (space.undo_button, session.undo_words, "undo"),
            (space.redo_button, session.redo_words, "redo"),
        ):
            button.setEnabled(bool(words))
            button.setToolTip(say(f"top.{key}-what", what=words) if words else say(f"top.{key}-tip"))
        space.save_button.setEnabled(session.unsaved)
        space.report_button.setEnabled(bool(session.plan.sites))

    def patient_line(self) -> str:
        """Who this is, as the case or the scan says."""
        session = self.desk.session
        if session is None:
            return ""
        from siteplan.report.identity import spoken_name
        from siteplan.report.words import date_words

        patient, label = session.scan.patient, session.plan.case.patient_label
        parts = [label or spoken_name(patient.name), patient.identifier, date_words(patient.birth_date)]
        return " · ".join(p for p in parts if p) or say("top.no-patient")

    def toggle_light(self) -> None:
        """From light to dark and back."""
        app = QApplication.instance()
        assert isinstance(app, QApplication)
        style.apply(app, style.LIGHT if style.current() is style.DARK else style.DARK)
        self.space.light_button.setText(say("top.light") if style.current() is style.LIGHT else say("top.light-back"))

    def middle(self) -> QPoint:
        """The middle of the window on the screen."""
        return self.mapToGlobal(self.rect().center())


def _when(seconds: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M", time.localtime(seconds))
