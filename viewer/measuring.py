"""What a worker does when numbers are wanted: frozen requests in, `Measured` out. Every number comes from the library.

While a hand holds the fixture, distances are exact at each new place; the bone around it is the one that was
measured when
the hand took hold, so everything is marked as a quick estimate. When the hand rests, `assess_site` measures in full.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from siteplan.assessment import Library, assess, assess_site, load_library, pose_of, scan_sd_mm
from siteplan.bone import measure_bone
from siteplan.case import Case, CaseFile, SiteEntry
from siteplan.errors import SiteplanError
from siteplan.findings import SiteFindings
from siteplan.fixture import Fixture
from siteplan.placed import other_fixtures, to_other_fixtures
from siteplan.placement import Clearance, bone_cover
from siteplan.placement.drawn_beside import to_structures
from siteplan.report import write_report
from siteplan.scan import Scan
from viewer.jobs import Ticket


@dataclass(frozen=True, eq=False)
class Measured:
    """Findings of one site as the window shows them.

    Attributes:
        site: of `assess_site`; in the hand its clearances and bone are renewed, its drilling card is the last full one.
        beside: distances to the other sites' fixtures.
        quick: whether this is an estimate for a moving hand.
        structures: how many structures could be checked; with none, only the sides of the bone were.
        waiting: how many proposals near this site no person has decided on; nothing was checked against them.
    """

    site: SiteFindings
    beside: tuple[Clearance, ...]
    quick: bool
    structures: int = 0
    waiting: int = 0

    @property
    def clearances(self) -> tuple[Clearance, ...]:
        """To structures, bone surfaces and the other fixtures."""
        return (*self.site.clearances, *self.beside)


@dataclass(frozen=True, eq=False)
class MeasureRequest:
    """All that is needed to measure one site.

    Attributes:
        others: the other sites with their fixtures.
        rest: the last full findings of this site, for a moving hand; None asks for a full measurement.
        bone_too: in the hand, whether the bone is read anew as well (slower; done at a lower rate).
    """

    scan: Scan
    entry: SiteEntry
    library: Library
    others: tuple[tuple[SiteEntry, Fixture], ...]
    table: str | None = None
    rest: SiteFindings | None = None
    bone_too: bool = False


def measure(request: MeasureRequest) -> Measured:
    """Full findings, or quick ones for a moving hand."""
    if request.rest is None:
        site = assess_site(request.scan, request.entry, _with_sites(request), table=request.table)
        return Measured(site, site.beside, False, len(request.library.structures))
    return Measured(_in_hand(request, request.rest), _beside(request), True, len(request.library.structures))


def _in_hand(request: MeasureRequest, rest: SiteFindings) -> SiteFindings:
    entry, library = request.entry, request.library
    bone = (
        measure_bone(request.scan, entry.frame(), calibration=library.calibration, quick=True)
        if request.bone_too
        else rest.bone
    )
    if entry.fixture is None or rest.placed is None:
        return replace(rest, entry=entry, bone=bone)
    fixture, pose = library.catalogue.get(entry.fixture), pose_of(entry)
    near = to_structures(
        fixture.body,
        pose,
        library.structures,
        library.margins,
        scan_sd_mm=scan_sd_mm(request.scan),
        planned_contacts=frozenset(entry.planned_contacts),
    )
    # The bone's sheets were fitted where the hand took hold; they are the same bone wherever the fixture goes.
    cover = tuple(bone_cover(rest.bone, fixture.body, pose, library.margins, inner=entry.inner_side))
    platform = float((pose.platform_lps_mm - bone.frame.origin_lps_mm) @ bone.frame.axis)
    placed = replace(
        rest.placed,
        fixture=fixture,
        pose=pose,
        platform_depth_mm=platform,
        apex_depth_mm=platform + fixture.length_mm,
        clearances=near + cover,
    )
    return replace(rest, entry=entry, bone=bone, placed=placed)


def _with_sites(request: MeasureRequest) -> Library:
    """The library with the sites as they stand now: they move and go without its being read anew."""
    here = (request.entry, *(entry for entry, _ in request.others))
    taken = {entry.tooth for entry in here}
    bare = (site for site in request.library.sites if site.fixture is None and site.tooth not in taken)
    return replace(request.library, sites=(*here, *bare))


def _beside(request: MeasureRequest) -> tuple[Clearance, ...]:
    entry, library = request.entry, request.library
    if entry.fixture is None:
        return ()
    others = other_fixtures(entry, _with_sites(request))
    return to_other_fixtures(library.catalogue.get(entry.fixture), pose_of(entry), others, library)


@dataclass(frozen=True, eq=False)
class LibraryRequest:
    """Read what the case names."""

    scan: Scan
    case: CaseFile


def library_rests_on(case: Case) -> tuple[object, ...]:
    """What a library has to be read anew for when it changes."""
    tables = (case.catalogues, case.margins, case.kit, case.protocol, case.calibration)
    return (case.structures, *tables, case.mouth_opening_mm, case.guidance)


def read_library(request: LibraryRequest) -> Library:
    """Catalogue, margins, kit, protocol, structures and calibration of a case."""
    return load_library(request.scan, request.case)


@dataclass(frozen=True, eq=False)
class ReportRequest:
    """Assess the whole case and write its report."""

    scan: Scan
    case: CaseFile
    folder: Path
    identity: str = "as given"


@dataclass(frozen=True)
class Written:
    """A report's files, and what a person should hear about the folder."""

    files: tuple[Path, ...]
    told: tuple[str, ...]


def make_report(request: ReportRequest, ticket: Ticket) -> Written:
    """Assess and write."""
    from siteplan.report.identity import Identity

    findings = assess(request.scan, request.case, progress=lambda share, text: ticket.progress(0.4 * share, text))
    told: list[str] = []
    files = write_report(
        findings,
        request.scan,
        request.case,
        request.folder,
        progress=lambda share, text: ticket.progress(0.4 + 0.6 * share, text),
        identity=Identity(request.identity),
        tell=told.append,
    )
    return Written(tuple(files), tuple(told))


def fixture_named(library: Library, name: str | None) -> Fixture | None:
    """The fixture of the catalogue; None where none is planned or the catalogue lacks it."""
    if name is None:
        return None
    try:
        return library.catalogue.get(name)
    except SiteplanError:
        return None


def neighbour_fixture(library: Library, present: Fixture, *, wider: int = 0, longer: int = 0) -> Fixture | None:
    """The next fixture of the same family in diameter or length; None at the end of the row.

    With another diameter the length is kept where the catalogue has it, else the nearest one.
    """
    family = [f for f in library.catalogue.fixtures if f.design == present.design]
    same = [f for f in family if f.family == present.family] or family
    if longer:
        row = sorted({f.length_mm for f in same if f.outer_diameter_mm == present.outer_diameter_mm})
        place = row.index(present.length_mm) + longer
        if not 0 <= place < len(row):
            return None
        return next(f for f in same if f.outer_diameter_mm == present.outer_diameter_mm and f.length_mm == row[place])
    widths = sorted({f.outer_diameter_mm for f in same})
    place = widths.index(present.outer_diameter_mm) + wider
    if not 0 <= place < len(widths):
        return None
    return min(
        (f for f in same if f.outer_diameter_mm == widths[place]), key=lambda f: abs(f.length_mm - present.length_mm)
    )
