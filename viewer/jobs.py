"""Slow work off the main thread: a frozen request goes out, an answer with its number comes back, late ones
are dropped.

Each channel has one thread and at most one waiting request: a newer request replaces a waiting one, so a drag
never queues up. Answers arrive in the main thread by Qt's queued signals.
"""

import logging
import threading
import time
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QObject, Qt, Signal

from siteplan.errors import SiteplanError
from viewer.giving_back import give_back
from viewer.texts import say

_TELL_EVERY_S = 0.05
"""Progress is told this often at most: each telling wakes the main thread, which the work then waits for."""
LEAVE_S = 3.0
"""Work that a closing window waits for at most, all of it together."""
LONG_S = 0.25
"""Work that took longer is large work: what it freed is given back, unless more of it waits."""
THREAD_NAME = "siteplan-work-"
"""How the name of every thread begins that may still be at work when the window is gone."""
_log = logging.getLogger(__name__)


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

    def __init__(
        self,
        name: str,
        parent: QObject | None = None,
        *,
        each_newer: bool = False,
        leaves_behind: bool = False,
        at_end: Callable[[], object] | None = None,
    ) -> None:
        """Make a channel.

        Args:
            each_newer: let every answer arrive that is newer than the last one, not only the newest. A hand that keeps
                moving asks faster than answers come: with the newest only it would see none until it rests.
            leaves_behind: work that was given up is not waited for; new work gets a new thread. For reading from a
                medium that may not answer for minutes.
            at_end: called in the thread of the work when that ends, for what belongs to this thread alone.
        """
        super().__init__(parent)
        self._name = name
        self._each_newer = each_newer
        self._leaves_behind = leaves_behind
        self._at_end = at_end
        self._wanted_from = 1
        self._condition = threading.Condition()
        self._waiting: tuple[Ticket, Work] | None = None
        self._running: Ticket | None = None
        self._newest = 0
        self._on_its_way = 0
        self._closed = False
        self._thread: threading.Thread | None = None
        self._arrived.connect(self._deliver, Qt.ConnectionType.QueuedConnection)
        self._progressed.connect(self._tell, Qt.ConnectionType.QueuedConnection)

    @property
    def busy(self) -> bool:
        """Whether work is running or waiting, or an answer has not arrived yet."""
        with self._condition:
            return self._running is not None or self._waiting is not None or self._on_its_way > 0

    def ask(self, work: Work, *, give_up_running: bool = False) -> int:
        """Have `work` done; returns the request's number. Whatever waits is replaced.

        Args:
            give_up_running: also ask the running work to stop.
        """
        with self._condition:
            self._newest += 1
            ticket = Ticket(self._newest, threading.Event(), self._seldom())
            if self._waiting is not None:
                self._waiting[0]._stop.set()
            if give_up_running:
                self._stop_running()
            if self._closed:
                return ticket.number
            self._waiting = (ticket, work)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name=THREAD_NAME + self._name, daemon=True)
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
            self._stop_running()

    def _stop_running(self) -> None:
        if self._running is not None:
            self._running._stop.set()
            if self._leaves_behind:
                self._running, self._thread = None, None

    def give_up(self) -> bool:
        """Cancel what runs or waits; whether there was anything."""
        if not self.busy:
            return False
        self.cancel()
        return True

    def end(self) -> None:
        """Give up all work and take no more; returns at once, see `leave`."""
        self.cancel()
        with self._condition:
            self._closed = True
            self._condition.notify_all()

    def close(self, wait_s: float = LEAVE_S) -> None:
        """End the thread; call before the window goes."""
        leave([self], wait_s)

    def _seldom(self) -> Callable[[int, float, str], None]:
        """How one piece of work tells its progress."""
        told, said = 0.0, ""

        def tell(number: int, fraction: float, words: str) -> None:
            nonlocal told, said
            now = time.monotonic()
            if words != said or now - told >= _TELL_EVERY_S:
                told, said = now, words
                self._progressed.emit(number, fraction, words)

        return tell

    def _run(self) -> None:
        own = threading.current_thread()
        while True:
            with self._condition:
                self._condition.wait_for(lambda: self._waiting or self._closed or self._thread is not own)
                if self._closed or self._waiting is None or self._thread is not own:
                    break
                ticket, work = self._waiting
                self._waiting, self._running = None, ticket
            start = time.monotonic()
            answer, problem = _outcome(work, ticket)
            with self._condition:
                if self._running is ticket:
                    self._running = None
                wanted = not ticket.cancelled
                self._on_its_way += wanted
                tidy = self._waiting is None and time.monotonic() - start > LONG_S
            if wanted:
                self._emit(ticket.number, answer, problem)
            del answer, work, ticket  # a waiting thread must not keep a scan in memory
            if tidy:
                give_back()
        if self._at_end is not None:
            self._at_end()

    def _emit(self, number: int, answer: Any, problem: str) -> None:
        try:
            self._arrived.emit(number, answer, problem)
        except RuntimeError:  # the window went away while the work ran
            return

    def _deliver(self, number: int, answer: Any, problem: str) -> None:
        with self._condition:
            self._on_its_way -= 1
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


def _outcome(work: Work, ticket: Ticket) -> tuple[Any, str]:
    """(what the work returned, "") or (None, one sentence). Nothing escapes: a thread that dies answers no more."""
    try:
        return work(ticket), ""
    except Cancelled:
        return None, say("app.given-up")
    except SiteplanError as error:
        return None, str(error)
    except MemoryError:
        return None, say("error.memory")
    except BaseException as error:  # a library in another language may raise what is no Exception
        # Where it happened, without the error's own words: they may hold a patient's name.
        _log.error("%s in a worker\n%s", type(error).__name__, "".join(traceback.format_tb(error.__traceback__)))
        return None, say("error.inside", what=type(error).__name__)


def leave(channels: Iterable[Channel], wait_s: float = LEAVE_S) -> bool:
    """End channels together; whether all their threads ended within `wait_s`."""
    parts = [channel for channel in channels if not channel._closed]  # what was left once is not waited for again
    for channel in parts:
        channel.end()
    until = time.monotonic() + wait_s
    for thread in [channel._thread for channel in parts]:
        if thread is not None:
            thread.join(max(0.0, until - time.monotonic()))
    return not any(channel._thread is not None and channel._thread.is_alive() for channel in parts)


def still_at_work() -> bool:
    """Whether a thread of any channel is still alive; the interpreter must then not be taken apart under it."""
    return any(thread.name.startswith(THREAD_NAME) for thread in threading.enumerate())
