"""The seating record: one JSON line per entry beside the case, only ever added to, safe against a kill at any moment.

Each line is written with one call and forced to the disk before the guide goes on. A crash can only tear the last
line; the reader leaves a torn line out, says so, and the next entry starts on a line of its own. Nothing is rewritten.
"""

import json
import os
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from siteplan.errors import OutputError
from siteplan.surgery.entries import Entry, Kind
from siteplan.surgery.seating import State, replay
from siteplan.surgery.seating_plan import SeatingError


@dataclass(frozen=True)
class Record:
    """The entries of one tooth since its latest start, and what could not be read in the file."""

    tooth: int
    entries: tuple[Entry, ...]
    unreadable_lines: tuple[int, ...] = ()

    @property
    def state(self) -> State:
        """Where the fixture stands."""
        return replay(self.entries)


def record_path(case: str | Path) -> Path:
    """`<case>.seating.jsonl` beside the case file."""
    path = Path(case)
    return path.with_name(path.stem + ".seating.jsonl")


def read_record(path: Path, tooth: int) -> Record:
    """The latest record of one tooth; empty where there is none yet. See `read_records`."""
    records = read_records(path, tooth)
    return records[-1] if records else Record(tooth, ())


def read_records(path: Path, tooth: int) -> tuple[Record, ...]:
    """All records of one tooth, oldest first: each start begins one.

    Lines that are no entry (a torn one after a crash) are left out and numbered in `unreadable_lines`.

    Raises:
        OutputError: the file is there but cannot be opened.
    """
    entries: list[Entry] = []
    unreadable: list[int] = []
    for number, line in enumerate(_lines(path), start=1):
        if not line.strip():
            continue
        content = _content(line)
        if content is None:
            unreadable.append(number)
        elif content.get("tooth") == tooth:
            try:
                entries.append(Entry.from_json(content))
            except SeatingError:
                unreadable.append(number)
    starts = [n for n, entry in enumerate(entries) if entry.kind is Kind.STARTED] + [len(entries)]
    return tuple(Record(tooth, tuple(entries[a:b]), tuple(unreadable)) for a, b in pairwise(starts))


def recorded_teeth(path: Path) -> tuple[int, ...]:
    """The teeth that a record holds entries of, in order of first appearance."""
    found = (content.get("tooth") for content in map(_content, _lines(path)) if content is not None)
    return tuple(dict.fromkeys(tooth for tooth in found if isinstance(tooth, int)))


def add_entry(path: Path, record: Record, entry: Entry, *, time: str | None = None) -> Record:
    """The record with one more entry, which is on the disk when this returns.

    Args:
        time: ISO 8601; now, in local time with offset, where it is left out.

    Raises:
        SeatingError: the entry does not fit the state, or the file was added to by somebody else meanwhile; nothing
            was written then.
        OutputError: it could not be written.
    """
    number = record.entries[-1].sequence + 1 if record.entries else 1
    stamp = time if time is not None else datetime.now().astimezone().isoformat(timespec="seconds")
    numbered = replace(entry, sequence=number, time=stamp)
    grown = replace(record, entries=(*record.entries, numbered))
    replay(grown.entries)
    if record.entries and _marks(read_record(path, record.tooth)) != _marks(record):
        raise SeatingError("the record was changed elsewhere meanwhile; open it again before you go on.")
    _append(path, {"tooth": record.tooth, **numbered.as_json()})
    return grown


def _marks(record: Record) -> list[tuple[int, str, str]]:
    """What tells one record of a tooth from another: two that were begun side by side are as long as each other."""
    return [(entry.sequence, entry.time, entry.kind.value) for entry in record.entries]


def _append(path: Path, content: dict[str, Any]) -> None:
    line = json.dumps(content, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        new = not path.exists()
        with path.open("ab") as file:
            if file.tell() > 0 and _last_byte(path) != b"\n":
                line = "\n" + line
            file.write(line.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        if new:
            _sync_folder(path.parent)
    except OSError as error:
        raise OutputError(
            f"{path.name}: the entry could not be written ({error.strerror}); write it down by hand, then free space."
        ) from error


def _last_byte(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1)


def _sync_folder(folder: Path) -> None:
    """Make a new file's name survive a power cut; systems that cannot do this do it by themselves."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    with suppress(OSError):
        os.fsync(handle)
    os.close(handle)


def _lines(path: Path) -> list[bytes]:
    try:
        return path.read_bytes().split(b"\n")
    except FileNotFoundError:
        return []
    except OSError as error:
        raise OutputError(f"{path.name}: the seating record cannot be read ({error.strerror}).") from error


def _content(line: bytes) -> dict[str, Any] | None:
    try:
        content = json.loads(line.decode("utf-8"))
    except ValueError:
        return None
    return content if isinstance(content, dict) else None
