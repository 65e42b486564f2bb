"""Keeps the memory of finished work from staying behind.

The GNU C library keeps freed memory for the next work of the same thread, and gives each thread a store of its own,
whose unused end no call hands back. With a thread for each kind of work that is half a volume of nothing.
"""

import ctypes
import sys
from collections.abc import Callable
from functools import cache
from typing import Any

_ARENA_MAX = -8
"""M_ARENA_MAX of <malloc.h>: how many stores there may be."""


def one_store() -> bool:
    """Let all threads share one store, all of which `give_back` can hand back; whether this system knows how.

    Call it before there are other threads.
    """
    change = _call("mallopt")
    return change is not None and bool(change(_ARENA_MAX, 1))


def give_back() -> bool:
    """Hand freed memory back to the system; whether it knows how. Takes some 10 ms, in which other threads go on."""
    trim = _call("malloc_trim")
    return trim is not None and bool(trim(0) in (0, 1))


@cache
def _call(name: str) -> Callable[..., Any] | None:
    """A call of the C library; other C libraries give memory back by themselves, or not at all."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        found: Callable[..., Any] = getattr(ctypes.CDLL(None), name)
    except (OSError, AttributeError):
        return None
    return found
