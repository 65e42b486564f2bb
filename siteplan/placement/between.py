"""Between two fixtures: distance of the bodies, distance of the platforms, angle of the axes."""

import numpy as np

from siteplan.fixture.solid import Pose, Solid
from siteplan.frame import Vector
from siteplan.measures import Measure
from siteplan.placement.clearances import BATCH_TOLERANCE_MM, ROUGH_DEPTH_MM, Clearance
from siteplan.placement.hand import SEED, Hand, Risk, chance_of
from siteplan.placement.margins import FIXTURE, Margins
from siteplan.placement.profile import Array, Poses, least_possible
from siteplan.placement.to_solid import distances_to_solid
from siteplan.placement.verdict import verdict

RISK_SAMPLES = 1000
"""Draws for one pair (our own choice; the interval of the chance says what they leave open)."""

OTHER_HAND = 101
"""Added to the seed for the second fixture, so that its deviations are its own."""


def fixture_to_fixture(
    solid: Solid, pose: Pose, other: Solid, other_pose: Pose, margins: Margins, *, name: str = "other fixture"
) -> Clearance:
    """Least distance between two planned bodies.

    Both are planned, so their distance in the plan has no error of its own; what the hand adds is told by
    `fixture_to_fixture_risk`.
    """
    found = distances_to_solid(solid, Poses.of(pose), other, other_pose)
    value = float(found.value[0])
    low = min(value, float(found.low[0]))
    margin = margins.of(FIXTURE)
    measure = Measure(value, "mm", low, value, "least distance between exact shapes, as planned")
    return Clearance(name, FIXTURE, measure, found.at_lps_mm[0], margin, verdict(value, low, value, margin.value_mm))


def fixture_to_fixture_risk(
    solid: Solid,
    pose: Pose,
    other: Solid,
    other_pose: Pose,
    margins: Margins,
    hand: Hand,
    *,
    name: str = "other fixture",
    other_hand: Hand | None = None,
    samples: int = RISK_SAMPLES,
) -> Risk:
    """Chance that two bodies touch, and that they come nearer than their margin, when both are placed by hand.

    Each of the two deviates by the hand on its own: no publication says how the deviations of one patient's fixtures go
    together, and a drift that both share would bring them no nearer to each other.

    Args:
        hand, other_hand: of the first and of the second fixture; the same hand where only one is given.
    """
    other_hand = hand if other_hand is None else other_hand
    margin = margins.of(FIXTURE).value_mm
    drawn = drawn_between(solid, pose, other, other_pose, margin, (hand, other_hand), samples)
    return Risk(name, chance_of(drawn < 0.0), chance_of(drawn < margin), hand, margin, other_hand=other_hand)


def drawn_between(
    solid: Solid, pose: Pose, other: Solid, other_pose: Pose, enough_mm: float, both: tuple[Hand, Hand], samples: int
) -> Array:
    """Distances (samples,) of two bodies as they might turn out; those above `enough_mm` may be given too small."""
    hand, other_hand = both
    mine = hand.poses(pose, samples)
    theirs = other_hand.poses(other_pose, samples, seed=SEED + OTHER_HAND)
    # Only how the two stand to each other counts: the other is held, and this one seen from it.
    turned = [_seen_from(other_pose, mine[n], theirs[n]) for n in range(samples)]
    seen = Poses(np.array([p for p, _ in turned]), np.array([a for _, a in turned]))
    return distances_to_body(solid, seen, other, other_pose, enough_mm)


def distances_to_body(solid: Solid, poses: Poses, other: Solid, other_pose: Pose, enough_mm: float) -> Array:
    """Distances (N,) of many poses to another body; where a quick bound already exceeds `enough_mm`, that bound.

    Depths of overlap are rough: for a search and for counting, not to be shown.
    """
    if not len(poses):
        return np.empty(0)
    z = np.linspace(other.z_mm[0], other.z_mm[-1], 9)
    axis = other_pose.platform_lps_mm + z[:, None] * other_pose.axis
    # Every point of the other body is within its radius and half a step of one of these points.
    reach = other.max_radius_mm + 0.5 * float(z[1] - z[0])
    value: Array = least_possible(solid, poses, axis).min(axis=1) - reach
    near = np.flatnonzero(value < enough_mm)
    if len(near):
        found = distances_to_solid(solid, poses.pick(near), other, other_pose, BATCH_TOLERANCE_MM, ROUGH_DEPTH_MM)
        value[near] = found.value
    return value


def _seen_from(planned: Pose, mine: Pose, theirs: Pose) -> tuple[Vector, Vector]:
    """Platform and axis of `mine` after the motion that brings `theirs` back to where it was planned.

    Both bodies are solids of revolution, so any rotation that brings the axis back will do: the least one (Rodrigues).
    """
    normal = np.cross(theirs.axis, planned.axis)
    cosine = float(theirs.axis @ planned.axis)

    def turn(v: Vector) -> Vector:
        out: Vector = v * cosine + np.cross(normal, v) + normal * (normal @ v) / (1.0 + cosine)
        return out

    return planned.platform_lps_mm + turn(mine.platform_lps_mm - theirs.platform_lps_mm), turn(mine.axis)


def platform_distance_mm(pose: Pose, other: Pose) -> float:
    """Distance between the centres of the two platforms."""
    return float(np.linalg.norm(pose.platform_lps_mm - other.platform_lps_mm))


def divergence_deg(pose: Pose, other: Pose) -> float:
    """Angle between the two axes."""
    # The sine keeps its precision for nearly parallel axes, where the cosine loses it.
    sine = float(np.linalg.norm(np.cross(pose.axis, other.axis)))
    return float(np.degrees(np.arctan2(sine, float(pose.axis @ other.axis))))
