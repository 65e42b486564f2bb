"""What a place must satisfy, and how much each rule leaves to spare, for many poses of one fixture."""

from dataclasses import dataclass

import numpy as np

from siteplan.anatomy.structure import Cone, Shape
from siteplan.fixture.design import Design, Fixture
from siteplan.fixture.solid import Solid
from siteplan.flags import Flag
from siteplan.placement.between import distances_to_body
from siteplan.placement.clearances import TWO_SIDED_95, cone_as_solid, search_distances
from siteplan.placement.cover import cover_mm, layers_mm
from siteplan.placement.margins import BUCCAL_BONE, FIXTURE, LINGUAL_BONE
from siteplan.placement.profile import Array, Indices, Poses
from siteplan.placement.ridge import REACH_MM
from siteplan.placement.trial import Place

FLOOR_MM = -0.5
"""How much a place may lack and still be looked at with every rule, to say what is short (our own choice)."""

FAR_MM = 2.0
"""Spare beyond which a distance need not be exact: the ranking counts less (`merit.RESERVE_MM`)."""

COARSE_STEP_MM = 1.0
"""Distance of the levels at which bone cover is looked at in the first round (our own choice)."""

NO_BONE_MM = -5.0
"""Spare that stands for a place with no bone at all (our own choice: below anything that can be measured)."""


@dataclass(frozen=True, eq=False)
class Spares:
    """What each rule leaves: names (K,), spare (N, K) in mm, below zero where the rule is broken; value (N, K): the
    measured quantity, least (K,): what the rule asks of it."""

    names: tuple[str, ...]
    spare: Array
    value: Array
    least: Array

    @property
    def tightest(self) -> Array:
        """The least spare (N,)."""
        least: Array = self.spare.min(axis=1)
        return least


FAR_SIDE_VOXELS = 1.5
"""Voxels that a tip keeps from the far side of the bone. Nearer, bone beside a body was read up to 0.7 mm too thick in
simulated jaws with voxels of 0.4 mm: the surface runs there almost along the lines on which it is looked for."""

BONE_SIDES = ("buccal bone", "lingual bone", "palatal bone")
"""Names of the rules about bone left beside the body."""

COMMON_WAY = "common path of insertion"
"""Name of the rule that keeps an axis within the path of a restoration; its spare is counted at the tip, in mm."""


class _Table:
    def __init__(self, count: int) -> None:
        self.names: list[str] = []
        self.least: list[float] = []
        self.spare: list[Array] = []
        self.value: list[Array] = []
        self.count = count

    def add(self, name: str, value: Array, least: float, doubt_mm: float = 0.0) -> None:
        self.names.append(name)
        self.least.append(least)
        self.value.append(value)
        self.spare.append(value - doubt_mm - least)

    def add_some(self, name: str, rows: Indices, value: Array, least: float, doubt_mm: float, worst: Array) -> Array:
        """Add a rule that was looked at for some rows only; returns the least spare so far."""
        every = np.full(self.count, np.nan)
        every[rows] = value
        self.add(name, every, least, doubt_mm)
        return np.fmin(worst, self.spare[-1])

    def done(self) -> Spares:
        return Spares(
            tuple(self.names), np.stack(self.spare, axis=1), np.stack(self.value, axis=1), np.array(self.least)
        )


def spares(
    place: Place, fixture: Fixture, poses: Poses, platform_mm: Array, *, fine: bool, floor_mm: float = FLOOR_MM
) -> Spares:
    """Spare of every rule.

    Structures keep their margin with the lower end of the 95 % interval of the distance: what cannot be told is not
    proposed. Bone on both sides, whose margins are disputed, keeps them with the measured value.

    Args:
        platform_mm: (N,) depth of the platforms below the bone entry, NaN where there is no bone.
        fine: every layer of the bone; otherwise levels a millimetre apart.
        floor_mm: a place whose spare has fallen to this is not looked at further; its spare is then an upper bound.
    """
    table = _Table(len(poses))
    missing = ~np.isfinite(platform_mm)
    _bone_sides(place, fixture.body, poses, fine, table)
    _far_side(place, fixture, poses, table)
    _within_sheets(place, fixture, poses, table)
    _common_way(place, fixture, poses, table)
    worst = np.where(missing, NO_BONE_MM, np.min(table.spare, axis=0))
    for structure in place.structures:
        contact = place.margins.contact(structure.kind) if _engages(place, fixture, structure.name) else None
        least = place.margins.of(structure.kind).value_mm if contact is None else -contact.value_mm
        doubt = TWO_SIDED_95 * float(np.hypot(structure.uncertainty_mm, place.scan_sd_mm))
        worth = np.flatnonzero(worst > floor_mm)
        value = _to_structure(fixture.body, poses.pick(worth), structure.shape, least + doubt + FAR_MM)
        worst = table.add_some(structure.name, worth, value, least, doubt, worst)
    for name, solid, pose in place.neighbours:
        worth = np.flatnonzero(worst > floor_mm)
        least = place.margins.of(FIXTURE).value_mm
        value = distances_to_body(fixture.body, poses.pick(worth), solid, pose, least + FAR_MM)
        worst = table.add_some(name, worth, value, least, 0.0, worst)
    result = table.done()
    result.spare[missing] = NO_BONE_MM
    # A rule that was not looked at cannot make a place better than the rule that had failed already.
    spare = np.where(np.isnan(result.spare), worst[:, None], result.spare)
    return Spares(result.names, spare, result.value, result.least)


def _to_structure(body: Solid, poses: Poses, shape: Shape, enough_mm: float) -> Array:
    if isinstance(shape, Cone):
        return distances_to_body(body, poses, *cone_as_solid(shape), enough_mm)
    return search_distances(body, poses, shape, enough_mm).value


def _engages(place: Place, fixture: Fixture, name: str) -> bool:
    return fixture.design is Design.ONE_PIECE_BASAL and name in place.planned_contacts


def _bone_sides(place: Place, body: Solid, poses: Poses, fine: bool, table: _Table) -> None:
    ridge = place.ridge
    slope = poses.axis @ ridge.frame.axis
    top = ridge.frame.from_lps(poses.platform_lps_mm)[:, 0]
    # Each pose has its own corners: a rim just below the crest is where bone grows thicker fastest.
    corners = top[:, None] + slope[:, None] * np.unique(body.z_mm)
    even = layers_mm(float(corners[:, -1].max()), ridge.step_mm if fine else COARSE_STEP_MM)
    start = place.cover_from_mm + place.own_entry_mm(poses)[:, None]
    depths = np.concatenate([np.broadcast_to(even, (len(poses), len(even))), corners, start], axis=1)
    on_body = (depths >= top[:, None]) & (depths <= corners[:, -1:]) & (depths >= start)
    on_body &= depths <= _bottom_mm(place)
    for side, key, name in ((1, BUCCAL_BONE, "buccal bone"), (-1, LINGUAL_BONE, f"{place.inner} bone")):
        cover, _ = cover_mm(ridge, body, poses, depths, side)
        # Bone that was not found where the body lies is no bone.
        cover = np.where(on_body, np.where(np.isnan(cover), -1.0, cover), np.inf)
        least = cover.min(axis=1) if cover.shape[1] else np.full(len(poses), np.inf)
        table.add(name, np.where(np.isfinite(least), least, NO_BONE_MM), place.margins.of(key).value_mm)


def _bottom_mm(place: Place) -> float:
    """Depth of the deepest layer in which the ridge was found on both sides of the planned axis."""
    return float(place.ridge.bottom_mm(np.zeros(1))[0])


_UPRIGHT = 1.5
"""Radians beyond which an angle counts no further: its tangent would turn over at a right angle."""


def _common_way(place: Place, fixture: Fixture, poses: Poses, table: _Table) -> None:
    """The axis stays within the angle around the common direction; degrees count by what they move the tip."""
    if place.way_in is None:
        return
    direction, most_deg = place.way_in
    beyond = np.radians(most_deg) - np.arccos(np.clip(poses.axis @ direction, -1.0, 1.0))
    table.add(COMMON_WAY, fixture.length_mm * np.tan(np.clip(beyond, -_UPRIGHT, _UPRIGHT)), 0.0)


def _within_sheets(place: Place, fixture: Fixture, poses: Poses, table: _Table) -> None:
    """The tip stays beside the planned axis where the sides of the ridge were measured: an arch bends away further on.

    How far within is no merit, so that it counts as far as any distance does.
    """
    tip = place.bone.frame.from_lps(poses.platform_lps_mm + fixture.length_mm * poses.axis)[:, 2]
    left = REACH_MM - np.abs(tip)
    table.add(f"bone measured within {REACH_MM:g} mm of the planned axis", np.where(left >= 0, FAR_MM, left), 0.0)


def _far_side(place: Place, fixture: Fixture, poses: Poses, table: _Table) -> None:
    """The tip stays in the bone: above the second cortex, or for a basal design within it.

    Where the ridge ends earlier beside the planned axis, the cortex is taken to lie nearer by as much.
    """
    frame = place.bone.frame
    keep = FAR_SIDE_VOXELS * max(place.bone.block.voxel_mm)
    at = frame.from_lps(poses.platform_lps_mm + fixture.length_mm * poses.axis)
    tip, bottom = at[:, 0], place.ridge.bottom_mm(at[:, 2])
    second = place.bone.second_cortex_depth
    if second.value is None:
        table.add(f"bone beneath the tip ({FAR_SIDE_VOXELS:g} voxels are kept)", bottom - tip, keep)
        return
    nearer = np.minimum(bottom - _bottom_mm(place), 0.0)
    thick = place.bone.second_cortex
    within = thick.value if thick.value is not None and Flag.UNBOUNDED not in thick.flags else 0.0
    if fixture.design is Design.ONE_PIECE_BASAL and within > keep:
        table.add(
            f"outer side of the second cortex ({FAR_SIDE_VOXELS:g} voxels are kept)",
            second.value + within + nearer - tip,
            keep,
        )
    else:
        table.add("bone above the second cortex", second.value + nearer - tip, 0.0)
