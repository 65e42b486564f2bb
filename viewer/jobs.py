"""Slow work off the main thread: a frozen request goes out, an answer with its number comes back, late ones
are dropped.

Each channel has one thread and at most one waiting request: a newer request replaces a waiting one, so a drag
never queues up. Answers arrive in the main thread by Qt's queued signals.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QObject, Qt, Signal

from siteplan.errors import SiteplanError
from viewer.texts import say


class Cancelled(Exception):
    """The work was given up on purpose."""


@dataclass(frozen=True)
class Ticket:
    """What a piece of work may ask and say while it runs."""

    number: int
    _stop: threading.Event
    _report: Callable[[int, float, str], None]

    @property
    def cancelled(self) -> bool:
        """Whether nobody waits for this any more."""
        return self._stop.is_set()

    def progress(self, fraction: float, words: str) -> None:
        """Say how far it is.

        Raises:
            Cancelled: nobody waits any more; let it end the work.
        """
        if self._stop.is_set():
            raise Cancelled
        self._report(self.number, fraction, words)


Work = Callable[[Ticket], Any]


class Channel(QObject):
    """One kind of slow work.

    Signals:
        done(number, answer), failed(number, sentence), moved(number, fraction, words), see `each_newer`.
    """

    done = Signal(int, object)
    failed = Signal(int, str)
    moved = Signal(int, float, str)
    _arrived = Signal(int, object, str)
    _progressed = Signal(int, float, str)

    def __init__(self, name: str, parent: QObject | None = None, *, each_newer: bool = False) -> None:
        """Make a channel; `each_newer` lets every answer arrive that is newer than the last one, not only the newest.

        A hand that keeps moving asks faster than answers come: with the newest only it would see none until it rests.
        """
        super().__init__(parent)
        self._name = name
        self._each_newer = each_newer
        self._wanted_from = 1
        self._condition = threading.Condition()
        self._waiting: tuple[Ticket, Work] | None = None
        self._running: Ticket | None = None
        self._newest = 0
        self._closed = False
        self._thread: threading.Thread | None = None
        self._arrived.connect(self._deliver, Qt.ConnectionType.QueuedConnection)
        self._progressed.connect(self._tell, Qt.ConnectionType.QueuedConnection)

    @property
    def busy(self) -> bool:
        """Whether work is running or waiting."""
        with self._condition:
            return self._running is not None or self._waiting is not None

    def ask(self, work: Work, *, give_up_running: bool = False) -> int:
        """Have `work` done; returns the request's number. Whatever waits is replaced.

        Args:
            give_up_running: also ask the running work to stop.
        """
        with self._condition:
            self._newest += 1
            ticket = Ticket(self._newest, threading.Event(), self._progressed.emit)
            if self._waiting is not None:
                self._waiting[0]._stop.set()
            if give_up_running and self._running is not None:
                self._running._stop.set()
            self._waiting = (ticket, work)
            if self._thread is None and not self._closed:
                self._thread = threading.Thread(target=self._run, name=f"siteplan-{self._name}", daemon=True)
                self._thread.start()
            self._condition.notify_all()
            return ticket.number

    def cancel(self) -> None:
        """Drop waiting work, stop running work, and let no answer arrive."""
        with self._condition:
            self._newest += 1
            self._wanted_from = self._newest
            if self._waiting is not None:
                self._waiting[0]._stop.set()
                self._waiting = None
            if self._running is not None:
                self._running._stop.set()

    def give_up(self) -> bool:
        """Cancel what runs or waits; whether there was anything."""
        if not self.busy:
            return False
        self.cancel()
        return True

    def close(self, wait_s: float = 10.0) -> None:
        """End the thread; call before the window goes."""
        self.cancel()
        with self._condition:
            self._closed = True
            self._condition.notify_all()
        if self._thread is not None:
            self._thread.join(wait_s)

    def _run(self) -> None:
        while True:
            with self._condition:
                self._condition.wait_for(lambda: self._waiting is not None or self._closed)
                if self._closed or self._waiting is None:
                    return
                ticket, work = self._waiting
                self._waiting, self._running = None, ticket
            answer: Any = None
            problem = ""
            try:
                answer = work(ticket)
            except Cancelled:
                problem = "cancelled"
            except SiteplanError as error:
                problem = str(error)
            except MemoryError:
                problem = say("error.memory")
            except Exception as error:
                problem = say("error.inside", what=type(error).__name__)
            with self._condition:
                self._running = None
            if not ticket.cancelled:
                self._emit(ticket.number, answer, problem)

    def _emit(self, number: int, answer: Any, problem: str) -> None:
        try:
            self._arrived.emit(number, answer, problem)
        except RuntimeError:  # the window went away while the work ran
            return

    def _deliver(self, number: int, answer: Any, problem: str) -> None:
        if number < (self._wanted_from if self._each_newer else self._newest):
            return
        self._wanted_from = number
        if problem:
            self.failed.emit(number, problem)
        else:
            self.done.emit(number, answer)

    def _tell(self, number: int, fraction: float, words: str) -> None:
        if number == self._newest:
            self.moved.emit(number, fraction, words)
