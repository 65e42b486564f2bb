"""Measurements by hand as the window keeps them; their values are the library's, so that the report says the same."""

from siteplan.bone.by_hand import hand_value, sample
from siteplan.measures import Measure
from siteplan.scan import Scan
from viewer.plan import HandMark

__all__ = ["POINTS_NEEDED", "sample", "value_of"]

POINTS_NEEDED = {"distance": 2, "angle": 3, "circle": 2, "line": 2, "note": 1}


def value_of(mark: HandMark, scan: Scan) -> Measure | None:
    """The number of a mark; None for a note."""
    return hand_value(mark.kind, mark.points_mm, scan)
