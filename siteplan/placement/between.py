"""Between two fixtures: distance of the bodies, distance of the platforms, angle of the axes."""

import numpy as np

from siteplan.fixture.solid import Pose, Solid
from siteplan.measures import Measure
from siteplan.placement.clearances import Clearance
from siteplan.placement.margins import FIXTURE, Margins
from siteplan.placement.profile import Poses
from siteplan.placement.to_solid import distances_to_solid
from siteplan.placement.verdict import verdict


def fixture_to_fixture(
    solid: Solid, pose: Pose, other: Solid, other_pose: Pose, margins: Margins, *, name: str = "other fixture"
) -> Clearance:
    """Least distance between two planned bodies.

    Both are planned, so their distance in the plan has no error of its own; what the hand adds is told elsewhere.
    """
    found = distances_to_solid(solid, Poses.of(pose), other, other_pose)
    value = float(found.value[0])
    low = min(value, float(found.low[0]))
    margin = margins.of(FIXTURE)
    measure = Measure(value, "mm", low, value, "least distance between exact shapes, as planned")
    return Clearance(name, FIXTURE, measure, found.at_lps_mm[0], margin, verdict(value, low, value, margin.value_mm))


def platform_distance_mm(pose: Pose, other: Pose) -> float:
    """Distance between the centres of the two platforms."""
    return float(np.linalg.norm(pose.platform_lps_mm - other.platform_lps_mm))


def divergence_deg(pose: Pose, other: Pose) -> float:
    """Angle between the two axes."""
    # The sine keeps its precision for nearly parallel axes, where the cosine loses it.
    sine = float(np.linalg.norm(np.cross(pose.axis, other.axis)))
    return float(np.degrees(np.arctan2(sine, float(pose.axis @ other.axis))))
