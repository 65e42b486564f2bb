"""The parts that bound and cut what comes in, each by itself."""

import socket
from collections.abc import Callable
from typing import Any

import pytest

from siteplan.archive.link import Guard
from siteplan.archive.multipart import boundary_of, parts
from siteplan.errors import ArchiveError


def test_the_guard_counts_until_a_message_is_done() -> None:
    left, right = socket.socketpair()

    class Link:
        socket = left
        recv: Callable[[int], bytearray]

    with left, right:
        guard, link = Guard(1000, 5000), Link()
        link.socket = _NoDelay(left)  # type: ignore[assignment]
        guard.take(link)
        right.sendall(b"a" * 1500)
        assert link.recv(600) == b"a" * 600
        guard.reset()
        assert link.recv(900) == b"a" * 900
        with pytest.raises(OSError, match="more than was agreed"):
            link.recv(600)
        assert guard.exceeded


class _NoDelay:
    """A pair of local sockets knows no delay to switch off."""

    def __init__(self, inner: socket.socket) -> None:
        self.recv_into, self.shutdown = inner.recv_into, inner.shutdown
        self.options: list[Any] = []

    def setsockopt(self, *option: Any) -> None:
        self.options.append(option)


@pytest.mark.parametrize("size", [1, 2, 3, 7, 64, 1 << 16])
def test_parts_come_out_the_same_however_the_answer_is_cut(size: int) -> None:
    """Against bodies put together by hand from RFC 2046 section 5.1.1."""
    bodies = [b"", b"\r\n", b"--", b"\r\n--boundar", b"a\r\n--boundarx\r\nb", bytes(range(256)) * 30]
    whole = b"preamble\r\n"
    for body in bodies:
        whole += b"--boundary\r\nContent-Type: application/dicom\r\nX: y\r\n\r\n" + body + b"\r\n"
    whole += b"--boundary--\r\nepilogue"
    chunks = [whole[at : at + size] for at in range(0, len(whole), size)]
    assert [b"".join(part) for part in parts(chunks, b"boundary")] == bodies
    for cut_at in (20, 60, len(whole) // 2, whole.rindex(b"--boundary--")):
        with pytest.raises(ArchiveError, match="broke off"):
            [b"".join(part) for part in parts([whole[:cut_at]], b"boundary")]


def test_boundaries_of_content_types() -> None:
    assert boundary_of('multipart/related; type="application/dicom"; boundary=a-b') == b"a-b"
    assert boundary_of('Multipart/Related; boundary="a b"; type=application/dicom') == b"a b"
    assert boundary_of("application/dicom") is None
    assert boundary_of("") is None
    for bad in ("multipart/related", "multipart/related; boundary=", f"multipart/related; boundary={'x' * 71}"):
        with pytest.raises(ArchiveError, match="without saying where they end"):
            boundary_of(bad)
