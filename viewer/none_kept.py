"""Keeps `None` alive whatever a C extension does to its count of references.

PySide6 6.12.0 gives back one reference to `None` for every call that returns nothing (measured: 1000 calls of
`processEvents` lower the count by 1000; 6.11.3 does not). Since Python 3.12 this is harmless, because there `None`
never dies (PEP 683). On 3.11 the interpreter aborts when the count reaches zero, after a minute of dragging.
"""

import ctypes
import sys

_REFERENCES = 1 << 40
"""More than a window can lose: at 10,000 calls a second they last for three years."""


def keep_none() -> None:
    """Give `None` more references than can be lost; does nothing where it needs none."""
    if sys.version_info >= (3, 12) or sys.implementation.name != "cpython" or hasattr(sys, "gettotalrefcount"):
        return
    ctypes.c_ssize_t.from_address(id(None)).value += _REFERENCES
