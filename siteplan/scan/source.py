"""Where bytes come from: a file on disk, or a part of one that was inflated. Nothing here ever writes.

See `zipped` for members of a ZIP file and `search` for the files of a place.
"""

import os
import zlib
from dataclasses import dataclass, field
from typing import Protocol


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


def shown(name: str) -> str:
    """A file name as it may stand in a sentence: signs that a terminal would obey, or no text can hold, become ?."""
    return name if name.isprintable() else "".join(letter if letter.isprintable() else "?" for letter in name)


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
class Inflated:
    """The data set of a deflated file (PS3.5 A.5), inflated anew each time so that only one is held at once.

    A large one holds many frames that are asked for one by one; it is inflated once and held.
    """

    inner: Source
    start: int
    size: int
    name: str
    _held: list[bytes] = field(default_factory=list, compare=False, repr=False)

    def read(self, offset: int, length: int) -> bytes:
        """See `Source`."""
        data = self._held[0] if self._held else inflate(self.inner.read(self.start, self.inner.size))
        if self.size > _HELD and not self._held:
            self._held.append(data)
        return data[offset : offset + length]


_HELD = 8 << 20
"""Bytes above which an inflated data set is held: larger than any single slice."""


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
