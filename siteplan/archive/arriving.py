"""One object on its way to disk, and whether what lies there is whole."""

import hashlib
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO

from siteplan.archive.entries import Instance
from siteplan.errors import ArchiveError, OutputError
from siteplan.scan import tags
from siteplan.scan.header import Header, NotDicom, Unreadable, read_header
from siteplan.scan.source import DiskFile

_COPY = 1 << 20


class Arriving:
    """One object while it is written: counts, bounds and sums its bytes.

    What the disk says is told apart from what the network says: both are `OSError` to those who write here.
    """

    def __init__(self, path: Path, most: int, disk: Callable[[OSError], OutputError]) -> None:
        """`most` bytes are taken; `disk` makes our error of what the system says. Raises OutputError."""
        self._path, self._most, self._disk, self._sum = path, most, disk, hashlib.sha256()
        self.size = 0
        try:
            self._stream = path.open("wb")
        except OSError as error:
            raise disk(error) from error

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Add bytes. Raises ArchiveError beyond the bound, OutputError when the disk does not take them."""
        self.size += len(data)
        if self.size > self._most:
            raise ArchiveError(
                "the archive sends more than the limits of its entry in the settings allow; raise largest_object_mb "
                "or largest_series_mb if this is meant."
            )
        self._sum.update(data)
        try:
            self._stream.write(data)
        except OSError as error:
            raise self._disk(error) from error

    def close(self) -> None:
        """Hand the last bytes to the system. Raises OutputError."""
        try:
            self._stream.close()
        except OSError as error:
            raise self._disk(error) from error

    def drop(self) -> None:
        """Close and remove the file, if it still is where it was written; never raises."""
        with suppress(OSError):
            self._stream.close()
        with suppress(OSError):
            self._path.unlink(missing_ok=True)

    @property
    def sha256(self) -> str:
        """Of everything written."""
        return self._sum.hexdigest()


def holds_exactly(folder: Path, wanted: Sequence[Instance]) -> bool:
    """Whether a folder holds these objects, each once, and nothing else."""
    found: list[str] = []
    for path in folder.iterdir() if folder.is_dir() else ():
        try:
            header = read_header(DiskFile(str(path), "object", path.stat().st_size))
        except (NotDicom, Unreadable, OSError):
            return False
        if cut_short(header, path.stat().st_size):
            return False
        found.append(header.text(tags.SOP_INSTANCE))
    return sorted(found) == sorted(one.uid for one in wanted)


def must_be_free(target: Path) -> None:
    """Raises OutputError when a folder of this name could not be made without touching something else."""
    if target.is_symlink() or (target.exists() and (not target.is_dir() or any(target.iterdir()))):
        raise OutputError(f"{target}: is there and holds something else; choose a folder that is new or empty.")


def cut_short(header: Header, size: int) -> bool:
    """Whether the pixels that a header announces end behind the end of the file."""
    length = header.pixel_length
    return header.source.size == size and length is not None and header.pixel_offset + length > size


def sum_of(path: Path, *, flush: bool = False) -> str:
    """SHA-256 of a file as it is read back; `flush` has it written through to the disk before."""
    found = hashlib.sha256()
    with path.open("rb+" if flush else "rb", buffering=0) as stream:
        if flush:
            os.fsync(stream.fileno())
        while part := stream.read(_COPY):
            found.update(part)
    return found.hexdigest()


def locked(stream: IO[str]) -> bool:
    """Take a file for ourselves until it is closed; False when another process has it."""
    try:
        import fcntl
    except ImportError:  # no such locks on this system; two fetches into one folder then meet at the rename
        return True
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
