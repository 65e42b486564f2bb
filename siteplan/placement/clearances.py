"""Clearance: the signed shortest distance from a solid to a structure, and what it means."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from siteplan.anatomy.structure import Cone, MadeBy, Shape, Structure, Surface, Tube
from siteplan.fixture.solid import Pose, Solid
from siteplan.flags import Flag
from siteplan.frame import Vector
from siteplan.measures import Measure
from siteplan.placement.margins import Margin, Margins
from siteplan.placement.profile import Distances, Poses
from siteplan.placement.to_solid import distances_to_solid
from siteplan.placement.to_surface import distances_to_surface, rough_distances_to_surface
from siteplan.placement.to_tube import TOLERANCE_MM, distances_to_tube
from siteplan.placement.travel import travel_behind
from siteplan.placement.verdict import Verdict, contact_verdict, verdict

TWO_SIDED_95 = 1.959964
"""Standard deviations to each side of a normal distribution that hold 95 % (any table of the normal distribution)."""

BATCH_TOLERANCE_MM = 1e-3
"""Numerical tolerance of distances of many poses: a hundredth of what a scan resolves at best (our own choice)."""

BATCH_DEPTH_TOLERANCE_MM = 0.02
"""The same for the depth of an overlap: a pose that overlaps is out, by how much is only shown (our own choice)."""


ROUGH_DEPTH_MM = 0.2
"""The same during a search, where a place that overlaps is out whatever its depth (our own choice)."""


@dataclass(frozen=True, eq=False)
class Clearance:
    """How near a solid comes to something.

    Attributes:
        structure: name of the structure, or what else it is ("buccal bone", the other fixture's tooth).
        kind: key of the margin.
        distance: mm, below zero where they overlap.
        at_lps_mm: (3,) the point of the structure where the distance is least, None where nothing was measured.
        margin: what applies, with source; for a planned contact its limit.
        contact: whether `margin` is the limit of a planned contact.
        behind_mm: of a planned contact with a surface: how far the solid has gone past it along its own axis (>= 0),
            which the shortest way out does not tell; None elsewhere.
    """

    structure: str
    kind: str
    distance: Measure
    at_lps_mm: Vector | None
    margin: Margin
    verdict: Verdict
    contact: bool = False
    behind_mm: float | None = None

    def spare_mm(self, *, at_lower_limit: bool = False) -> float | None:
        """What is left beyond the margin, below zero where it is broken; None where nothing was measured.

        For a planned contact: what is left of the way that may be gone behind the structure, by the shortest way out
        and by the way along the axis, whichever is worse.

        Args:
            at_lower_limit: ask the lower end of the distance's interval, not the distance itself.
        """
        reach = self.distance.low if at_lower_limit else self.distance.value
        if reach is None:
            return None
        if not self.contact:
            return reach - self.margin.value_mm
        behind = self.behind_mm or 0.0
        if behind > 0 and self.distance.value is not None:
            reach = min(reach, -behind - (self.distance.value - reach))
        return reach + self.margin.value_mm

    def as_json(self) -> dict[str, Any]:
        """As it appears in `findings.json`."""
        measure = self.distance.as_json()
        return {
            "structure": self.structure,
            "kind": self.kind,
            **measure,
            "margin": self.margin.value_mm,
            "margin_status": self.margin.status,
            "margin_source": self.margin.source,
            "verdict": self.verdict.value,
            "at_mm": None if self.at_lps_mm is None else [round(float(x), 4) for x in self.at_lps_mm],
            **({} if self.behind_mm is None else {"behind_mm": round(self.behind_mm, 4)}),
        }


def clearance(
    solid: Solid,
    pose: Pose,
    structure: Structure,
    margins: Margins,
    *,
    scan_sd_mm: float = 0.0,
    planned_contact: bool = False,
    depth_tolerance_mm: float | None = None,
) -> Clearance:
    """Signed shortest distance from the surface of `solid` in `pose` to the structure, with margin and verdict.

    Args:
        scan_sd_mm: standard deviation that the scan adds to the structure's own.
        planned_contact: the structure is engaged on purpose; where the margins file has a limit for its kind, that
            limit replaces the margin. Ignored for every other kind. The way gone behind a surface along the axis counts
            like the shortest way out of it, whichever is worse.
        depth_tolerance_mm: numerical tolerance of a depth of overlap; its lower limit stays a proven bound.
    """
    tight = None if depth_tolerance_mm is None else TOLERANCE_MM
    found = distances(solid, Poses.of(pose), structure.shape, tight, depth_tolerance_mm)
    spread = TWO_SIDED_95 * float(np.hypot(structure.uncertainty_mm, scan_sd_mm))
    value = float(found.value[0])
    low, high = min(value, float(found.low[0])) - spread, value + spread
    flags = (Flag.NOT_CONFIRMED,) if structure.made_by is MadeBy.FOUND else ()
    measure = Measure(value, "mm", low, high, "least distance between exact shapes", flags)
    limit = margins.contact(structure.kind) if planned_contact else None
    if limit is not None:
        behind = _behind_mm(solid, pose, structure)
        if behind:
            low, high = min(low, -behind - spread), min(high, -behind + spread)
        said = contact_verdict(low, high, limit.value_mm)
        return Clearance(
            structure.name,
            str(structure.kind),
            measure,
            found.at_lps_mm[0],
            limit,
            said,
            contact=True,
            behind_mm=behind,
        )
    margin = margins.of(structure.kind)
    said = verdict(value, low, high, margin.value_mm)
    return Clearance(structure.name, str(structure.kind), measure, found.at_lps_mm[0], margin, said)


def _behind_mm(solid: Solid, pose: Pose, structure: Structure) -> float | None:
    shape = structure.shape
    return float(travel_behind(solid, Poses.of(pose), shape)[0]) if isinstance(shape, Surface) else None


def distances(
    solid: Solid,
    poses: Poses,
    shape: Shape,
    tolerance_mm: float | None = None,
    depth_tolerance_mm: float | None = None,
) -> Distances:
    """Signed distances of one solid in many poses to one shape. Without tolerances: those of a single distance."""
    if not len(poses):
        return Distances(np.empty(0), np.empty(0), np.empty((0, 3)))
    if isinstance(shape, Tube):
        tight = TOLERANCE_MM if tolerance_mm is None else tolerance_mm
        return distances_to_tube(solid, poses, shape, tight, depth_tolerance_mm)
    both = (*_given(tolerance_mm), *_given(depth_tolerance_mm))
    if isinstance(shape, Cone):
        return distances_to_solid(solid, poses, *cone_as_solid(shape), *both)
    return distances_to_surface(solid, poses, shape, *both)


def quick_distances(solid: Solid, poses: Poses, shape: Shape) -> Distances:
    """The same with the tolerances for many poses; still proven bounds."""
    return distances(solid, poses, shape, BATCH_TOLERANCE_MM, BATCH_DEPTH_TOLERANCE_MM)


def search_distances(solid: Solid, poses: Poses, shape: Shape, enough_mm: float = np.inf) -> Distances:
    """Distances for a search: bounds where solid and structure are apart, rough depths where they are not.

    A surface that a quick bound shows to be further than `enough_mm` gets that bound.
    """
    if isinstance(shape, Surface) and len(poses):
        return rough_distances_to_surface(solid, poses, shape, BATCH_TOLERANCE_MM, enough_mm)
    return distances(solid, poses, shape, BATCH_TOLERANCE_MM, ROUGH_DEPTH_MM)


def cone_as_solid(cone: Cone) -> tuple[Solid, Pose]:
    """A cone stump as a solid of revolution from base to tip."""
    step = cone.tip_lps_mm - cone.base_lps_mm
    length = float(np.linalg.norm(step))
    solid = Solid(np.array([0.0, length]), np.array([cone.base_radius_mm, cone.tip_radius_mm], dtype=np.float64))
    return solid, Pose(np.asarray(cone.base_lps_mm, dtype=np.float64), step / length)


def _given(value: float | None) -> tuple[float, ...]:
    return () if value is None else (value,)
