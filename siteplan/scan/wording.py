"""What the two lists of findings share: how places, counts and points are written."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from siteplan.scan.findings import ScanFinding, Severity

EXPORT_AGAIN = "Export the series again from the scanner or archive, complete and as original slices."
_SHOWN = 3
"""File names that are written out before the rest is only counted."""


def names(places: Sequence[str]) -> str:
    """The first file names, and how many more."""
    shown = ", ".join(places[:_SHOWN])
    return shown if len(places) <= _SHOWN else f"{shown} and {len(places) - _SHOWN} more"


def count(places: Sequence[str], thing: str) -> str:
    """A number with its word."""
    return f"{len(places)} {thing}{'' if len(places) == 1 else 's'}"


def point(position_lps_mm: ArrayLike) -> str:
    """A patient point, LPS mm."""
    x, y, z = np.asarray(position_lps_mm, dtype=np.float64)
    return f"({x:.2f}, {y:.2f}, {z:.2f}) mm"


def refusal(code: str, what: str, where: str, remedy: str) -> ScanFinding:
    """A finding that forbids the volume."""
    return ScanFinding(code, Severity.REFUSAL, what, where, remedy)


def warning(code: str, what: str, where: str, remedy: str) -> ScanFinding:
    """A finding that lowers trust."""
    return ScanFinding(code, Severity.WARNING, what, where, remedy)


def note(code: str, what: str, where: str = "", remedy: str = "") -> ScanFinding:
    """A finding that changes nothing."""
    return ScanFinding(code, Severity.NOTE, what, where, remedy)
