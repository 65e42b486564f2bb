"""What several commands need: points from text, progress on standard error, JSON on standard output."""

import argparse
import json
import math
import sys
from collections.abc import Callable
from typing import Any

Progress = Callable[[float, str], None]


def point(text: str) -> tuple[float, float, float]:
    """Three numbers from "X,Y,Z".

    Raises:
        argparse.ArgumentTypeError: anything else.
    """
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"three numbers as X,Y,Z are needed, not {text!r}") from None
    if not all(math.isfinite(value) for value in (x, y, z)):
        raise argparse.ArgumentTypeError(f"the numbers in {text!r} must be finite")
    return x, y, z


def print_json(content: Any) -> None:
    """JSON and nothing else on standard output; NaN would be no JSON, so it is an error here."""
    json.dump(content, sys.stdout, indent=1, ensure_ascii=False, allow_nan=False)
    sys.stdout.write("\n")


def progress_to(stream: Any = None) -> Progress:
    """Progress for a person: one line on a terminal that overwrites itself, one line a step elsewhere."""
    out = stream or sys.stderr
    last = [""]

    def show(fraction: float, what: str) -> None:
        if out.isatty():
            end = "\n" if fraction >= 1 else ""
            out.write(f"\r\x1b[K{fraction:4.0%} {what}{end}")
        elif what != last[0]:
            out.write(f"{fraction:4.0%} {what}\n")
        last[0] = what
        out.flush()

    return show


def silent(_fraction: float, _what: str) -> None:
    """Progress for a program: nothing."""


def part(show: Progress, start: float, end: float) -> Progress:
    """Progress of one part of a job, squeezed into its share of the whole."""
    return lambda fraction, what: show(start + (end - start) * fraction, what)
