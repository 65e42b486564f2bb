"""Where bytes come from: a file on disk, a member of a ZIP file, or bytes at hand. Nothing here ever writes."""

import os
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol
from zipfile import ZipFile, ZipInfo

from siteplan.errors import ScanError


class Source(Protocol):
    """One file's bytes.

    Attributes:
        name: what a person is shown: the path below the place that was asked for.
        size: length in bytes.
    """

    @property
    def name(self) -> str: ...  # noqa: D102 - described above

    @property
    def size(self) -> int: ...  # noqa: D102 - described above

    def read(self, offset: int, length: int) -> bytes:
        """`length` bytes from `offset` on; fewer where the file ends. Raises OSError when it cannot be read."""
        ...


@dataclass(frozen=True, slots=True)
class DiskFile:
    """A file on disk."""

    path: str
    name: str
    size: int

    def read(self, offset: int, length: int) -> bytes:
        """See `Source`."""
        handle = os.open(self.path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        try:
            if offset:
                os.lseek(handle, offset, os.SEEK_SET)
            wanted, parts = min(length, max(self.size - offset, 0)), []
            while wanted > 0 and (part := os.read(handle, wanted)):
                parts.append(part)
                wanted -= len(part)
            return parts[0] if len(parts) == 1 else b"".join(parts)
        finally:
            os.close(handle)


@dataclass(frozen=True, slots=True)
class ZipMember:
    """A file inside a ZIP file: inflated in memory when asked for, never unpacked to disk."""

    archive: ZipFile
    info: ZipInfo
    name: str

    @property
    def size(self) -> int:
        """Length in bytes once inflated, as the archive states it; reading never goes beyond it."""
        return self.info.file_size

    def read(self, offset: int, length: int) -> bytes:
        """See `Source`."""
        try:
            with self.archive.open(self.info) as stream:
                while offset > 0:
                    step = len(stream.read(min(offset, 1 << 20)))
                    if not step:
                        return b""
                    offset -= step
                return stream.read(length)
        except Exception as error:
            # zipfile and its decompressors let out errors of many kinds on damaged members.
            raise OSError("this member of the ZIP file cannot be unpacked") from error


@dataclass(frozen=True, slots=True)
class Inflated:
    """The data set of a deflated file (PS3.5 A.5), inflated anew each time so that only one is held at once."""

    inner: Source
    start: int
    size: int
    name: str

    def read(self, offset: int, length: int) -> bytes:
        """See `Source`."""
        return inflate(self.inner.read(self.start, self.inner.size))[offset : offset + length]


_INFLATE_RATIO, _INFLATE_ALLOWANCE = 100, 1 << 20
"""A deflated data set may grow by this factor plus these bytes. CT slices shrink 1.5 to 5 times (measured)."""


def inflate(packed: bytes) -> bytes:
    """The bytes that were deflated.

    Raises:
        OSError: damaged, cut short, or absurdly large once inflated.
    """
    engine = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        out = engine.decompress(packed, _INFLATE_RATIO * len(packed) + _INFLATE_ALLOWANCE)
    except zlib.error as error:
        raise OSError("its compressed data set is damaged") from error
    if not engine.eof:
        raise OSError("its compressed data set is cut short" if not engine.unconsumed_tail else "it inflates absurdly")
    return out


_MOST_FILES = 100_000
"""Files that are looked at below one folder or in one ZIP file. A hundred times a long series; our own bound."""

_ZIP_RATIO, _ZIP_ALLOWANCE = 200, 64 << 20
"""A ZIP file may unpack to this many times its size, plus so many bytes. CT slices shrink 2 to 5 times (measured)."""


def sources(path: Path) -> tuple[list[Source], list[str]]:
    """Every file at or below `path`, in order of name, and sentences on what was not looked at.

    Links to folders are not followed, so the search ends; pipes and devices are never opened.

    Raises:
        ScanError: there is nothing there, too much is there, or a ZIP file that unpacks to an absurd size.
    """
    try:
        if path.is_dir():
            return list(_below(path)), []
        if path.is_file() and path.name.upper() == "DICOMDIR":
            return list(_below(path.parent)), []  # the index of a medium stands for the medium
        if path.is_file():
            single = DiskFile(str(path), path.name, path.stat().st_size)
            return _opened(single) if single.read(0, 4)[:2] == b"PK" else ([single], [])
    except OSError as error:
        raise ScanError(
            f"{path.name}: it cannot be read ({error.strerror}); check the rights or the medium."
        ) from error
    raise ScanError(f"{path}: there is no such folder or file; check the path.")


def _below(folder: Path) -> list[DiskFile]:
    found: list[DiskFile] = []
    waiting = [str(folder)]
    cut = len(str(folder).rstrip(os.sep)) + 1
    while waiting:
        with os.scandir(waiting.pop()) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(entry.path)
                elif entry.is_file():
                    found.append(DiskFile(entry.path, entry.path[cut:], entry.stat().st_size))
        if len(found) + len(waiting) > _MOST_FILES:
            raise ScanError(f"{folder.name}: more than {_MOST_FILES} files; give the folder of the scan itself.")
    found.sort(key=lambda file: file.name)
    return found


def _opened(file: DiskFile) -> tuple[list[Source], list[str]]:
    """The members of a ZIP file, bounded in number and in unpacked size."""
    try:
        archive = ZipFile(file.path)
        members = [info for info in archive.infolist() if not info.is_dir()]
    except Exception as error:
        # zipfile lets out errors of many kinds (IndexError, struct.error, UnicodeError) on damaged directories.
        raise ScanError(f"{file.name}: a damaged ZIP file; ask for it again.") from error
    unpacked = sum(info.file_size for info in members)
    if len(members) > _MOST_FILES or unpacked > _ZIP_RATIO * file.size + _ZIP_ALLOWANCE:
        raise ScanError(
            f"{file.name}: this ZIP file unpacks to {len(members)} files of {unpacked / 1e6:.0f} MB, far more than a "
            "scan of its size can hold; unpack it yourself if you trust it."
        )
    locked = [info for info in members if info.flag_bits & 1]
    if locked and len(locked) == len(members):
        raise ScanError(f"{file.name}: this ZIP file is locked with a password; unpack it and give the folder.")
    notes = [f"{len(locked)} files in it are locked with a password"] if locked else []
    usable = sorted((info for info in members if not info.flag_bits & 1), key=lambda info: info.filename)
    return [ZipMember(archive, info, f"{file.name}/{info.filename}") for info in usable], notes
