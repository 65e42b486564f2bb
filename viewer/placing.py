"""A first placement where a person pointed: on the ridge, in its middle, with the largest fixture that keeps
its margins.

It is a start for the hand, worked out with the library's own measures; everything is measured in full afterwards.
"""

from dataclasses import dataclass

import numpy as np

from siteplan.assessment import Library, pose_of, scan_sd_mm
from siteplan.bone import BoneFindings, measure_bone
from siteplan.case import SiteEntry
from siteplan.case.tooth import jaw_of
from siteplan.errors import GeometryError
from siteplan.fixture import Fixture
from siteplan.frame import SiteFrame, Vector, site_frame
from siteplan.placement import bone_cover, clearance
from siteplan.scan import Scan
from viewer.panorama import Course

ABOVE_MM = 10.0
"""The search for bone starts this far above the place that was pointed at."""
MIDDLE_DEPTHS_MM = (3.0, 5.0, 7.0)
"""Depths whose middles between buccal and lingual surface give the ridge's middle and its inclination."""
MOST_TILT_DEG = 20.0
"""The axis follows the ridge no further than this from upright (our own bound)."""
_COMPRESSIVE_FIRST = ("one-piece compressive", "two-piece", "one-piece basal")


@dataclass(frozen=True, eq=False)
class PlaceRequest:
    """Where a tooth position was pointed at."""

    scan: Scan
    library: Library
    tooth: int
    point_lps_mm: Vector
    course: Course | None


def first_placement(request: PlaceRequest) -> SiteEntry | None:
    """A site on the ridge near the point; None where no bone is met there.

    Raises:
        GeometryError: the point lies outside the scan.
    """
    frame = _upright(request)
    bone = measure_bone(request.scan, frame, quick=True)
    if bone.crest_offset.value is None:
        return None
    for _ in range(2):
        frame = _in_the_middle(bone, request.tooth)
        bone = measure_bone(request.scan, frame, quick=True)
        if bone.crest_offset.value is None:
            return None
    entry = _entry(request.tooth, bone.frame, None)
    fixture = largest_that_keeps(request, entry, bone)
    return entry if fixture is None else _entry(request.tooth, bone.frame, fixture.name)


def largest_that_keeps(request: PlaceRequest, entry: SiteEntry, bone: BoneFindings) -> Fixture | None:
    """The longest, then widest fixture whose margins all hold here; the smallest one where none does."""
    fixtures = [f for f in request.library.catalogue.fixtures if f.design == _COMPRESSIVE_FIRST[0]]
    fixtures = fixtures or list(request.library.catalogue.fixtures)
    ordered = sorted(fixtures, key=lambda f: (-f.length_mm, -f.outer_diameter_mm))
    for fixture in ordered:
        if _keeps(request, entry, bone, fixture):
            return fixture
    return min(ordered, key=lambda f: (f.length_mm, f.outer_diameter_mm), default=None)


def _keeps(request: PlaceRequest, entry: SiteEntry, bone: BoneFindings, fixture: Fixture) -> bool:
    library, pose = request.library, pose_of(entry)
    sd = scan_sd_mm(request.scan)
    for structure in library.structures:
        if not clearance(fixture.body, pose, structure, library.margins, scan_sd_mm=sd).verdict.good:
            return False
    # The range from 2 mm below the crest on: bone always ends at the crest itself.
    cover = bone_cover(bone, fixture.body, pose, library.margins, starts_mm=(2.0,), levels_mm=())
    return all(c.distance.value is not None and c.distance.value >= c.margin.value_mm for c in cover)


def _upright(request: PlaceRequest) -> SiteFrame:
    axis = np.array([0.0, 0.0, 1.0 if jaw_of(request.tooth) == "upper" else -1.0])
    point = np.asarray(request.point_lps_mm, dtype=np.float64)
    if not request.scan.contains(point):
        raise GeometryError("This place lies outside the scan.")
    if request.course is not None:
        _, _, outward = request.course.at(request.course.nearest(point)[0])
    else:
        last = np.array(request.scan.shape) - 1
        outward = point - request.scan.index_to_lps(last / 2)
        outward[2] = 0.0
        outward = outward if np.linalg.norm(outward) > 1e-6 else np.array([0.0, -1.0, 0.0])
    return site_frame(point - ABOVE_MM * axis, axis, outward, request.tooth)


def _in_the_middle(bone: BoneFindings, tooth: int) -> SiteFrame:
    """The frame moved to the middle of the ridge and inclined along it."""
    levels = bone.more_levels(MIDDLE_DEPTHS_MM)
    middles = [
        (depth, (buccal.value - lingual.value) / 2)
        for depth, buccal, lingual in zip(MIDDLE_DEPTHS_MM, levels.buccal_mm, levels.lingual_mm, strict=True)
        if buccal.value is not None and lingual.value is not None
    ]
    frame = bone.frame
    if not middles:
        return frame
    depths, across = np.array([d for d, _ in middles]), np.array([m for _, m in middles])
    slope, start = np.polyfit(depths, across, 1) if len(middles) > 1 else (0.0, across[0])
    limit = np.tan(np.radians(MOST_TILT_DEG))
    slope = float(np.clip(slope, -limit, limit))
    axis = frame.axis + slope * frame.buccal
    crest = frame.to_lps(0.0, float(start), 0.0)
    return site_frame(crest - 3.0 * axis / np.linalg.norm(axis), axis, frame.buccal, tooth)


def _entry(tooth: int, frame: SiteFrame, fixture: str | None) -> SiteEntry:
    def triple(vector: Vector, digits: int) -> tuple[float, float, float]:
        x, y, z = (round(float(v), digits) for v in vector)
        return x, y, z

    return SiteEntry(
        tooth=tooth,
        crest_mm=triple(frame.origin_lps_mm, 4),
        axis=triple(frame.axis, 7),
        buccal=triple(frame.buccal, 7),
        fixture=fixture,
    )
