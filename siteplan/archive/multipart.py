"""A multipart answer as a stream of parts (RFC 2046 section 5.1), never more than one chunk of it in memory.

The closing boundary is required: an answer without a stated length that breaks off looks whole otherwise.
"""

from collections.abc import Iterable, Iterator
from email.message import Message

from siteplan.errors import ArchiveError

_LONGEST_HEADER = 8192
"""Bytes of the header of a part; real ones have two short lines (our own bound)."""
_LONGEST_BOUNDARY = 70
"""Characters (RFC 2046 section 5.1.1)."""

CUT = "the archive broke off in the middle of its answer; run the same command again."


def boundary_of(content_type: str) -> bytes | None:
    """The boundary that a Content-Type names, None when it is not multipart/related.

    Raises:
        ArchiveError: multipart, but without a usable boundary.
    """
    message = Message()
    message["content-type"] = content_type
    if message.get_content_type() != "multipart/related":
        return None
    boundary = message.get_param("boundary")
    if not isinstance(boundary, str) or not boundary.isascii() or not 0 < len(boundary) <= _LONGEST_BOUNDARY:
        raise ArchiveError("the archive answers in parts without saying where they end; tell who runs the archive.")
    return boundary.encode()


def parts(chunks: Iterable[bytes], boundary: bytes) -> Iterator[Iterator[bytes]]:
    """Each part as an iterator of its bytes, which must be used up before the next part is asked for.

    Raises:
        ArchiveError: the answer ends before its closing boundary, or is not built as it must be.
    """
    reader = _Reader(chunks, b"\r\n--" + boundary)
    for _ in reader.until_boundary():
        pass  # what stands before the first boundary is nobody's
    while not reader.closed():
        reader.skip_header()
        yield reader.until_boundary()


class _Reader:
    def __init__(self, chunks: Iterable[bytes], delimiter: bytes) -> None:
        self._chunks, self._delimiter = iter(chunks), delimiter
        self._held = bytearray(b"\r\n")  # so that a boundary at the very start is found as any other

    def _more(self) -> None:
        chunk = next(self._chunks, None)
        if chunk is None:
            raise ArchiveError(CUT)
        self._held += chunk

    def until_boundary(self) -> Iterator[bytes]:
        keep = len(self._delimiter) - 1
        while (at := self._held.find(self._delimiter)) < 0:
            if (whole := len(self._held) - keep) > 0:
                yield bytes(memoryview(self._held)[:whole])
                del self._held[:whole]
            self._more()
        if at:
            yield bytes(memoryview(self._held)[:at])
        del self._held[: at + len(self._delimiter)]

    def closed(self) -> bool:
        """Whether the boundary just passed was the last."""
        while len(self._held) < 2:
            self._more()
        return self._held[:2] == b"--"

    def skip_header(self) -> None:
        while (at := self._held.find(b"\r\n\r\n")) < 0:
            if len(self._held) > _LONGEST_HEADER + (1 << 20):
                raise ArchiveError("the archive sends a part without an end of its header; tell who runs the archive.")
            self._more()
        if at > _LONGEST_HEADER:
            raise ArchiveError("the archive sends a part with an endless header; tell who runs the archive.")
        del self._held[: at + 4]
