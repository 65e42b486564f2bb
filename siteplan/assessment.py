"""The flow of the whole job, read top to bottom: scan and case in, findings out.

Command line, window, benchmark and notebook all call this; none of them measures anything itself.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from itertools import combinations
from pathlib import Path

import numpy as np

from siteplan.anatomy import Structure
from siteplan.bone import BoneFindings, Calibration, mean_grey_in, measure_bone
from siteplan.bone.calibration_file import calibration_for
from siteplan.case import CaseFile, SiteEntry, check_against_scan, structure_of
from siteplan.case.calibration import calibration_remarks
from siteplan.case.doubts import site_doubts
from siteplan.case.model import CalibrationEntry
from siteplan.case.surroundings import outside_remarks
from siteplan.errors import CaseError, LibraryFileError, SiteplanError
from siteplan.findings import Findings, FixtureGrey, FixtureLevel, PlacedFixture, SiteFindings
from siteplan.fixture import Catalogue, Fixture, Pose, Solid, load_catalogue
from siteplan.frame import Vector
from siteplan.measures import Measure
from siteplan.placement import Clearance, Margins, bone_cover, clearance, fixture_to_fixture, load_margins
from siteplan.placement.access import Opening, opening_remarks
from siteplan.placement.hand import Risk, hands, risk
from siteplan.placement.hand_cover import cover_risks
from siteplan.placement.ridge import ridge_of
from siteplan.scan import Scan, ScanFinding
from siteplan.scan.site_checks import metal_near, outside_field
from siteplan.surgery import Kit, Preparation, Protocol, load_kit, load_protocol, prepare
from siteplan.surgery.around import RISK_SAMPLES
from siteplan.surgery.reasons import Reason
from siteplan.surgery.record import record_path, recorded_teeth
from siteplan.surgery.told import read_story

Progress = Callable[[float, str], None]

DEFAULT_DENSITY_TABLE = "five-class"
"""The table most clinicians know; a case can name another."""

_LOOKS_ALIKE = 0.3
"""Similarity (0 to 1) from which a fixture's name is offered for a mistyped one."""

ASSUMED_HAND = "free"
"""A case does not say how the drill is guided, so the hand that deviates most is assumed."""


@dataclass(frozen=True, eq=False)
class Library:
    """Everything that a case takes from files other than the scan."""

    catalogue: Catalogue
    margins: Margins
    kit: Kit
    protocol: Protocol
    structures: tuple[Structure, ...]
    calibration: Calibration | None
    remarks: tuple[str, ...]
    day_remarks: tuple[str, ...] = ()
    mouth_opening_mm: float | None = None
    sites: tuple[SiteEntry, ...] = ()


def assess(scan: Scan, case: CaseFile, *, progress: Progress | None = None) -> Findings:
    """Assess every site of a case.

    Raises:
        CaseError: the case does not fit the scan, or names something that is not there.
        LibraryFileError: a catalogue, kit, protocol, margins or calibration file is wrong.
    """
    say = progress or (lambda _fraction, _what: None)
    try:
        check_against_scan(case.case, scan)
    except CaseError as error:
        raise CaseError(f"{case.path.name}: {error}") from error
    library = load_library(scan, case)
    sites = []
    for number, entry in enumerate(case.case.sites):
        say(number / len(case.case.sites), f"site {entry.tooth}")
        sites.append(assess_site(scan, entry, library, table=case.case.density_table))
    say(1.0, "sites assessed")
    told, seating_remarks = with_seating(tuple(sites), record_path(case.path))
    remarks = (*library.remarks, *seating_remarks)
    between = _between(sites, library)
    return Findings(scan, case, library.structures, library.calibration, told, between, remarks, library.day_remarks)


def with_seating(sites: tuple[SiteFindings, ...], path: Path) -> tuple[tuple[SiteFindings, ...], tuple[str, ...]]:
    """(sites with their seating records, remarks). A record that cannot be told stops nothing: it is remarked upon."""
    told: list[SiteFindings] = []
    remarks: list[str] = []
    for site in sites:
        try:
            told.append(replace(site, seating=read_story(path, site.entry.tooth)))
        except SiteplanError as error:
            told.append(site)
            remarks.append(f"The seating record of tooth {site.entry.tooth} cannot be told: {error}")
    planned = {site.entry.tooth for site in sites}
    try:
        others = [str(tooth) for tooth in recorded_teeth(path) if tooth not in planned]
    except SiteplanError:
        others = []  # told above for every site
    if others:
        remarks.append(f"{path.name} also holds records of teeth that this case does not plan: {', '.join(others)}.")
    return tuple(told), tuple(remarks)


def load_library(scan: Scan, case: CaseFile) -> Library:
    """Read what the case names: fixtures, margins, kit, protocol, structures, calibration."""
    wanted = case.case
    calibration, remarks = _calibration(wanted.calibration, case.folder, scan)
    catalogue = load_catalogue([case.folder / name for name in wanted.catalogues])
    _fixtures_are_known(case, catalogue)
    structures = tuple(structure_of(entry, f"structures[{n}]") for n, entry in enumerate(wanted.structures))
    return Library(
        catalogue,
        load_margins(case.folder / wanted.margins if wanted.margins else None),
        load_kit(_beside(case.folder, wanted.kit)),
        load_protocol(_beside(case.folder, wanted.protocol)),
        structures,
        calibration,
        (
            *remarks,
            *calibration_remarks(calibration),
            *opening_remarks(wanted.mouth_opening_mm),
            *outside_remarks(scan, structures),
        ),
        # What is said of a calibration that was found is how old it is; of one that was not, why.
        remarks if calibration is not None else (),
        wanted.mouth_opening_mm,
        tuple(wanted.sites),
    )


def _fixtures_are_known(case: CaseFile, catalogue: Catalogue) -> None:
    """Before anything is measured, which takes long.

    Raises:
        LibraryFileError: a site names a fixture that no catalogue holds.
    """
    for number, site in enumerate(case.case.sites):
        if site.fixture is not None and site.fixture not in catalogue.names:
            near = get_close_matches(site.fixture, catalogue.names, n=3, cutoff=_LOOKS_ALIKE)
            offer = f"names like it: {', '.join(near)}" if near else f"it holds {len(catalogue.names)} fixtures"
            raise LibraryFileError(
                f"{case.path.name}: sites[{number}] (tooth {site.tooth}): fixture {site.fixture!r} is in no catalogue "
                f"file; {offer}. All are listed by 'siteplan catalogue'."
            )


def assess_site(
    scan: Scan, entry: SiteEntry, library: Library, *, table: str | None = None, quick: bool = False
) -> SiteFindings:
    """One site: bone, density, and the planned fixture where there is one.

    Args:
        table: name of the density table for the main verdict.
        quick: fast values for use while a hand moves; flagged as such.
    """
    bone = measure_bone(scan, entry.frame(), calibration=library.calibration, quick=quick)
    name = table or DEFAULT_DENSITY_TABLE
    density = next((d for d in bone.density if d.table == name), None)
    if density is None:
        known = ", ".join(d.table for d in bone.density)
        raise CaseError(f"density_table: there is no table {name!r}; known are {known}.")
    others = tuple(d for d in bone.density if d is not density)
    placed = _placed(entry, bone, library, scan) if entry.fixture else None
    doubts = _doubts(scan, entry, bone, library, placed)
    if placed is not None:
        placed = replace(placed, preparation=_with_doubts(placed.preparation, doubts))
    return SiteFindings(entry, bone, density, others, placed, (*doubts, *_site_scan_findings(scan, entry, placed)))


def _doubts(
    scan: Scan, entry: SiteEntry, bone: BoneFindings, library: Library, placed: PlacedFixture | None
) -> tuple[ScanFinding, ...]:
    """What scan, structures and the other sites say against this site's entries."""
    return site_doubts(
        entry,
        library.sites,
        library.structures,
        scan,
        bone,
        length_mm=placed.fixture.length_mm if placed else None,
        platform_mm=placed.platform_depth_mm if placed else None,
    )


def _with_doubts(card: Preparation, doubts: tuple[ScanFinding, ...]) -> Preparation:
    """The drilling card with each doubt among its problems: a card for a site that contradicts itself must say so."""
    more = tuple(Reason(doubt.sentence.rstrip("."), doubt.where) for doubt in doubts)
    return replace(card, problems=(*more, *card.problems))


def pose_of(entry: SiteEntry) -> Pose:
    """Where the case puts the fixture: platform on the planned crest point, moved by `platform_depth_mm`."""
    frame = entry.frame()
    return Pose(frame.origin_lps_mm + entry.platform_depth_mm * frame.axis, frame.axis)


def _placed(entry: SiteEntry, bone: BoneFindings, library: Library, scan: Scan) -> PlacedFixture:
    fixture = library.catalogue.get(entry.fixture or "")
    pose = pose_of(entry)
    platform = float((pose.platform_lps_mm - bone.frame.origin_lps_mm) @ bone.frame.axis)
    clearances = _clearances(entry, fixture, pose, bone, library, scan)
    return PlacedFixture(
        fixture,
        pose,
        platform,
        platform + fixture.length_mm,
        _levels(bone, fixture, platform),
        _grey(bone, fixture, platform),
        clearances,
        _preparation(entry, fixture, pose, bone, library, scan, clearances),
        () if bone.quick else _risks(entry, fixture, pose, bone, library, scan, clearances),
    )


def _risks(
    entry: SiteEntry,
    fixture: Fixture,
    pose: Pose,
    bone: BoneFindings,
    library: Library,
    scan: Scan,
    clearances: tuple[Clearance, ...],
) -> tuple[Risk, ...]:
    """What a free hand may do to each clearance, beside what the drawing says of it."""
    hand = hands()[ASSUMED_HAND]
    to_structures = tuple(
        risk(
            fixture.body,
            pose,
            structure,
            library.margins,
            hand,
            scan_sd_mm=scan_sd_mm(scan),
            planned_contact=structure.name in entry.planned_contacts,
            samples=RISK_SAMPLES,
        )
        for structure in library.structures
    )
    return to_structures + cover_risks(ridge_of(bone), fixture.body, pose, clearances, hand, samples=RISK_SAMPLES)


def _levels(bone: BoneFindings, fixture: Fixture, platform_mm: float) -> tuple[FixtureLevel, ...]:
    names = ("platform", "middle", "apex")
    depths = [platform_mm + share * fixture.length_mm for share in (0.0, 0.5, 1.0)]
    found = bone.more_levels(depths)
    columns = (found.ridge_width, found.buccal_plate, found.lingual_plate)
    return tuple(FixtureLevel(n, d, *row) for n, d, *row in zip(names, depths, *columns, strict=True))


def _grey(bone: BoneFindings, fixture: Fixture, platform_mm: float) -> FixtureGrey:
    third = fixture.length_mm / 3

    def within(start_mm: float, end_mm: float, shell_mm: float = 0.0) -> Measure:
        z, r = stretch(fixture.body, start_mm, end_mm)
        return mean_grey_in(bone, z + platform_mm, r, shell_mm=shell_mm)

    return FixtureGrey(
        within(0, fixture.length_mm),
        within(0, fixture.length_mm, 1.0),
        within(0, third),
        within(third, 2 * third),
        within(2 * third, 3 * third),
    )


def stretch(solid: Solid, start_mm: float, end_mm: float) -> tuple[Vector, Vector]:
    """(z, r) outline of the part of a solid between two heights."""
    inside = (solid.z_mm > start_mm) & (solid.z_mm < end_mm)
    ends = np.interp([start_mm, end_mm], solid.z_mm, solid.r_mm)
    return (
        np.concatenate([[start_mm], solid.z_mm[inside], [end_mm]]),
        np.concatenate([ends[:1], solid.r_mm[inside], ends[1:]]),
    )


def scan_sd_mm(scan: Scan) -> float:
    """SD that the voxel grid adds to a drawn position: a uniform error of one voxel edge, the longest one."""
    return max(scan.spacing_kji_mm) / float(np.sqrt(12))


def _clearances(
    entry: SiteEntry, fixture: Fixture, pose: Pose, bone: BoneFindings, library: Library, scan: Scan
) -> tuple[Clearance, ...]:
    to_structures = tuple(
        clearance(
            fixture.body,
            pose,
            structure,
            library.margins,
            scan_sd_mm=scan_sd_mm(scan),
            planned_contact=structure.name in entry.planned_contacts,
        )
        for structure in library.structures
    )
    return to_structures + tuple(bone_cover(bone, fixture.body, pose, library.margins))


def _preparation(
    entry: SiteEntry,
    fixture: Fixture,
    pose: Pose,
    bone: BoneFindings,
    library: Library,
    scan: Scan,
    clearances: tuple[Clearance, ...],
) -> Preparation:
    return prepare(
        fixture,
        pose,
        bone.frame,
        approach=entry.approach,
        soft_tissue_mm=entry.soft_tissue_mm,
        cortex=bone.crestal_cortex,
        density=next((d for d in bone.density if d.table == DEFAULT_DENSITY_TABLE), None),
        jaw=entry.jaw,
        structures=library.structures,
        margins=library.margins,
        kit=library.kit,
        protocol=library.protocol,
        planned_contacts=entry.planned_contacts,
        alternatives=library.catalogue.fixtures,
        check_fixture=lambda other: bone_cover(bone, other.body, pose, library.margins),
        bone=bone,
        hand=None if bone.quick else hands()[ASSUMED_HAND],
        opening=_opening(entry, library),
        clearances=clearances,
        scan_sd_mm=scan_sd_mm(scan),
    )


def _opening(entry: SiteEntry, library: Library) -> Opening | None:
    """As measured at the site, else between the front teeth, else not known."""
    if entry.free_height_mm is not None:
        return Opening(entry.free_height_mm)
    return None if library.mouth_opening_mm is None else Opening(library.mouth_opening_mm, at_site=False)


def _between(sites: Sequence[SiteFindings], library: Library) -> tuple[Clearance, ...]:
    placed = [(site.entry.tooth, site.placed) for site in sites if site.placed is not None]
    return tuple(
        fixture_to_fixture(a.fixture.body, a.pose, b.fixture.body, b.pose, library.margins, name=f"{one} to {other}")
        for (one, a), (other, b) in combinations(placed, 2)
    )


def _site_scan_findings(scan: Scan, entry: SiteEntry, placed: PlacedFixture | None) -> tuple[ScanFinding, ...]:
    points = [np.asarray(entry.crest_mm, dtype=np.float64)]
    if placed is not None:
        points.append(placed.pose.point(placed.fixture.length_mm))
    checked = np.array(points)
    return (*outside_field(scan, checked, name=f"tooth {entry.tooth}"), *metal_near(scan, checked))


def _calibration(
    wanted: CalibrationEntry | str | None, folder: Path, scan: Scan
) -> tuple[Calibration | None, tuple[str, ...]]:
    if isinstance(wanted, str):
        return calibration_for(str(folder / wanted), scan)
    if wanted is None:
        return None, ()
    slope_sd, intercept_sd = (_sd(interval) for interval in (wanted.slope_interval, wanted.intercept_interval))
    return (
        Calibration(
            wanted.slope,
            wanted.intercept,
            slope_sd=slope_sd,
            intercept_sd=intercept_sd,
            source=wanted.source,
            date=wanted.date,
            device=wanted.device,
        ),
        (),
    )


def _sd(interval: tuple[float, float] | None) -> float:
    return 0.0 if interval is None else abs(interval[1] - interval[0]) / (2 * 1.959964)


def _beside(folder: Path, name: str) -> str | Path:
    """A kit or protocol by path counts from the case file; by name it is looked up."""
    return folder / name if name.endswith(".toml") else name
