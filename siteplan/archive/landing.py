"""Where a series lands: a folder beside the target that becomes the target when everything is there and verified.

Objects are written under names of ours, a number in the order of their UIDs, so nothing that an archive says becomes
a path. A journal holds the SHA-256 of each, so an interrupted fetch goes on where it stopped and a byte that the disk
changed is noticed before the folder gets its name.
"""

import errno
import hashlib
import json
import shutil
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from siteplan.archive.arriving import Arriving, cut_short, locked, must_be_free, sum_of
from siteplan.archive.entries import Instance
from siteplan.errors import ArchiveError, OutputError, SiteplanError
from siteplan.scan import tags
from siteplan.scan.header import NotDicom, Unreadable, read_header
from siteplan.scan.source import DiskFile

Progress = Callable[[float, str], None]

JOURNAL = "arrived.jsonl"
_ROOM_LEFT = 64 << 20
"""Bytes that a fetch leaves free on the disk, so that the machine goes on working (our own bound)."""
_FLUSHED_AT_ONCE = 4


class Landing:
    """One series on its way to disk. May be written to from several threads, one object at a time each."""

    def __init__(
        self, target: Path, study_uid: str, series_uid: str, wanted: Sequence[Instance], *, largest: int, most: int
    ) -> None:
        """Begin, or go on where an earlier attempt at the same series and target stopped.

        Args:
            target: the folder that will hold the series; must not hold anything else.
            wanted: every object of the series, as the archive names them.
            largest, most: bounds in bytes of one object and of all.

        Raises:
            OutputError: the target holds something else, cannot be written, or is being written by another fetch.
        """
        self._target, self._study, self._series = target, study_uid, series_uid
        self._number = {one.uid: at for at, one in enumerate(sorted(wanted, key=lambda one: one.uid), 1)}
        self._wanted = {one.uid: one for one in wanted}
        self._largest, self._most = largest, most
        self._lock = threading.Lock()
        self._sums: dict[str, str] = {}
        self._bytes = 0
        self._serial = 0
        self.failed: SiteplanError | None = None
        self.progress: Progress | None = None
        key = hashlib.sha256(f"{study_uid}\n{series_uid}".encode()).hexdigest()[:12]
        self.folder = target.parent / f".{target.name}.{key}.arriving"
        must_be_free(target)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            self.folder.mkdir(mode=0o700, exist_ok=True)
            self._journal: IO[str] = (self.folder / JOURNAL).open("a+", encoding="utf-8")
        except OSError as error:
            raise OutputError(f"{target}: cannot be written ({error.strerror}); choose another folder.") from error
        if not locked(self._journal):
            self._journal.close()
            raise OutputError(f"{target}: another fetch is writing this series there; wait for it to end.")
        self._take_up()

    @property
    def missing(self) -> list[Instance]:
        """What has not arrived yet, in order of UID."""
        return [one for uid, one in sorted(self._wanted.items()) if uid not in self._sums]

    @property
    def arrived(self) -> int:
        """How many objects are safely here."""
        return len(self._sums)

    @contextmanager
    def arriving(self) -> Iterator[Arriving]:
        """Something to write one object into; checked and taken in when the block ends without an error.

        Raises:
            ArchiveError: it is no DICOM object, not one that was asked for, broken, or too large.
            OutputError: the disk is full or cannot be written.
        """
        with self._lock:
            self._serial += 1
            path = self.folder / f"{self._serial}.part"
        coming = Arriving(path, min(self._largest, self._most - self._bytes), self._disk)
        try:
            yield coming
            coming.close()
            self._take_in(path, coming)
        except SiteplanError as error:
            self.failed = error
            raise
        finally:
            coming.drop()

    def finish(self) -> Path:
        """Verify count and content of everything on disk, then give the folder its name.

        Raises:
            ArchiveError: objects are missing; what arrived is kept for the next attempt.
            OutputError: the disk gave back something else than was written, or the folder cannot be renamed.
        """
        if left := len(self.missing):
            raise ArchiveError(
                f"{left} of {len(self._wanted)} objects did not arrive; run the same command again, "
                "what is here already is kept."
            )
        try:
            self._verify()
            must_be_free(self._target)
            self._journal.close()
            (self.folder / JOURNAL).unlink()
            if self._target.is_dir():
                self._target.rmdir()
            self.folder.rename(self._target)
        except OSError as error:
            raise self._disk(error) from error
        return self._target

    def _verify(self) -> None:
        """Every object flushed to the disk, read back, and what it was when it arrived."""
        with ThreadPoolExecutor(_FLUSHED_AT_ONCE) as pool:
            found = list(pool.map(lambda uid: sum_of(self._path(uid), flush=True), self._sums))
        for (uid, expected), now in zip(self._sums.items(), found, strict=True):
            if now != expected:
                self._path(uid).unlink()
                raise OutputError(
                    f"{self._target}: the disk changed an object after it was written; check the disk, then run the "
                    "same command again."
                )

    def leave(self) -> bool:
        """Stop for now. True when objects are kept for the next attempt; an empty folder is removed."""
        self._journal.close()
        if not self._sums:
            shutil.rmtree(self.folder, ignore_errors=True)
        return bool(self._sums)

    def drop(self) -> None:
        """Remove everything that arrived."""
        self._journal.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _path(self, uid: str) -> Path:
        return self.folder / f"{self._number[uid]:05d}.dcm"

    def _take_up(self) -> None:
        """Keep what an earlier attempt wrote whole, remove the rest."""
        self._journal.seek(0)
        for line in self._journal:
            try:
                entry = json.loads(line)
                uid, expected = str(entry["uid"]), str(entry["sha256"])
            except (ValueError, KeyError, TypeError):
                continue  # a line that a crash cut short
            if uid in self._wanted and self._path(uid).is_file() and sum_of(self._path(uid)) == expected:
                self._sums[uid] = expected
        kept = {self._path(uid) for uid in self._sums}
        self._bytes = sum(path.stat().st_size for path in kept)
        for path in self.folder.iterdir():
            if path not in kept and path.name != JOURNAL:
                path.unlink()
        self._journal.seek(0)
        self._journal.truncate()
        for uid, expected in self._sums.items():
            self._note(uid, expected)

    def _take_in(self, path: Path, coming: "Arriving") -> None:
        uid = self._checked(path)
        try:
            self._keep(path, uid, coming)
        except OSError as error:
            raise self._disk(error) from error

    def _keep(self, path: Path, uid: str, coming: Arriving) -> None:
        with self._lock:
            if uid in self._sums:
                if self._sums[uid] != coming.sha256:
                    raise ArchiveError(
                        "the archive sent two different objects with one UID; tell who runs the archive."
                    )
                return
            path.rename(self._path(uid))
            self._note(uid, coming.sha256)
            self._sums[uid] = coming.sha256
            self._bytes += coming.size
            self._must_fit(coming.size)
            if self.progress is not None:
                self.progress(len(self._sums) / len(self._wanted), f"fetching {len(self._wanted)} objects")

    def _note(self, uid: str, sha256: str) -> None:
        self._journal.write(json.dumps({"uid": uid, "sha256": sha256}) + "\n")
        self._journal.flush()

    def _must_fit(self, size: int) -> None:
        if self.arrived != 1:
            return
        coming = size * len(self.missing) + _ROOM_LEFT
        free = shutil.disk_usage(self.folder).free
        if free < coming:
            raise OutputError(
                f"{self._target}: the series needs about {coming >> 20} MiB and the disk has {free >> 20} MiB; make "
                "room or choose another disk."
            )

    def _checked(self, path: Path) -> str:
        """The UID of what was written, once it is known to be one of the objects that were asked for."""
        try:
            header = read_header(DiskFile(str(path), "object", path.stat().st_size))
        except (NotDicom, Unreadable):
            raise ArchiveError(
                "the archive sent something that is no readable DICOM object; nothing of it is kept."
            ) from None
        uid = header.text(tags.SOP_INSTANCE)
        if uid not in self._wanted or header.text(tags.SERIES_UID) != self._series:
            raise ArchiveError("the archive sent an object that was not asked for; nothing of it is kept.")
        if header.text(tags.STUDY_UID) != self._study:
            raise ArchiveError("the archive sent an object of another study; nothing of it is kept.")
        if cut_short(header, path.stat().st_size):
            raise ArchiveError("the archive sent an object whose pixels are cut short; fetch it again.")
        return uid

    def _disk(self, error: OSError) -> OutputError:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return OutputError(f"{self._target}: the disk is full; make room and run the same command again.")
        return OutputError(f"{self._target}: cannot be written ({error.strerror}); choose another folder.")
