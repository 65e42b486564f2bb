"""What a question's answer knows at each depth below the bone crest: drills, distances, torque, grey. Draws nothing.

The window draws it beside the section on the section's own scale, so that a millimetre there is a millimetre here.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from siteplan.frame import SiteFrame, Vector
from siteplan.report import palette
from siteplan.surgery.card import Preparation, Step
from siteplan.surgery.drill_shape import drill_solid
from viewer import reading
from viewer.measuring import Measured
from viewer.overlay import measure_words
from viewer.texts import say

Array = NDArray[np.float64]
_SHANK_MM = 3.0
"""How much of a drill is drawn above the bone where no gum is known (for the eye only)."""


@dataclass(frozen=True, eq=False)
class Lane:
    """One drill of the card at its depth. z_mm, r_mm: (N,) outline below the bone crest; `tip`, `sign`: its words."""

    z_mm: Array
    r_mm: Array
    tip_mm: float
    name: str
    sign: str
    tip: str
    mark: palette.Mark | None


@dataclass(frozen=True, eq=False)
class Gap:
    """How near something comes, at the depth where it does. `limit_mm`: its margin; None for a planned contact."""

    depth_mm: float
    gap_mm: float
    limit_mm: float | None
    words: str
    mark: palette.Mark


@dataclass(frozen=True, eq=False)
class Curve:
    """A value against depth; low and high are None where there is no interval. `fine`, `most`: target and ceiling."""

    depth_mm: Array
    value: Array
    low: Array | None = None
    high: Array | None = None
    fine: tuple[float, float] | None = None
    most: float | None = None
    unit: str = ""


@dataclass(frozen=True, eq=False)
class Depths:
    """One picture against depth.

    Attributes:
        frame: zero is where the axis enters bone, depth runs along its axis.
        body_mm: depths of platform and tip; None without a fixture.
        gum_mm: the gum surface, below zero; None where it is not the reference.
        levels: depths that get a line of their own, with their words.
        empty: why there is nothing to draw, or "".
    """

    title: str
    frame: SiteFrame
    body_mm: tuple[float, float] | None
    zero: str
    gum_mm: float | None = None
    lanes: tuple[Lane, ...] = ()
    gaps: tuple[Gap, ...] = ()
    curve: Curve | None = None
    levels: tuple[tuple[float, str], ...] = ()
    empty: str = ""
    quick: bool = field(default=False)


def depths_of(measured: Measured, question: str) -> Depths:
    """The picture that stands beside the section for a question: "bone", "near", "drill" or "turn-in"."""
    site, bone = measured.site, measured.site.bone
    placed = site.placed
    body = (placed.platform_depth_mm, placed.apex_depth_mm) if placed is not None else None
    known = bone.crest_offset.value is not None
    bare = Depths(
        say(f"depth.{question}"),
        bone.frame,
        body,
        say("depth.crest") if known else say("depth.planned-crest"),
        quick=measured.quick,
    )
    if question == "bone":
        return _with(bare, curve=_profile(measured), levels=_cortices(measured))
    if placed is None:
        return _with(bare, empty=say("drill.no-fixture"))
    if question == "near":
        gaps = _gaps(measured, bone.frame)
        return _with(bare, gaps=gaps, empty="" if gaps else say("fits.nothing-checked"))
    if measured.quick:
        return _with(bare, empty=say("drill.moving"))
    card = placed.preparation
    if question == "drill":
        gum = _gum(card)
        lanes = tuple(_lane(step, gum) for step in card.steps)
        return _with(bare, lanes=lanes, gum_mm=gum, empty="" if lanes else say("drill.none"))
    if card.forecast is None:
        return _with(bare, empty=say("torque.no-forecast"))
    planned, goal = card.forecast.planned, card.torque
    curve = Curve(
        planned.depth_mm,
        planned.middle,
        planned.low,
        planned.high,
        goal.target_Ncm,
        goal.ceiling_Ncm,
        say("unit.N_cm"),
    )
    return _with(bare, curve=curve)


def _with(bare: Depths, **more: object) -> Depths:
    return Depths(**{**bare.__dict__, **more})


def _gum(card: Preparation) -> float | None:
    """The gum surface where the card counts from it."""
    counts = any(step.reference == "gum surface" for step in card.steps)
    return -card.soft_tissue_mm if counts and card.soft_tissue_mm is not None else None


def _lane(step: Step, gum_mm: float | None) -> Lane:
    solid = drill_solid(step.drill, step.tip_below_bone_mm, max(_SHANK_MM, -(gum_mm or 0.0) + 1.0))
    worst = reading.by_urgency(step.clearances)[:1]
    return Lane(
        solid.z_mm,
        solid.r_mm,
        step.tip_below_bone_mm,
        say("depth.diameter", mm=f"{step.drill.diameter_mm:.1f}"),
        step.stop or say("depth.mark", mm=f"{step.mark_mm:g}"),
        say("depth.tip", mm=f"{step.tip_below_bone_mm:.1f}"),
        reading.mark_of(worst[0]) if worst else None,
    )


def _gaps(measured: Measured, frame: SiteFrame) -> tuple[Gap, ...]:
    """Everything that was measured against the fixture, each once, from the crest downwards."""
    seen: dict[str, Gap] = {}
    for found in reading.by_urgency(measured.clearances):
        value = found.distance.value
        name = reading.name_of(found)
        if value is None or found.at_lps_mm is None or name in seen:
            continue
        words = say("depth.gap", what=name, number=reading.distance(found.distance, measured.quick, interval=False))
        limit = None if found.contact else found.margin.value_mm
        seen[name] = Gap(_depth(frame, found.at_lps_mm), value, limit, words, reading.mark_of(found))
    return tuple(sorted(seen.values(), key=lambda gap: gap.depth_mm))


def _depth(frame: SiteFrame, place: Vector) -> float:
    return float(frame.from_lps(place)[0])


def _profile(measured: Measured) -> Curve | None:
    bone = measured.site.bone
    if np.isfinite(bone.profile_grey).sum() < 2:
        return None
    return Curve(bone.profile_depth_mm, bone.profile_grey, unit=say("depth.grey"))


def _cortices(measured: Measured) -> tuple[tuple[float, str], ...]:
    """Where the dense layers end and begin on the axis."""
    bone, out = measured.site.bone, []
    for key, found in (("crestal", bone.crestal_cortex), ("second", bone.second_cortex_depth)):
        if found.value is not None:
            out.append((found.value, say(f"depth.{key}", mm=measure_words(found, interval=False))))
    return tuple(out)
