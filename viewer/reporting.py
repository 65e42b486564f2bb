"""Writing the report in a worker: assessed anew, from the plan as it is now, whatever the window shows meanwhile."""

from pathlib import Path

from PySide6.QtCore import QObject, Signal

from viewer.desk import Desk
from viewer.jobs import Channel
from viewer.measuring import ReportRequest, Written, make_report
from viewer.texts import say


class Reporting(QObject):
    """Signals: done(Path, str): the page that was written, and what is to be said about its folder."""

    done = Signal(object, str)

    def __init__(self, desk: Desk, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.channel = Channel("report", self)
        self.channel.done.connect(self._written)
        self.channel.failed.connect(lambda _n, why: desk.space.told.problem("report", say("report.failed", why=why)))
        self.channel.moved.connect(lambda _n, _share, what: self._say(say("report.working", what=what)))

    @property
    def busy(self) -> bool:
        """Whether a report is being written."""
        return self.channel.busy

    def write(self, folder: Path) -> None:
        """Write the report of the present plan into a folder."""
        session = self.desk.session
        if session is None:
            return
        shown = self.desk.space.identity_button.isChecked()
        request = ReportRequest(session.scan, session.case_file(), folder, "as given" if shown else "none")
        self._say(say("report.working", what="…"))
        self.channel.ask(lambda ticket: make_report(request, ticket))

    def give_up(self) -> bool:
        """Stop writing; whether a report was being written."""
        return self.channel.give_up()

    def close(self) -> None:
        """Give up what is being written."""
        self.channel.close()

    def _written(self, _number: int, written: object) -> None:
        assert isinstance(written, Written)
        page = next((path for path in written.files if path.suffix == ".html"), written.files[0])
        self.done.emit(page, " ".join(written.told))

    def _say(self, words: str) -> None:
        self.desk.space.told.news("report", words)
