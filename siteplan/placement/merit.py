"""How good a place is, once it satisfies every rule: six stated criteria from 0 to 1 and their weighted sum.

Five of them are reckoned for every place that is tried. The sixth, how steady a place is under the hand, takes draws;
it is reckoned for the first ones only (`proposal.LOOKED_AT`), whose order it then decides with the others.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from siteplan.fixture.design import Design, Fixture
from siteplan.placement.clearances import TWO_SIDED_95
from siteplan.placement.profile import Array, Poses, across
from siteplan.placement.rules import BONE_SIDES, Spares
from siteplan.placement.trial import Place

RESERVE_MM = 1.06
"""Spare beyond every margin that counts; more adds nothing. One standard deviation of the free hand's entry point in
one direction: from 1.62 mm mean and 0.87 mm sd, Schnutenhaus S et al., 2021, Dent J 9:54. The margin itself is already
kept; the reserve is for the hand, and beyond it a longer or wider body is the better use of bone (our own choice)."""

LARGE_CONTACT_MM2 = 150.0
"""Side area of the body in bone that counts fully: about a 4.0 mm by 12 mm or a 4.8 mm by 10 mm cylinder (our own
choice: what a body gains beyond a usual size is small)."""

ENGAGED_MM = 1.0
"""A tip this far into the second cortex counts as fully anchored: 1 to 2 mm in practice texts, from memory."""

MISSED = -0.5
"""Mark of a basal body whose tip does not reach the second cortex that it is made to hold in (our own choice: without
it such a body went first at a site without a second cortex, for nothing but its size)."""

CRITERIA = ("room", "dense bone", "anchorage", "size", "axis", "hand")
"""Room: least spare beyond all margins up to the reserve, the first tenths counting most; the bone on both sides with
the lower end of its interval. Dense bone: side area of the body, counted by how dense the bone beside it is.
Anchorage: tip in the second cortex, basal designs only, below zero where it is missed. Size: side area of the body,
long and wide. Axis: angle to the planned axis and to neighbours. Hand: chance that the hand, deviating as published,
breaks no margin at all."""

VALUE_MEANS = (
    "The value is the weighted sum, from 0 to 1, of room beyond the margins (up to a reserve for the hand), contact"
    " with dense bone, hold in the second cortex (basal designs), size, axis, and the chance that the hand which leads"
    " the drill breaks no margin. It orders places that all keep every margin as planned; it is no chance of success,"
    " and the weights are our own choice."
)
"""What a reader of the value must know."""


@dataclass(frozen=True, slots=True)
class Weights:
    """What each criterion counts. Our own choice, for ranking only: no evidence orders them; change them freely.

    A basal design lives from anchorage, the others do without: their weights are scaled so that all sum to one.
    """

    room: float = 0.25
    dense_bone: float = 0.20
    anchorage: float = 0.20
    size: float = 0.25
    axis: float = 0.10
    hand: float = 0.25

    def all_of(self, design: Design) -> Array:
        """Six weights that sum to one: those of `of` share what the hand leaves."""
        result: Array = np.append((1.0 - self.hand) * self.of(design), self.hand)
        return result

    def of(self, design: Design) -> Array:
        """Five weights that sum to one, for the criteria without the hand."""
        anchorage = self.anchorage if design is Design.ONE_PIECE_BASAL else 0.0
        weights = np.array([self.room, self.dense_bone, anchorage, self.size, self.axis])
        result: Array = weights / weights.sum()
        return result


def criteria(place: Place, fixture: Fixture, poses: Poses, found: Spares) -> Array:
    """The first five of `CRITERIA` (N, 5) of poses."""
    size = np.full(len(poses), min(1.0, side_area_mm2(fixture) / LARGE_CONTACT_MM2))
    dense = size * dense_bone(place, fixture, poses)
    return np.stack([_room(place, found), dense, _anchorage(place, fixture, poses), size, _axis(place, poses)], axis=1)


def density_share(marks: Array) -> float:
    """Mean density at the side, 0 to 1, out of the criteria (5,) or (6,)."""
    return float(marks[1] / marks[3])


def _room(place: Place, found: Spares) -> Array:
    """(N,) 0 to 1 with diminishing return: half of the reserve already counts three quarters."""
    sides = np.array([name in BONE_SIDES for name in found.names])
    doubt = TWO_SIDED_95 * (place.ridge.sd_mm or 0.0)
    sure = (found.spare - doubt * sides).min(axis=1)
    missing = 1.0 - np.clip(sure / RESERVE_MM, 0.0, 1.0)
    room: Array = 1.0 - missing**2
    return room


def side_area_mm2(fixture: Fixture) -> float:
    """Lateral area of the body's envelope: frustum by frustum, pi (r1 + r2) times the slant height."""
    z, r = fixture.body.z_mm, fixture.body.r_mm
    return float(np.sum(np.pi * (r[1:] + r[:-1]) * np.hypot(np.diff(z), np.diff(r))))


def dense_bone(place: Place, fixture: Fixture, poses: Poses) -> Array:
    """Mean density (N,) at the body's threaded side from 0 (soft tissue) to 1 (as far above it as it is above air)."""
    points = _side_points(fixture, poses)
    block, context = place.bone.block, place.bone.context
    at = block.frame.from_lps(points)
    origin = np.array([block.depth_mm[0], block.buccal_mm[0], block.distal_mm[0]])
    index = ((at - origin) / block.spacing_mm).reshape(-1, 3).T
    grey = map_coordinates(block.values, index, order=1, cval=np.nan).reshape(len(poses), -1)
    level = np.clip((grey - context.soft) / context.step, 0.0, 1.0)
    # Places outside the scan are unknown: they count as no bone at all.
    result: Array = np.where(np.isnan(level), 0.0, level).mean(axis=1)
    return result


def _side_points(fixture: Fixture, poses: Poses) -> Array:
    """Points (N, 96, 3) on the threaded side: 12 rings of 8."""
    z = np.linspace(fixture.thread_start_mm, fixture.length_mm, 13)
    z = 0.5 * (z[1:] + z[:-1])
    r = np.interp(z, fixture.body.z_mm, fixture.body.r_mm)
    angle = np.arange(8) * (np.pi / 4)
    first, second = across(poses.axis)
    ring = np.cos(angle)[:, None] * first[:, None, :] + np.sin(angle)[:, None] * second[:, None, :]
    middle = poses.platform_lps_mm[:, None, :] + z[:, None] * poses.axis[:, None, :]
    points: Array = middle[:, :, None, :] + r[:, None, None] * ring[:, None, :, :]
    return points.reshape(len(poses), -1, 3)


def _anchorage(place: Place, fixture: Fixture, poses: Poses) -> Array:
    if fixture.design is not Design.ONE_PIECE_BASAL:
        return np.zeros(len(poses))
    second = place.bone.second_cortex_depth.value
    if second is None:
        return np.full(len(poses), MISSED)
    tip = place.bone.frame.from_lps(poses.platform_lps_mm + fixture.length_mm * poses.axis)[:, 0]
    share: Array = np.where(tip > second, np.clip((tip - second) / ENGAGED_MM, 0.0, 1.0), MISSED)
    return share


def _axis(place: Place, poses: Poses) -> Array:
    lean = place.tilt_deg(poses)
    if place.neighbour_axes is not None and len(place.neighbour_axes):
        cosine = np.clip(poses.axis @ place.neighbour_axes.T, -1.0, 1.0)
        lean = 0.5 * lean + 0.5 * np.degrees(np.arccos(cosine)).mean(axis=1)
    mark: Array = np.clip(1.0 - lean / max(place.reach.tilt_deg, 1e-9), 0.0, 1.0)
    return mark
