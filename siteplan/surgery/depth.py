"""How deep a drill goes: the deepest mark or stop that is safe, never rounded towards a structure.

Two depths are kept apart: *below the bone entry* (bone) and *from the surgical reference* (gum surface when flapless,
else the bone crest itself). A mark is read at the reference.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from siteplan.fixture import Fixture
from siteplan.placement import Clearance
from siteplan.surgery.around import Surroundings, against
from siteplan.surgery.drill_shape import drill_solid
from siteplan.surgery.kit import Drill, Kit, Purpose

EPS_MM = 1e-6
"""Rounding: a mark that equals the wanted depth is reached."""


@dataclass(frozen=True)
class Setting:
    """One depth that can be set: a mark of the drill, or a stop sleeve on it."""

    reading_mm: float
    stop: str | None


@dataclass(frozen=True, eq=False)
class Depth:
    """A setting with what follows from it. `tip_bone_mm` and `shoulder_bone_mm` are below the bone entry.

    `held_back` says why the next deeper setting was not taken; "" where the goal is reached.
    """

    setting: Setting
    shoulder_bone_mm: float
    tip_bone_mm: float
    clearances: tuple[Clearance, ...]
    held_back: str = ""


@dataclass(frozen=True)
class NoDepth:
    """No setting is safe: why, in words."""

    why: str


@dataclass(frozen=True)
class Bounds:
    """What a drill must not pass, below the bone entry: its full diameter, and its very tip."""

    shoulder_bone_mm: float
    tip_bone_mm: float
    reason: str


@dataclass(frozen=True)
class Surface:
    """Where depth is counted from: `above_bone_mm` above the bone entry (the gum, or 0 at the crest)."""

    name: str
    above_bone_mm: float


def settings(kit: Kit, drill: Drill) -> tuple[Setting, ...]:
    """All depths that this drill can be set to, deepest first; a mark is preferred to a stop of the same depth."""
    found = {mark: Setting(mark, None) for mark in drill.marks_mm}
    for stop in kit.file.stop:
        low, high = stop.fits_diameter_mm
        if low <= drill.diameter_mm <= high and stop.depth_mm <= drill.max_depth_mm:
            found.setdefault(stop.depth_mm, Setting(stop.depth_mm, stop.name))
    return tuple(found[depth] for depth in sorted(found, reverse=True))


def choose(kit: Kit, drill: Drill, bounds: Bounds, surface: Surface, around: Surroundings) -> Depth | NoDepth:
    """The deepest setting within the bounds whose every verdict is clear.

    Where no setting is clear, the deepest whose distances themselves keep every margin, and it says so; none at all
    where the protocol demands the lower limits.
    """
    within = list(_within(kit, drill, bounds, surface))
    if not within:
        shallowest = settings(kit, drill)[-1]
        return NoDepth(
            f"{drill.name}: even its shallowest depth of {shallowest.reading_mm:g} mm from the {surface.name} goes "
            f"deeper than allowed: {_passed(drill, bounds, surface, shallowest)}"
        )
    refused = _beyond_bounds(kit, drill, bounds, surface, within[0][0])
    doubtful: Depth | None = None
    unclear: list[Clearance] = []
    for setting, shoulder, tip in within:
        found = around.drill_clearances(drill_solid(drill, tip, surface.above_bone_mm))
        unclear = [clearance for clearance in found if not clearance.verdict.good]
        if not unclear:
            return Depth(setting, shoulder, tip, found, refused)
        if doubtful is None and all(around.keeps(clearance) for clearance in found):
            why = "no depth of it keeps every margin beyond doubt; this is the deepest that keeps them as measured"
            doubtful = Depth(setting, shoulder, tip, found, f"{refused}; {why}" if refused else why)
        refused = f"{_named(setting)} would come to {'; '.join(against(clearance) for clearance in unclear)}"
    if doubtful is not None:
        return doubtful
    names = ", ".join(clearance.structure for clearance in unclear)
    return NoDepth(
        f"{drill.name}: no mark or stop keeps the margin to {names}; move or tilt the site, or choose a shorter fixture"
    )


def _beyond_bounds(kit: Kit, drill: Drill, bounds: Bounds, surface: Surface, deepest: Setting) -> str:
    """Why the next setting below the deepest allowed one is not taken; "" where there is none or none is missed."""
    deeper = [s for s in settings(kit, drill) if s.reading_mm > deepest.reading_mm]
    shoulder = deepest.reading_mm + drill.beyond_mark_mm - surface.above_bone_mm - drill.point_length_mm
    if not deeper or bounds.shoulder_bone_mm - shoulder < _MISSED_MM:
        return ""
    return f"{_named(deeper[-1])} would go too deep: {_passed(drill, bounds, surface, deeper[-1])}"


def _passed(drill: Drill, bounds: Bounds, surface: Surface, setting: Setting) -> str:
    """Which bound a setting passes: that of the full diameter or, where only the point goes too far, of the tip."""
    tip = setting.reading_mm + drill.beyond_mark_mm - surface.above_bone_mm
    if tip - drill.point_length_mm > bounds.shoulder_bone_mm + EPS_MM or tip <= bounds.tip_bone_mm + EPS_MM:
        return bounds.reason
    return (
        f"its point is {drill.point_length_mm:.2f} mm long, so the very tip would come to {tip:.2f} mm below the bone "
        f"entry, and {bounds.tip_bone_mm:.2f} mm is the most allowed ({bounds.reason})"
    )


_MISSED_MM = 0.05
"""A mark this near to its goal reaches it (half of what is read)."""


def _named(setting: Setting) -> str:
    return setting.stop or f"the {setting.reading_mm:g} mm mark"


def _within(kit: Kit, drill: Drill, bounds: Bounds, surface: Surface) -> Iterator[tuple[Setting, float, float]]:
    """(setting, shoulder, tip), deepest first, of all settings within the bounds; depths below the bone entry."""
    for setting in settings(kit, drill):
        tip = setting.reading_mm + drill.beyond_mark_mm - surface.above_bone_mm
        shoulder = tip - drill.point_length_mm
        if shoulder <= bounds.shoulder_bone_mm + EPS_MM and tip <= bounds.tip_bone_mm + EPS_MM and tip > 0:
            yield setting, shoulder, tip


def body_bounds(fixture: Fixture, drill: Drill, platform_bone_mm: float, beyond_mm: float, bite: float) -> Bounds:
    """Bounds of a drill to depth: the fixture's apex, and where the thread would lose its bite.

    Args:
        platform_bone_mm: the fixture's platform below the bone entry.
        beyond_mm: how far the very tip may pass the apex.
        bite: share of the thread's height that must be left beside the drill.
    """
    apex = platform_bone_mm + fixture.length_mm
    # A tap is as wide as the thread on purpose: it cuts the groove that the thread runs in.
    cuts_thread = drill.purpose is Purpose.TAP
    deepest = None if cuts_thread else _bite_ends(fixture, drill.diameter_mm / 2, bite)
    if deepest is None:
        return Bounds(apex, apex + beyond_mm, f"the apex lies {apex:.2f} mm below the bone entry")
    shoulder = platform_bone_mm + deepest
    why = f"deeper than {shoulder:.2f} mm below the bone entry it would leave the tapered thread too little to bite"
    return Bounds(min(shoulder, apex), apex + beyond_mm, why)


def _bite_ends(fixture: Fixture, radius_mm: float, bite: float) -> float | None:
    """Depth below the platform where a straight hole leaves the thread too little; None: not before the tip."""
    shape = fixture.shape
    start, end = fixture.thread_start_mm, fixture.length_mm - shape.tip_mm
    height = (fixture.outer_diameter_mm - fixture.core_diameter_mm) / 2
    allowed_top = fixture.core_diameter_mm / 2 + (1 - bite) * height
    narrowing = shape.narrowing_mm(fixture.length_mm)
    if radius_mm <= allowed_top - narrowing + EPS_MM:
        return None
    if radius_mm >= allowed_top or narrowing <= 0:
        return start
    return start + (allowed_top - radius_mm) / narrowing * (end - start)
