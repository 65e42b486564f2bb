"""Hands memory that was freed back to the system. The GNU C library keeps it for the next work of the same thread, and
with a thread for each kind of work that is half a volume of nothing."""

import ctypes
import sys
from collections.abc import Callable
from functools import cache


def give_back() -> bool:
    """Hand it back; whether this system knows how. Takes some 10 ms, in which other threads go on."""
    trim = _trim()
    return trim is not None and bool(trim(0) in (0, 1))


@cache
def _trim() -> Callable[[int], int] | None:
    """The C library's own call; other C libraries give memory back by themselves, or not at all."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        return ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return None
