"""A first placement where a person pointed: on the ridge, in its middle, with the largest fixture that keeps
its margins.

It is a start for the hand, worked out with the library's own measures; everything is measured in full afterwards.
"""

from dataclasses import dataclass

import numpy as np

from siteplan.assessment import Library, pose_of, scan_sd_mm
from siteplan.bone import BoneFindings, measure_bone
from siteplan.case import SiteEntry
from siteplan.case.keeping import entry_at
from siteplan.case.tooth import jaw_of, side_of
from siteplan.errors import GeometryError
from siteplan.fixture import Fixture
from siteplan.frame import SiteFrame, Vector, site_frame
from siteplan.scan import Scan
from viewer import edits
from viewer.panorama import Course
from viewer.texts import say

ABOVE_MM = 10.0
"""The search for bone starts this far above the place that was pointed at."""
MIDDLE_DEPTHS_MM = (3.0, 5.0, 7.0)
"""Depths whose middles between buccal and lingual surface give the ridge's middle and its inclination."""
MOST_TILT_DEG = 20.0
"""The axis follows the ridge no further than this from upright (our own bound)."""
SHORT_MM = 8.0
"""Shorter ones than this are above the shallowest stop of most drills (our own bound)."""
TURNS_DEG = range(-40, 41, 10)
"""The arch may be off by this much where it is short or a tooth stands beside it (our own bound)."""
FIRST_DESIGN = "one-piece compressive"


@dataclass(frozen=True, eq=False)
class PlaceRequest:
    """Where a tooth position was pointed at."""

    scan: Scan
    library: Library
    tooth: int
    point_lps_mm: Vector
    course: Course | None
    others: tuple[tuple[SiteEntry, Fixture], ...] = ()


@dataclass(frozen=True, eq=False)
class Proposed:
    """A site with the best placement found, and the words about it: why it is best, or what is short."""

    entry: SiteEntry
    words: str


def first_placement(request: PlaceRequest) -> Proposed | None:
    """A site on the ridge near the point; None where no bone is met there.

    Raises:
        GeometryError: the point lies outside the scan.
    """
    frame = _upright(request)
    bone = measure_bone(request.scan, frame, quick=True)
    if bone.crest_offset.value is None:
        return None
    for turn in (True, False):
        frame = _in_the_middle(bone, request.tooth)
        bone = measure_bone(request.scan, frame, quick=True)
        if turn and bone.crest_offset.value is not None:
            bone = measure_bone(request.scan, across_the_ridge(request.scan, bone, request.tooth), quick=True)
        if bone.crest_offset.value is None:
            return None
    start = _entry(request.tooth, bone.frame)
    return propose_at(request.scan, request.library, start, request.others)


def smallest(library: Library) -> Fixture | None:
    """A short, narrow fixture: the careful start where nothing is drawn that it could hit."""
    usable = [f for f in library.catalogue.fixtures if f.length_mm >= SHORT_MM] or list(library.catalogue.fixtures)
    ordered = sorted(usable, key=lambda f: (f.length_mm, f.outer_diameter_mm))
    return ordered[0] if ordered else None


def propose_at(
    scan: Scan, library: Library, entry: SiteEntry, others: tuple[tuple[SiteEntry, Fixture], ...] = ()
) -> Proposed:
    """The library's best proposal for a site; the site itself with the reason where nothing keeps every margin."""
    from siteplan.placement.proposal import propose
    from siteplan.placement.trial import Place

    if not library.structures:
        fixture = smallest(library)
        return Proposed(edits.with_fixture(entry, fixture.name if fixture else None), say("add.nothing-drawn"))
    bone = measure_bone(scan, entry.frame(), calibration=library.calibration)
    neighbours = tuple((f"fixture {e.tooth}", f.body, pose_of(e)) for e, f in others if e.jaw == entry.jaw)
    axes = np.array([pose.axis for _, _, pose in neighbours]).reshape(-1, 3)
    place = Place(
        bone,
        library.structures,
        library.margins,
        frozenset(entry.planned_contacts),
        neighbours,
        axes,
        scan_sd_mm(scan),
        inner=entry.inner_side,
    )
    wanted = [f for f in library.catalogue.fixtures if _same_design(f, library, entry)]
    found = propose(place, wanted, most=1)
    if not found.ranked:
        return Proposed(entry, " ".join((say("add.nothing-fits"), *found.short)))
    best = found.ranked[0]
    moved = entry_at(entry, best.fixture, best.candidate.pose, sink_mm=best.sink_mm)
    return Proposed(moved, say("add.proposed", fixture=best.fixture.name, why=" ".join(best.why)))


def _same_design(fixture: Fixture, library: Library, entry: SiteEntry) -> bool:
    """Fixtures of the design that is planned; where none is, compressive one-piece ones."""
    planned = next((f.design for f in library.catalogue.fixtures if f.name == entry.fixture), FIRST_DESIGN)
    return str(fixture.design) == str(planned)


def _upright(request: PlaceRequest) -> SiteFrame:
    axis = np.array([0.0, 0.0, 1.0 if jaw_of(request.tooth) == "upper" else -1.0])
    point = np.asarray(request.point_lps_mm, dtype=np.float64)
    if not request.scan.contains(point):
        raise GeometryError(say("add.outside"))
    if request.course is not None:
        _, _, outward = request.course.at(request.course.nearest(point)[0])
        # Which side of a short piece of arch is the outer one, only the tooth knows for certain.
        outward = outward if float(outward @ cheekwards(request.tooth)) >= 0 else -outward
    else:
        outward = cheekwards(request.tooth)
    return site_frame(point - ABOVE_MM * axis, axis, outward, request.tooth)


def cheekwards(tooth: int) -> Vector:
    """Unit direction (LPS) from a tooth to lip or cheek: forward in the middle of an arch, sideways further back.

    It decides a sign and a start, never a measure (common practice, no source).
    """
    position = min(tooth % 10, 6)
    angle = np.radians(15.0 * (position - 1))
    side = 1.0 if side_of(tooth) == "left" else -1.0
    return np.array([side * np.sin(angle), -np.cos(angle), 0.0])


def across_the_ridge(scan: Scan, bone: BoneFindings, tooth: int) -> SiteFrame:
    """The frame turned round its axis to where the ridge is narrowest: that is what buccolingual means."""
    best, narrowest = bone.frame, np.inf
    for turn_deg in TURNS_DEG:
        angle = np.radians(turn_deg)
        buccal = np.cos(angle) * bone.frame.buccal + np.sin(angle) * bone.frame.distal
        frame = site_frame(bone.frame.origin_lps_mm, bone.frame.axis, buccal, tooth)
        widths = measure_bone(scan, frame, quick=True).more_levels(MIDDLE_DEPTHS_MM).ridge_width
        known = [w.value for w in widths if w.value is not None]
        if len(known) == len(widths) and sum(known) < narrowest:
            best, narrowest = frame, sum(known)
    return best


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


def _entry(tooth: int, frame: SiteFrame) -> SiteEntry:
    return SiteEntry(
        tooth=tooth,
        crest_mm=_triple(frame.origin_lps_mm, 4),
        axis=_triple(frame.axis, 7),
        buccal=_triple(frame.buccal, 7),
    )


def _triple(vector: Vector, digits: int) -> tuple[float, float, float]:
    x, y, z = (round(float(v), digits) for v in vector)
    return x, y, z
