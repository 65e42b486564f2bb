"""The common path of insertion of one-piece abutments, for the 3D picture: arrow, cone of directions, words.

Angles come from `siteplan.placement.parallel`; nothing is measured here. Knows no Qt.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siteplan.assessment import pose_of
from siteplan.case import SiteEntry
from siteplan.fixture import Fixture, Pose, Solid
from siteplan.frame import Vector
from siteplan.placement.parallel import WayIn, common_way_in
from siteplan.report import palette
from siteplan.report.meshes import Mesh, solid_mesh
from viewer.texts import say

ARROW_MM, HEAD_MM, GAP_MM = 9.0, 3.0, 2.0
"""Length of the arrow, of its head, and how far it stays above the abutments (for the eye only)."""
SHAFT_R_MM, HEAD_R_MM = 0.35, 1.1
RING_MM = 3.6
"""Radius of the disc that marks an abutment which does not fit the common way."""


@dataclass(frozen=True, eq=False)
class Way:
    """The common way in of one jaw. `above_lps_mm`: middle of the abutments' upper ends."""

    jaw: str
    sites: tuple[tuple[SiteEntry, Fixture], ...]
    way: WayIn
    above_lps_mm: Vector


def ways_in(sites: Sequence[tuple[SiteEntry, Fixture | None]]) -> tuple[Way, ...]:
    """One for each jaw with two or more one-piece fixtures; an abutment that is screwed on later is not counted,
    because its own angle decides."""
    out = []
    for jaw in ("upper", "lower"):
        fixed = tuple((e, f) for e, f in sites if f is not None and f.design.one_piece and e.jaw == jaw)
        if len(fixed) < 2:
            continue
        poses = [pose_of(entry) for entry, _ in fixed]
        tops = [pose.point(float(f.above.z_mm[0])) for pose, (_, f) in zip(poses, fixed, strict=True)]
        way = common_way_in(np.array([pose.axis for pose in poses]))
        out.append(Way(jaw, fixed, way, np.mean(tops, axis=0)))
    return tuple(out)


def way_meshes(way: Way) -> list[Mesh]:
    """An arrow along the common way, the cone that holds the abutments' axes, a disc at each abutment that is out."""
    axis = way.way.direction
    start = way.above_lps_mm - (GAP_MM + ARROW_MM) * axis
    neck = ARROW_MM - HEAD_MM
    arrow = Solid(np.array([0.0, neck, neck + 0.01, ARROW_MM]), np.array([SHAFT_R_MM, SHAFT_R_MM, HEAD_R_MM, 0.0]))
    meshes = [solid_mesh(arrow, Pose(start, axis), palette.ACCENT)]
    edge = ARROW_MM * np.tan(np.radians(way.way.half_angle_deg))
    if edge > SHAFT_R_MM:
        cone = Solid(np.array([0.0, ARROW_MM]), np.array([edge, 0.0]))
        meshes.append(solid_mesh(cone, Pose(start, axis), palette.ACCENT, 0.25))
    for n in way.way.out:
        entry, fixture = way.sites[n]
        pose = pose_of(entry)
        disc = Solid(np.array([-0.15, 0.15]), np.array([RING_MM, RING_MM]))
        place = Pose(pose.point(float(fixture.above.z_mm[0])), pose.axis)
        meshes.append(solid_mesh(disc, place, palette.BROKEN.text_colour, 0.7))
    return meshes


def way_words(ways: tuple[Way, ...]) -> str:
    """What the arrow says, in words; what keeps a jaw from having one."""
    if not ways:
        return say("way.none")
    lines = []
    for way in ways:
        found = way.way
        teeth = ", ".join(str(entry.tooth) for n, (entry, _) in enumerate(way.sites) if n not in found.out)
        lines.append(
            say(f"way.{way.jaw}", teeth=teeth, half=f"{found.half_angle_deg:.1f}", limit=f"{found.limit_deg / 2:.0f}")
        )
        lines += [
            say("way.out", tooth=way.sites[n][0].tooth, beyond=f"{beyond:.1f}")
            for n, beyond in zip(found.out, found.beyond_deg, strict=True)
        ]
    return " ".join(lines)
