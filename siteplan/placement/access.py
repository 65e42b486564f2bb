"""Access: does the handpiece with this drill fit between the neighbouring crowns and under the opened mouth?"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from siteplan.anatomy.structure import Kind, Structure
from siteplan.errors import GeometryError
from siteplan.fixture.solid import Pose, Solid
from siteplan.placement.clearances import distances
from siteplan.placement.profile import Poses


@dataclass(frozen=True, slots=True)
class Handpiece:
    """The head that drives the drill, as two cylinders around its axis. From the kit file; mm.

    Attributes:
        head_diameter_mm, head_height_mm: of the head, its height along the drill's axis.
        extender_mm: how much an extender adds to the drill's free length; None where there is none.
        extender_diameter_mm: its outer diameter.
    """

    head_diameter_mm: float
    head_height_mm: float
    extender_mm: float | None = None
    extender_diameter_mm: float = 5.0

    def __post_init__(self) -> None:
        sizes = (self.head_diameter_mm, self.head_height_mm, self.extender_diameter_mm, self.extender_mm or 1.0)
        if not all(0 < size < 100 for size in sizes):
            raise GeometryError("handpiece: every size must lie between 0 and 100 mm.")


@dataclass(frozen=True, slots=True)
class DrillReach:
    """What access needs to know of one drill: free length from head to tip, diameter, and depth of its tip; mm."""

    name: str
    free_length_mm: float
    diameter_mm: float
    depth_mm: float

    def __post_init__(self) -> None:
        if not 0 < self.depth_mm < self.free_length_mm or self.diameter_mm <= 0:
            raise GeometryError(f"{self.name}: the drill must be longer than it goes deep, and have a diameter.")


@dataclass(frozen=True, slots=True)
class Opening:
    """How far the mouth opens.

    Attributes:
        height_mm: free height.
        at_site: measured from the bone of the site to what stands opposite. Otherwise between the edges of the front
            teeth, where it is widest: jaws turn about a hinge behind them, so there is less of it further back.
    """

    height_mm: float
    at_site: bool = True

    def __post_init__(self) -> None:
        if not 0 < self.height_mm < 100:
            raise GeometryError("mouth opening: it must lie between 0 and 100 mm.")


USUAL_OPENING_MM = (36.0, 70.0)
"""Least and most between the front teeth among 894 adults without complaint (PMC3428458; women from 36 mm, men to
70 mm; means 44.3 and 51.3 mm). 140 students opened 48.8 mm on average (Zawawi KH et al., 2003, J Can Dent Assoc
69:737-741)."""


def opening_remarks(opening_mm: float | None) -> tuple[str, ...]:
    """What must be said of a mouth opening between the front teeth that lies outside the published range."""
    if opening_mm is None or USUAL_OPENING_MM[0] <= opening_mm <= USUAL_OPENING_MM[1]:
        return ()
    low, high = USUAL_OPENING_MM
    side, then = ("less", "look for the cause, and") if opening_mm < low else ("more", "measure it again, and")
    return (
        f"The mouth opens {opening_mm:g} mm between the front teeth, {side} than the {low:g} to {high:g} mm that were "
        f"found in 894 adults (PMC3428458): {then} try handpiece and longest drill at each site before surgery.",
    )


class Fit(StrEnum):
    """The answer for one drill, in plain words."""

    FITS = "fits"
    NEEDS_EXTENDER = "needs the extender"
    DOES_NOT_FIT = "does not fit"


@dataclass(frozen=True, slots=True)
class Access:
    """Answer for one drill.

    Attributes:
        crown_gap_mm: between head and the nearest crown with the drill at its depth, of the way that fits (or, where
            none does, without extender); below zero they collide; None without a crown nearby.
        opening_needed_mm: head and drill with the tip on the bone; opening: what the mouth offers, None where not told.
        why: in words, one or two sentences.
    """

    drill: str
    fit: Fit
    crown_gap_mm: float | None
    opening_needed_mm: float
    opening: Opening | None
    why: str

    @property
    def said(self) -> str:
        """`why` without the drill's name at its start: the same words for every drill with the same answer."""
        return self.why.removeprefix(self.drill).strip()

    def as_json(self) -> dict[str, object]:
        """For `findings.json`."""
        return {
            "fit": self.fit.value,
            "crown_gap_mm": None if self.crown_gap_mm is None else round(self.crown_gap_mm, 4),
            "opening_needed_mm": round(self.opening_needed_mm, 4),
            "opening_mm": None if self.opening is None else self.opening.height_mm,
            "opening_measured": None if self.opening is None else ("at the site" if self.opening.at_site else AT_FRONT),
            "why": self.why,
        }


AT_FRONT = "between the front teeth"


@dataclass(frozen=True, slots=True)
class _Way:
    gap_mm: float | None
    needed_mm: float
    collides: bool
    too_high: bool


def access(
    drill: DrillReach,
    pose: Pose,
    handpiece: Handpiece,
    structures: Sequence[Structure],
    *,
    opening: Opening | None = None,
    spare_mm: float = 0.5,
) -> Access:
    """Whether head and drill fit, without the extender or with it.

    Args:
        pose: where the bone is entered, and the drill's axis.
        structures: those of kind crown and existing fixture are what the head may meet.
        opening: how far the mouth opens. None: not checked, and the sentence says so.
        spare_mm: room that is left between head and crown (our own choice).
    """
    bare = _way(drill, pose, handpiece, structures, opening, spare_mm, 0.0)
    longer = None
    if handpiece.extender_mm is not None:
        longer = _way(drill, pose, handpiece, structures, opening, spare_mm, handpiece.extender_mm)
    fit, way = Fit.DOES_NOT_FIT, bare
    if not (bare.collides or bare.too_high):
        fit = Fit.FITS
    elif longer is not None and not (longer.collides or longer.too_high):
        fit, way = Fit.NEEDS_EXTENDER, longer
    return Access(drill.name, fit, way.gap_mm, way.needed_mm, opening, _why(drill, fit, bare, longer, opening))


def _way(
    drill: DrillReach,
    pose: Pose,
    handpiece: Handpiece,
    structures: Sequence[Structure],
    opening: Opening | None,
    spare_mm: float,
    extra_mm: float,
) -> _Way:
    solid = _outline(drill, handpiece, extra_mm)
    gaps = [
        float(distances(solid, Poses.of(pose), structure.shape).value[0])
        for structure in structures
        if structure.kind in (Kind.CROWN, Kind.EXISTING_FIXTURE)
    ]
    gap = min(gaps) if gaps else None
    needed = handpiece.head_height_mm + extra_mm + drill.free_length_mm
    return _Way(gap, needed, gap is not None and gap < spare_mm, opening is not None and needed > opening.height_mm)


def _outline(drill: DrillReach, handpiece: Handpiece, extra_mm: float) -> Solid:
    """Drill, extender and head with the tip at its depth; z = 0 at the bone. The head is lowest here."""
    face = drill.depth_mm - drill.free_length_mm
    head, thin, r = -handpiece.head_height_mm, handpiece.extender_diameter_mm / 2, drill.diameter_mm / 2
    wide = handpiece.head_diameter_mm / 2
    corners = [(face - extra_mm + head, wide), (face - extra_mm, wide)]
    if extra_mm > 0:
        corners += [(face - extra_mm, thin), (face, thin)]
    corners += [(face, r), (drill.depth_mm, r)]
    z, radius = zip(*corners, strict=True)
    return Solid(np.array(z), np.array(radius))


def _why(drill: DrillReach, fit: Fit, bare: _Way, longer: _Way | None, opening: Opening | None) -> str:
    if fit is Fit.FITS:
        return f"{drill.name} fits without the extender{_beside(bare)}{_room(bare, opening)}"
    hit = f"the head comes within {bare.gap_mm:.1f} mm of a crown" if bare.collides else ""
    high = _too_high("it needs", bare, opening) if bare.too_high else ""
    trouble = " and ".join(part for part in (hit, high) if part)
    if fit is Fit.NEEDS_EXTENDER and longer is not None:
        return f"{drill.name} needs the extender: without it {trouble}{_room(longer, opening)}"
    unchecked = NOT_CHECKED if opening is None else ""
    if longer is None:
        return f"{drill.name} does not fit: {trouble}, and the kit has no extender.{unchecked}"
    still = (
        _too_high("it needs", longer, opening)
        if longer.too_high
        else f"it still comes within {longer.gap_mm or 0.0:.1f} mm of a crown"
    )
    return f"{drill.name} does not fit: {trouble}; with the extender {still}.{unchecked}"


NOT_CHECKED = " The mouth opening was not given and not checked."


def _beside(way: _Way) -> str:
    return " as far as drawn (no neighbouring crown is)" if way.gap_mm is None else ""


def _room(way: _Way, opening: Opening | None) -> str:
    """The end of a sentence on a way that fits: how much of the opening it takes, and how sure that is."""
    if opening is None:
        return f".{NOT_CHECKED}"
    there = f"; it needs {way.needed_mm:.0f} mm of opening and {opening.height_mm:.0f} mm are there"
    if opening.at_site:
        return f"{there}."
    return f"{there} {AT_FRONT}. Further back there is less: measure the free height at the site."


def _too_high(start: str, way: _Way, opening: Opening | None) -> str:
    height = 0.0 if opening is None else opening.height_mm
    where = "" if opening is None or opening.at_site else f" {AT_FRONT}, where it is widest"
    return f"{start} {way.needed_mm:.0f} mm of opening and {height:.0f} mm are there{where}"
