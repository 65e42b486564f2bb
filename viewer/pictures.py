"""What a section's picture shows, cut from the same scan and the same exact shapes as every number. Knows no Qt.

A `Cut` is slow to make (it samples the scan and cuts all structures) and holds while the plane stands; the
fixture's own
outlines are made anew for every movement of the hand.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from siteplan.anatomy import MadeBy, Structure, Surface, Tube
from siteplan.case import SiteEntry
from siteplan.fixture import Fixture, Pose, Solid
from siteplan.placement import Margins
from siteplan.report.cuts import Bounds, Outline, cut_shape, cut_solid
from siteplan.report.plane import Plane, Section
from siteplan.scan import Scan
from viewer.edits import platform_of
from viewer.look import DEPTH_RANGE_MM, REACH_MM, Look, cut
from viewer.undecided import Crossing, crossings

DOUBT_BELOW = 0.5
"""A stretch of a found path whose confidence is below this is drawn broken and named doubtful (our own bound)."""
QUICK_STEP_MM = 0.35
"""Sample distance of a section while the hand moves; the full one follows when it rests."""
_FAR_MM = 40.0
"""A fixture whose platform is further than this from the picture's middle is not looked for in it."""


@dataclass(frozen=True, eq=False)
class CutStructure:
    """A structure where the plane meets it.

    `margin_mm`: where the fine line lies; below zero it is the limit of a planned contact, behind the surface.
    """

    structure: Structure
    outlines: tuple[Outline, ...]
    margin_mm: float | None
    margin_outlines: tuple[Outline, ...]
    doubtful: bool
    proposed: bool = False

    @property
    def found_only(self) -> bool:
        """Whether no person has confirmed it yet."""
        return self.proposed or self.structure.made_by is MadeBy.FOUND


@dataclass(frozen=True, eq=False)
class FixtureOutlines:
    """Body, core and what stands above, where a plane meets them."""

    tooth: int
    body: tuple[Outline, ...]
    core: tuple[Outline, ...]
    above: tuple[Outline, ...]


@dataclass(frozen=True, eq=False)
class Cut:
    """One section with everything that does not move with the hand."""

    look: Look
    plane: Plane
    section: Section | None
    structures: tuple[CutStructure, ...]
    others: tuple[FixtureOutlines, ...]
    smooth: bool
    crossings: tuple[Crossing, ...] = ()


@dataclass(frozen=True, eq=False)
class CutRequest:
    """All that a worker needs to make a `Cut`. `proposals`: drawn, but no part of the case."""

    scan: Scan
    look: Look
    structures: tuple[tuple[Structure, float | None], ...]
    others: tuple[tuple[SiteEntry, Fixture], ...]
    smooth: bool
    proposals: tuple[Structure, ...] = ()


def bounds_of(depth_range_mm: tuple[float, float] = DEPTH_RANGE_MM, reach_mm: float = REACH_MM) -> Bounds:
    """Edges of the large section in its plane, wherever up points."""
    far = max(abs(depth_range_mm[0]), abs(depth_range_mm[1]))
    return -reach_mm, reach_mm, -far, far


def margin_line_mm(structure: Structure, entry: SiteEntry, margins: Margins) -> float:
    """Where the fine line of a structure lies for a site (mm): its margin, or below zero the limit of a contact."""
    limit = margins.contact(structure.kind) if structure.name in entry.planned_contacts else None
    return margins.of(structure.kind).value_mm if limit is None else -limit.value_mm


def make_cut(request: CutRequest) -> Cut:
    """Sample the section and cut everything that stands still."""
    plane = request.look.plane()
    section = cut(
        request.scan, request.look, smooth=request.smooth, spacing_mm=None if request.smooth else QUICK_STEP_MM
    )
    bounds = bounds_of()
    structures = tuple(_cut_structure(s, margin, plane, bounds) for s, margin in request.structures)
    structures += tuple(_proposed(s, plane, bounds) for s in request.proposals)
    passing = tuple(c for s in structures if s.outlines for c in crossings(s.structure, plane))
    others = tuple(fixture_outlines(entry, fixture, plane) for entry, fixture in request.others)
    return Cut(request.look, plane, section, structures, others, request.smooth, passing)


def fixture_outlines(entry: SiteEntry, fixture: Fixture, plane: Plane) -> FixtureOutlines:
    """Where a plane meets a site's fixture; empty outlines where it misses it."""
    pose = Pose(platform_of(entry), entry.frame().axis)
    middle = plane.from_lps(pose.point(fixture.length_mm / 2))
    reach = fixture.length_mm + 12.0
    if abs(middle[2]) > reach or float(np.hypot(middle[0], middle[1])) > _FAR_MM + reach:
        return FixtureOutlines(entry.tooth, (), (), ())
    parts = [tuple(_solid_outlines(s, pose, plane)) for s in (fixture.body, fixture.core, fixture.above)]
    return FixtureOutlines(entry.tooth, *parts)


def _solid_outlines(solid: Solid, pose: Pose, plane: Plane) -> list[Outline]:
    """`cut_solid` in the smallest box of the plane that can hold the solid."""
    ends = np.stack([pose.point(float(solid.z_mm[0])), pose.point(float(solid.z_mm[-1]))])
    local = plane.from_lps(ends)
    reach = solid.max_radius_mm + 0.3
    if local[:, 2].min() > reach or local[:, 2].max() < -reach:
        return []
    low, high = local[:, :2].min(axis=0) - reach, local[:, :2].max(axis=0) + reach
    return cut_solid(solid, pose, plane, (low[0], high[0], low[1], high[1]))


def _cut_structure(structure: Structure, margin_mm: float | None, plane: Plane, bounds: Bounds) -> CutStructure:
    box = _box_in_plane(structure, plane, bounds, abs(margin_mm or 0.0))
    if box is None:
        return CutStructure(structure, (), margin_mm, (), False)
    outlines = tuple(cut_shape(structure.shape, plane, box))
    margin = tuple(cut_shape(structure.shape, plane, box, margin_mm)) if margin_mm else ()
    return CutStructure(structure, outlines, margin_mm, margin, _doubtful_here(structure, plane))


def _proposed(structure: Structure, plane: Plane, bounds: Bounds) -> CutStructure:
    return replace(_cut_structure(structure, None, plane, bounds), proposed=True)


def _box_in_plane(structure: Structure, plane: Plane, bounds: Bounds, grow_mm: float) -> Bounds | None:
    """The part of the picture that a structure and its margin can reach; None where it reaches nothing.

    Keeps the grid of `cut_shape` small: a canal is met in a few square millimetres of a picture of thousands.
    """
    shape = structure.shape
    if isinstance(shape, Tube):
        points, reach = shape.points_lps_mm, float(shape.radius_mm.max())
    elif isinstance(shape, Surface):
        points, reach = shape.points_lps_mm, 1.0
    else:
        points = np.stack([shape.base_lps_mm, shape.tip_lps_mm])
        reach = max(shape.base_radius_mm, shape.tip_radius_mm)
    reach += grow_mm + 0.5
    local = plane.from_lps(points)
    near = _near_pieces(local, reach) if not isinstance(shape, Surface) else local
    if len(near) == 0:
        return None
    low, high = near[:, :2].min(axis=0) - reach, near[:, :2].max(axis=0) + reach
    left, bottom = max(bounds[0], low[0]), max(bounds[2], low[1])
    right, top = min(bounds[1], high[0]), min(bounds[3], high[1])
    return (left, right, bottom, top) if right - left > 0.2 and top - bottom > 0.2 else None


def _near_pieces(local: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
    """The parts of a polyline (N, 3: u, v, height) that come within `reach` of the plane, cut there."""
    if len(local) == 1:
        return local if abs(local[0, 2]) <= reach else local[:0]
    kept = []
    for start, stop in pairwise(local):
        low, high = 0.0, 1.0
        rise = stop[2] - start[2]
        if abs(rise) > 1e-9:
            ends = sorted(((-reach - start[2]) / rise, (reach - start[2]) / rise))
            low, high = max(0.0, ends[0]), min(1.0, ends[1])
        elif abs(start[2]) > reach:
            continue
        if low <= high:
            kept += [start + low * (stop - start), start + high * (stop - start)]
    return np.array(kept).reshape(-1, 3)


def _doubtful_here(structure: Structure, plane: Plane) -> bool:
    """Whether the stretch of a found path that the plane meets was found with little confidence."""
    if structure.confidence is None or not isinstance(structure.shape, Tube):
        return False
    heights = np.abs(plane.from_lps(structure.shape.points_lps_mm)[:, 2])
    return bool(structure.confidence[int(np.argmin(heights))] < DOUBT_BELOW)


@dataclass(frozen=True, eq=False)
class FilmRequest:
    """Neighbouring sections, `step_mm` apart along the arch, and one along it."""

    scan: Scan
    anchor: Look
    offsets_mm: tuple[float, ...]
    sites: tuple[tuple[SiteEntry, Fixture | None], ...]
    structures: tuple[Structure, ...]
    proposals: tuple[Structure, ...] = ()


@dataclass(frozen=True, eq=False)
class FilmFrame:
    """One small section."""

    look: Look
    section: Section | None
    fixtures: tuple[FixtureOutlines, ...]
    structures: tuple[CutStructure, ...]


FILM_REACH_MM = 13.0
FILM_DEPTH_MM = (-9.0, 24.0)
_FILM_STEP_MM = 0.4


def make_film(request: FilmRequest, give_up: Callable[[], bool]) -> list[FilmFrame]:
    """The frames of a film strip: each offset at the present turn, then the section at right angles."""
    base = request.anchor
    looks = [replace(base, offset_mm=offset) for offset in request.offsets_mm]
    looks.append(replace(base, offset_mm=0.0, turn_deg=base.turn_deg + 90.0))
    frames = []
    for look in looks:
        if give_up():
            break
        frames.append(_film_frame(request, look))
    return frames


def _film_frame(request: FilmRequest, look: Look) -> FilmFrame:
    plane = look.plane()
    section = cut(
        request.scan,
        look,
        smooth=False,
        spacing_mm=_FILM_STEP_MM,
        depth_range_mm=FILM_DEPTH_MM,
        reach_mm=FILM_REACH_MM,
    )
    bounds = bounds_of(FILM_DEPTH_MM, FILM_REACH_MM)
    fixtures = tuple(fixture_outlines(entry, f, plane) for entry, f in request.sites if f is not None)
    structures = tuple(_cut_structure(s, None, plane, bounds) for s in request.structures)
    structures += tuple(_proposed(s, plane, bounds) for s in request.proposals)
    return FilmFrame(look, section, fixtures, structures)
