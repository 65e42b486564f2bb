"""Whether what a picture or a text rests on is still what it was, so that nothing is made anew for nothing."""

from collections.abc import Iterable

_PLAIN = (bool, int, float, str, tuple)
"""Kinds that are compared by value; everything else (arrays, pictures, scans) is the same only when it is one thing."""


class RestsOn:
    """Remembers what the last making rested on."""

    def __init__(self) -> None:
        self._things: tuple[object, ...] | None = None

    def renewed(self, things: Iterable[object]) -> bool:
        """Whether anything is another than the last time, or this is the first; the things are then remembered."""
        new, old = tuple(things), self._things
        if old is not None and len(new) == len(old) and all(map(_same, new, old)):
            return False
        self._things = new
        return True


def _same(one: object, other: object) -> bool:
    return one is other or (isinstance(one, _PLAIN) and type(one) is type(other) and one == other)
