"""What a person sets by hand on pictures: measurements and remarks, and the course of an arch.

Nothing here feeds a verdict: hand marks are a ruler held to a picture, and an arch only says where sites stand.
"""

from itertools import pairwise
from math import dist
from typing import Annotated, Literal

from pydantic import Field, model_validator

from siteplan.case.parts import Part, Point, Tooth

POINTS_OF: dict[str, tuple[int, int]] = {
    "distance": (2, 2),
    "angle": (3, 3),
    "circle": (2, 3),
    "line": (2, 2),
    "note": (1, 1),
}
"""Fewest and most points of each kind of hand mark. A circle's third point gives the side that it faces."""

_APART_MM = 0.5
"""Neighbouring control points closer than this make the curve double back (the arch's own bound)."""


class HandMarkEntry(Part):
    """One measurement or remark by hand."""

    kind: Literal["distance", "angle", "circle", "line", "note"]
    points_mm: list[Point] = Field(
        description="ends of a distance or line; for an angle its corner in the middle; centre and a point of the rim "
        "for a circle, and if given a point that its plane faces; one for a note"
    )
    text: Annotated[str, Field(max_length=4000)] = ""
    tooth: Tooth | None = Field(default=None, description="the site at which it was made")

    @model_validator(mode="after")
    def _points_fit_the_kind(self) -> "HandMarkEntry":
        least, most = POINTS_OF[self.kind]
        count = len(self.points_mm)
        if not least <= count <= most:
            wanted = f"{least}" if least == most else f"{least} or {most}"
            raise ValueError(f"a mark of kind {self.kind} has {wanted} points, not {count}")
        if self.kind == "note" and not self.text.strip():
            raise ValueError("a note without text says nothing; give it a text or remove it")
        return self


class ArchEntry(Part):
    """The course of one jaw's arch, as a person corrected or accepted it: a smooth curve runs through the points."""

    jaw: Literal["upper", "lower"]
    control_points_mm: Annotated[list[Point], Field(min_length=4, description="in order along the arch, at least four")]
    note: Annotated[str, Field(max_length=4000)] = ""

    @model_validator(mode="after")
    def _points_stand_apart(self) -> "ArchEntry":
        for number, (first, second) in enumerate(pairwise(self.control_points_mm)):
            if dist(first, second) < _APART_MM:
                raise ValueError(
                    f"control points {number} and {number + 1} are closer than {_APART_MM} mm; move them apart"
                )
        return self
