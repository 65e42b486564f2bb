"""`Session`: the open plan, its history, and where it is kept. Knows no Qt and measures nothing."""

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from siteplan.case import CaseFile, load_case, save_case
from siteplan.case.store import write_whole
from siteplan.errors import CaseError, OutputError
from siteplan.scan import Scan
from viewer.look import Tissue, Window
from viewer.plan import Plan, empty_plan, plan_from_json, plan_of
from viewer.recovery import RecoveryFile
from viewer.texts import say

Listener = Callable[[], None]


class ChangedMeanwhile(OutputError):
    """The case file is no longer what was read: somebody else has written it."""


class Session:
    """One open plan.

    Every change is a new `Plan` at the end of the history; the recovery file follows each of them. A drag shows many
    plans (`show`) and adds one to the history when the hand lets go (`change`).

    Attributes:
        scan: the volume; never changed.
        home: the folder that the case's relative paths count from.
        path: the case file, or None before the first save.
        windows: the windows that suit the scan's grey values, where they were found already.
    """

    def __init__(
        self,
        scan: Scan,
        plan: Plan,
        home: Path,
        path: Path | None = None,
        *,
        recovery: RecoveryFile | None = None,
        saved: Plan | None = None,
        digest: str = "",
        windows: dict[Tissue, Window] | None = None,
    ) -> None:
        self.scan = scan
        self.home = home
        self.path = path
        self.recovery = recovery
        self.windows = windows or {}
        self._digest = digest
        self._past: list[tuple[Plan, str]] = []
        self._future: list[tuple[Plan, str]] = []
        self._kept = plan
        self._shown = plan
        self._saved = plan if saved is None else saved
        self._listeners: list[Listener] = []

    @property
    def plan(self) -> Plan:
        """The plan as it is shown now, an unfinished drag included."""
        return self._shown

    @property
    def unsaved(self) -> bool:
        """Whether the case file does not hold the present plan yet."""
        return self._kept != self._saved

    @property
    def undo_words(self) -> str:
        """What the next undo takes back; "" when there is nothing."""
        return self._past[-1][1] if self._past else ""

    @property
    def redo_words(self) -> str:
        """What the next redo brings again; "" when there is nothing."""
        return self._future[-1][1] if self._future else ""

    def listen(self, listener: Listener) -> None:
        """Call `listener` after each change of the shown plan."""
        self._listeners.append(listener)

    def show(self, plan: Plan) -> None:
        """Show a plan that is still in the hand: not in the history, not kept."""
        if plan != self._shown:
            self._shown = plan
            self._tell()

    def change(self, plan: Plan, words: str) -> None:
        """Make `plan` the present one; `words` say what was done, for the undo button."""
        if plan != self._kept:
            self._past.append((self._kept, words))
            self._future.clear()
            self._kept = plan
            self._keep()
        if plan != self._shown:
            self._shown = plan
        self._tell()

    def undo(self) -> bool:
        """Take the last change back; False when there is none."""
        return self._step(self._past, self._future)

    def redo(self) -> bool:
        """Bring the last undone change again; False when there is none."""
        return self._step(self._future, self._past)

    def save(self, path: Path | None = None, *, over_others: bool = False) -> Path:
        """Write the case file, and beside it what still waits for a person when there is any.

        Args:
            over_others: write even where somebody else has changed the case file since it was read or written here.

        Raises:
            CaseError: the plan is no complete case yet.
            ChangedMeanwhile: somebody else has changed the case file; nothing was written.
            OutputError: the place cannot be written; what was there is unchanged.
        """
        target = (path or self.path or self.home / "case.json").resolve()
        plan = self._rebased(target.parent)
        case = plan.checked_case()
        if not over_others and target == self.path and self._changed_by_others(target):
            raise ChangedMeanwhile(say("save.changed", name=target.name))
        save_case(case, target)
        _save_waiting(plan, target)
        self.path, self.home, self._digest = target, target.parent, _digest_of(target)
        if plan is not self._kept:
            self._kept = self._shown = plan
        self._saved = self._kept
        if self.recovery is not None:
            self.recovery.discard()
        self._tell()
        return target

    def _changed_by_others(self, target: Path) -> bool:
        """Whether the file holds other bytes than were read or written here; one that is gone was not changed."""
        return bool(self._digest) and _digest_of(target) not in ("", self._digest)

    def case_file(self, plan: Plan | None = None) -> CaseFile:
        """The present plan as `assess` wants it, whether it was saved or not."""
        case = (plan or self._shown).full_case()
        raw = json.dumps(case.as_json(), sort_keys=True).encode()
        return CaseFile(case, self.path or self.home / "case.json", hashlib.sha256(raw).hexdigest())

    def close(self) -> None:
        """Wait until the recovery file is on disk."""
        if self.recovery is not None:
            self.recovery.flush()

    def _rebased(self, folder: Path) -> Plan:
        """The plan with its relative paths counted from another folder."""
        if folder == self.home.resolve():
            return self._kept
        case = self._kept.case

        def moved(text: str) -> str:
            full = (self.home / text).resolve()
            try:
                return os.path.relpath(full, folder)
            except ValueError:  # another drive on Windows has no relative path
                return str(full)

        catalogues = [moved(name) for name in case.catalogues]
        margins = None if case.margins is None else moved(case.margins)
        changes = {"series": moved(case.series), "catalogues": catalogues, "margins": margins}
        return replace(self._kept, case=case.model_copy(update=changes))

    def _step(self, source: list[tuple[Plan, str]], target: list[tuple[Plan, str]]) -> bool:
        if not source:
            return False
        plan, words = source.pop()
        target.append((self._kept, words))
        self._kept = self._shown = plan
        self._keep()
        self._tell()
        return True

    def _keep(self) -> None:
        if self.recovery is not None:
            self.recovery.keep(self._kept)

    def _tell(self) -> None:
        for listener in self._listeners:
            listener()


def _digest_of(path: Path) -> str:
    """SHA-256 of a file; "" where there is none that can be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def waiting_path(case_path: Path) -> Path:
    """Where proposals that nobody has decided on are kept: beside the case, because they are no part of it."""
    return case_path.with_name(f"{case_path.stem}.proposals.json")


def marks_path(case_path: Path) -> Path:
    """Where an earlier version kept hand marks and one arch: beside the case. Read, never written."""
    return case_path.with_name(f"{case_path.stem}.marks.json")


def read_plan(case_path: Path) -> tuple[Plan, CaseFile]:
    """The plan of a case file, with proposals that wait beside it, and marks of an earlier version.

    Raises:
        CaseError: the case or a file beside it cannot be read.
    """
    file = load_case(case_path)
    plan = plan_of(file.case)
    waiting = _beside(waiting_path(file.path), file)
    if waiting is not None:
        plan = replace(plan, proposals=waiting.proposals)
    old = _beside(marks_path(file.path), file)
    if old is not None:
        plan = replace(plan, marks=plan.marks or old.marks, arches=plan.arches or old.arches)
    return plan, file


def _beside(path: Path, file: CaseFile) -> Plan | None:
    """What a file beside the case holds; None where there is none."""
    if not path.exists():
        return None
    try:
        content = json.loads(path.read_text("utf-8"))
        return plan_from_json({**content, "case": file.case.as_json()})
    except (OSError, ValueError, TypeError, CaseError) as error:
        raise CaseError(say("open.beside", name=path.name)) from error


def new_plan(series_path: Path, scan: Scan) -> tuple[Plan, Path]:
    """An empty plan for a scan without a case, and the folder its paths count from."""
    home = series_path.resolve().parent
    return empty_plan(series_path.resolve().name, scan.series.series_uid or None), home


def _save_waiting(plan: Plan, case_path: Path) -> None:
    """Keep proposals beside the case; files that say nothing any more go."""
    beside = waiting_path(case_path)
    if plan.proposals:
        content = {"proposals": plan.as_json()["proposals"]}
        write_whole(beside, (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode())
    for path in (marks_path(case_path), *(() if plan.proposals else (beside,))):
        try:
            path.unlink(missing_ok=True)  # marks of an earlier version stand in the case file now
        except OSError as error:
            raise OutputError(f"{path}: this old file cannot be removed ({error.strerror}).") from error
