"""ZIP files as clinics mail them: read in place, bounded in number and size, never unpacked to disk."""

import io
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import IO
from zipfile import ZIP_BZIP2, ZIP_DEFLATED, ZIP_LZMA, ZIP_STORED, ZipFile, ZipInfo

from siteplan.errors import ScanError
from siteplan.scan.source import DiskFile, Source, shown

MOST_FILES = 100_000
"""Files that are looked at in one place. A hundred times a long series; our own bound."""

_RATIO, _ALLOWANCE = 200, 64 << 20
"""A ZIP file may unpack to this many times its size, plus so many bytes. CT slices shrink 2 to 5 times (measured)."""

_LARGEST_INNER = 2 << 30
"""Bytes of ZIP files inside a ZIP file, together: they are held in memory."""

_METHODS = (ZIP_STORED, ZIP_DEFLATED, ZIP_BZIP2, ZIP_LZMA)
_START = b"PK\x03\x04"


_KEPT_OPEN = 8 << 20
"""Members larger than this hold many frames, which are read one after the other: their stream stays where it is, or
they would be unpacked from the start again for every frame."""


class _Cursor:
    """The place that was reached in a member of an archive."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._stream: IO[bytes] | None = None
        self._at = 0

    def read(self, archive: ZipFile, info: ZipInfo, offset: int, length: int) -> bytes:
        with self._lock:
            if self._stream is None or offset < self._at:
                self._stream, self._at = archive.open(info), 0
            stream = self._stream
            while self._at < offset:
                step = len(stream.read(min(offset - self._at, 1 << 20)))
                if not step:
                    return b""
                self._at += step
            out = stream.read(length)
            self._at += len(out)
            if info.file_size <= _KEPT_OPEN:
                stream.close()
                self._stream = None
            return out


@dataclass(frozen=True, slots=True)
class ZipMember:
    """A file inside a ZIP file: inflated in memory when asked for, never unpacked to disk."""

    archive: ZipFile
    info: ZipInfo
    name: str
    _cursor: _Cursor = field(default_factory=_Cursor, compare=False, repr=False)

    @property
    def size(self) -> int:
        """Length in bytes once inflated, as the archive states it; reading never goes beyond it."""
        return self.info.file_size

    def read(self, offset: int, length: int) -> bytes:
        """See `Source`."""
        try:
            return self._cursor.read(self.archive, self.info, offset, length)
        except Exception as error:
            # zipfile and its decompressors let out errors of many kinds on damaged members.
            raise OSError("this member of the ZIP file cannot be unpacked") from error


def is_zip(head: bytes) -> bool:
    """Whether a file starts as a ZIP file does, even an empty one or a part of a divided one."""
    return head[:2] == b"PK"


def opened(file: DiskFile) -> tuple[list[Source], list[str]]:
    """The members of a ZIP file in order of name, those of ZIP files inside it among them; and what was passed over.

    Raises:
        ScanError: it is damaged, locked, packed in a way that is not read, or unpacks to an absurd size.
    """
    try:
        archive = ZipFile(file.path)
        members = [info for info in archive.infolist() if not info.is_dir()]
    except Exception as error:
        # zipfile lets out errors of many kinds (IndexError, struct.error, UnicodeError) on damaged directories.
        raise ScanError(f"{file.name}: a damaged ZIP file; ask for it again.") from error
    absurd = _absurd(members, file.size)
    if absurd:
        raise ScanError(f"{file.name}: this ZIP file {absurd}; unpack it yourself if you trust it.")
    usable, notes = _usable(members)
    if members and not usable:
        raise ScanError(f"{file.name}: this ZIP file is {_why_not(members[0])}; unpack it and give the folder.")
    plain = [info for info in usable if not _looks_inner(info)]
    inner = [info for info in usable if _looks_inner(info)]
    out: list[Source] = [ZipMember(archive, info, f"{file.name}/{shown(info.filename)}") for info in plain]
    held = 0
    for info in inner:
        member = ZipMember(archive, info, f"{file.name}/{shown(info.filename)}")
        held += info.file_size
        more, why = _inner(member) if held <= _LARGEST_INNER else ([], "too large to be looked into")
        out += more
        if why:
            notes.append(f"A ZIP file inside it is {why}")
    if len(out) > MOST_FILES:
        raise ScanError(f"{file.name}: more than {MOST_FILES} files; unpack it and give the folder of the scan.")
    return sorted(out, key=lambda one: one.name), notes


def _looks_inner(info: ZipInfo) -> bool:
    return info.filename.lower().endswith(".zip")


def _inner(member: ZipMember) -> tuple[list[Source], str]:
    """Members of a ZIP file inside another, and what is wrong with it. One inside that again is not opened."""
    try:
        data = member.read(0, member.size)
        if data[:4] != _START:
            return [member], ""
        archive = ZipFile(io.BytesIO(data))
        members = [info for info in archive.infolist() if not info.is_dir()]
    except Exception:
        # See `opened`: errors of many kinds; the other members may still hold the scan.
        return [], "damaged"
    if _absurd(members, len(data)):
        return [], "one that unpacks to an absurd size"
    usable, _ = _usable(members)
    if members and not usable:
        return [], _why_not(members[0])
    return [ZipMember(archive, info, f"{member.name}/{shown(info.filename)}") for info in usable], ""


def _absurd(members: Sequence[ZipInfo], size: int) -> str:
    unpacked = sum(info.file_size for info in members)
    if len(members) <= MOST_FILES and unpacked <= _RATIO * size + _ALLOWANCE:
        return ""
    return f"unpacks to {len(members)} files of {unpacked / 1e6:.0f} MB, far more than a scan of its size can hold"


def _usable(members: Sequence[ZipInfo]) -> tuple[list[ZipInfo], list[str]]:
    """The members that can be unpacked, and a sentence on the others."""
    out = [info for info in members if not _why_not(info)]
    others = sorted({_why_not(info) for info in members} - {""})
    return out, [f"{len(members) - len(out)} files in it are {' or '.join(others)}"] if others else []


def _why_not(info: ZipInfo) -> str:
    """Why a member cannot be unpacked, or ""."""
    if info.flag_bits & 1:
        return "locked with a password"
    return "" if info.compress_type in _METHODS else f"packed by method {info.compress_type}, which is not read"
