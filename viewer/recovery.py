"""What survives a crash: a recovery file that follows every change.

It lives in the user's own state folder, named by a hash: never by a patient.
"""

import hashlib
import json
import os
import sys
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from siteplan.case.store import write_whole
from siteplan.errors import CaseError, OutputError
from viewer.plan import Plan, plan_from_json
from viewer.texts import say

_SCHEMA = "siteplan-recovery/1"


def state_folder() -> Path:
    """The user's state folder for this program; `SITEPLAN_STATE` overrides it."""
    given = os.environ.get("SITEPLAN_STATE")
    if given:
        return Path(given)
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", str(Path.home()))) / "siteplan"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "siteplan"
    return Path(os.environ.get("XDG_STATE_HOME", str(Path.home() / ".local" / "state"))) / "siteplan"


def recovery_folders() -> tuple[Path, ...]:
    """Where unsaved work is kept: the state folder, and where that cannot be written a private one of the system."""
    who = getattr(os, "getuid", lambda: "user")()
    return state_folder() / "recovery", Path(tempfile.gettempdir()) / f"siteplan-{who}" / "recovery"


def key_of(subject: Path) -> str:
    """A stable short name for a case or a series that reveals neither its path nor a person."""
    return hashlib.sha256(str(subject.resolve()).encode()).hexdigest()[:20]


@dataclass(frozen=True)
class Recovered:
    """Unfinished work that was found."""

    plan: Plan
    file: Path
    subject: Path
    home: Path
    saved_at: float


class RecoveryFile:
    """Follows the plan onto disk in a thread of its own, the newest plan always last.

    A plan is written whole or not at all. Where the usual place cannot be written (read-only medium, full disk) the
    next one is taken. `problem` says why nothing can be kept at all, `elsewhere` where it is kept instead; "" when all
    is well.
    """

    def __init__(
        self, subject: Path, home: Path, folder: Path | None = None, *, told: Callable[[], None] = lambda: None
    ) -> None:
        """Follow a plan; `told` is called in the writing thread after each writing, whatever became of it."""
        self.subject = subject.resolve()
        self.home = home.resolve()
        self._places = tuple(f / f"{key_of(subject)}.json" for f in ((folder,) if folder else recovery_folders()))
        self.file = self._places[0]
        self.problem = ""
        self.elsewhere = ""
        self._told = told
        self._waiting: Plan | None = None
        self._busy = False
        self._state = threading.Condition()

    def keep(self, plan: Plan) -> None:
        """Have `plan` written; returns at once."""
        with self._state:
            self._waiting = plan
            if not self._busy:
                self._busy = True
                threading.Thread(target=self._write_all, name="siteplan-recovery").start()

    def flush(self) -> None:
        """Wait until the newest plan is on disk."""
        with self._state:
            self._state.wait_for(lambda: not self._busy)

    def discard(self) -> None:
        """Remove the file: the case file holds everything now."""
        self.flush()
        for place in self._places:
            with suppress(OSError):  # where nothing could be written there is nothing to remove
                place.unlink(missing_ok=True)

    def _write_all(self) -> None:
        while True:
            with self._state:
                plan, self._waiting = self._waiting, None
                if plan is None:
                    self._busy = False
                    self._state.notify_all()
                    return
            try:
                self._write(plan)
            except Exception as error:  # a thread that died here would keep `flush`, and the window, waiting for ever
                self.problem = say("error.inside", what=type(error).__name__)
            with suppress(RuntimeError):  # the window went away meanwhile
                self._told()

    def _write(self, plan: Plan) -> None:
        content = {"schema": _SCHEMA, "subject": str(self.subject), "home": str(self.home), **plan.as_json()}
        reasons = []
        for place in self._places:
            try:
                place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                write_whole(place, json.dumps(content).encode())
                place.chmod(0o600)
            except (OSError, OutputError) as error:
                reasons.append(str(error))
                continue
            self.file, self.problem = place, ""
            self.elsewhere = str(place.parent) if reasons else ""
            return
        self.problem = reasons[0]


def find_recovered(subject: Path, folder: Path | None = None) -> Recovered | None:
    """Unfinished work on a case or a series; None when there is none or it is damaged (it is then left in place)."""
    key = f"{key_of(subject)}.json"
    found = [_read(place / key) for place in ((folder,) if folder else recovery_folders())]
    return max((r for r in found if r is not None), key=lambda r: r.saved_at, default=None)


def all_recovered(folder: Path | None = None) -> list[Recovered]:
    """All unfinished work, newest first."""
    places = (folder,) if folder else recovery_folders()
    found = [_read(file) for place in places for file in place.glob("*.json")]
    return sorted((r for r in found if r is not None), key=lambda r: -r.saved_at)


def set_aside(found: Recovered) -> Path:
    """Keep recovered work that a person does not want now under another name; nothing is deleted."""
    number = 1
    while (target := found.file.with_suffix(f".aside{number}")).exists():
        number += 1
    found.file.replace(target)
    return target


def _read(file: Path) -> Recovered | None:
    try:
        content: Any = json.loads(file.read_text("utf-8"))
        if content["schema"] != _SCHEMA:
            return None
        plan = plan_from_json(content)
        return Recovered(plan, file, Path(content["subject"]), Path(content["home"]), file.stat().st_mtime)
    except (OSError, ValueError, KeyError, TypeError, CaseError):
        return None
