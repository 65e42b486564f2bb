"""Read a TOML file with the line of every key, so that a number on a card can be traced to a line of a file."""

import re
import tomllib
from collections.abc import Iterable
from typing import Any

from siteplan.errors import LibraryFileError

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\-\"' ]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+(?:\s*\.\s*[A-Za-z0-9_\-]+)*)\s*=")

Path = tuple[str | int, ...]
"""Place inside a file: table names, keys and positions in lists, outermost first."""


def parse(text: str, name: str) -> dict[str, Any]:
    """Content of a TOML text.

    Raises:
        LibraryFileError: it is not TOML; the sentence holds the line.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise LibraryFileError(f"{name}: this is not valid TOML: {error}.") from error


def key_lines(text: str) -> dict[Path, int]:
    """Line number (from 1) of every table header and every key that starts a line.

    Positions in arrays of tables are counted from 0. Keys inside inline tables and inside multi-line strings have no
    line of their own: ask `line_of`, which falls back to what encloses them.
    """
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    here: Path = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            names = tuple(part.strip().strip("\"'") for part in header.group(2).split("."))
            here = _inside_arrays(names[:-1], counts) + names[-1:]
            if header.group(1) == "[[":
                counts[here] = counts.get(here, -1) + 1
                here = (*here, counts[here])
            lines.setdefault(here, number)
        elif key := _KEY.match(line):
            lines.setdefault(here + tuple(part.strip() for part in key.group(1).split(".")), number)
    return lines


def line_of(lines: dict[Path, int], path: Iterable[str | int]) -> int | None:
    """Line of `path`, or of the nearest thing around it that has one."""
    place: Path = tuple(path)
    while place:
        if place in lines:
            return lines[place]
        place = place[:-1]
    return None


def _inside_arrays(names: tuple[str, ...], counts: dict[Path, int]) -> Path:
    """`names` with the position of the latest element put behind every name that is an array of tables."""
    here: Path = ()
    for name in names:
        here = (*here, name)
        if here in counts:
            here = (*here, counts[here])
    return here
