"""A network namespace with nothing but its own loopback, for a server that would listen on every interface.

`setns` and `unshare` (Linux man pages, section 2) move the calling thread; threads and processes that it starts
afterwards begin where it is. So the tests and the server meet on a loopback that no other process can reach.
"""

import ctypes
import fcntl
import os
import socket
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CLONE_NEWNET = 0x40000000
_GET_FLAGS, _SET_FLAGS, _UP = 0x8913, 0x8914, 0x1  # SIOCGIFFLAGS, SIOCSIFFLAGS, IFF_UP of linux/sockios.h


class NotAllowed(Exception):
    """This user or container may not make a namespace."""


@contextmanager
def own_loopback() -> Iterator[None]:
    """Everything inside the block happens in a new namespace whose loopback is up.

    Raises:
        NotAllowed: the system does not let us.
    """
    here = Path("/proc/thread-self/ns/net")
    if not here.exists():
        raise NotAllowed
    libc = ctypes.CDLL(None, use_errno=True)
    home = os.open(here, os.O_RDONLY)
    try:
        if libc.unshare(CLONE_NEWNET) != 0:
            raise NotAllowed
        try:
            _raise_loopback()
            yield
        finally:
            if libc.setns(home, CLONE_NEWNET) != 0:
                raise OSError(ctypes.get_errno(), "cannot return to the first network namespace")
    finally:
        os.close(home)


def _raise_loopback() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        name = b"lo".ljust(16, b"\0")
        try:
            answer = fcntl.ioctl(any_socket, _GET_FLAGS, struct.pack("16sh14x", name[:16], 0))
            (flags,) = struct.unpack_from("h", answer, 16)
            fcntl.ioctl(any_socket, _SET_FLAGS, struct.pack("16sh14x", name[:16], flags | _UP))
        except OSError as error:
            raise NotAllowed from error
