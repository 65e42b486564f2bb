"""The flow of the whole job, read top to bottom: scan and case in, findings out.

Command line, window, benchmark and notebook all call this; none of them measures anything itself.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np

from siteplan.bone import BoneFindings, DensityClass, measure_bone
from siteplan.case import CaseFile, SiteEntry, check_against_scan
from siteplan.case.doubts import site_doubts
from siteplan.case_library import Library as Library
from siteplan.case_library import load_library as load_library
from siteplan.errors import CaseError, SiteplanError
from siteplan.findings import Findings, PlacedFixture, SiteFindings
from siteplan.placed import DEFAULT_DENSITY_TABLE, placed_fixture
from siteplan.placed import pose_of as pose_of
from siteplan.placed import scan_sd_mm as scan_sd_mm
from siteplan.placement import Clearance, fixture_to_fixture
from siteplan.placement.hand import Risk
from siteplan.scan import Scan, ScanFinding
from siteplan.scan.site_checks import metal_near, outside_field
from siteplan.surgery import Preparation
from siteplan.surgery.reasons import Reason
from siteplan.surgery.record import record_path, recorded_teeth
from siteplan.surgery.told import read_story

Progress = Callable[[float, str], None]


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
    return Findings(
        scan,
        case,
        library.structures,
        library.calibration,
        told,
        _between(sites, library),
        (*library.remarks, *seating_remarks),
        library.day_remarks,
        _between_risks(sites),
    )


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


def assess_site(
    scan: Scan, entry: SiteEntry, library: Library, *, table: str | None = None, quick: bool = False
) -> SiteFindings:
    """One site: bone, density, and the planned fixture where there is one.

    Args:
        table: name of the density table for the main verdict.
        quick: fast values for use while a hand moves; flagged as such.
    """
    bone = measure_bone(scan, entry.frame(), calibration=library.calibration, quick=quick)
    density, others = _density(bone, table or DEFAULT_DENSITY_TABLE)
    placed = placed_fixture(scan, entry, bone, library) if entry.fixture else None
    doubts = _doubts(scan, entry, bone, library, placed)
    if placed is not None:
        placed = replace(placed, preparation=_with_doubts(placed.preparation, doubts))
    noted = (*doubts, *_site_scan_findings(scan, entry, placed))
    return SiteFindings(entry, bone, density, others, placed, noted, case_guidance=library.guidance)


def _density(bone: BoneFindings, table: str) -> tuple[DensityClass, tuple[DensityClass, ...]]:
    """The class by the wanted table, and those by the others."""
    density = next((d for d in bone.density if d.table == table), None)
    if density is None:
        known = ", ".join(d.table for d in bone.density)
        raise CaseError(f"density_table: there is no table {table!r}; known are {known}.")
    return density, tuple(d for d in bone.density if d is not density)


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
        library.margins,
        length_mm=placed.fixture.length_mm if placed else None,
        platform_mm=placed.platform_depth_mm if placed else None,
    )


def _with_doubts(card: Preparation, doubts: tuple[ScanFinding, ...]) -> Preparation:
    """The drilling card with each doubt among its problems: a card for a site that contradicts itself must say so."""
    more = tuple(Reason(doubt.sentence.rstrip("."), doubt.where) for doubt in doubts)
    return replace(card, problems=(*more, *card.problems))


def _between(sites: Sequence[SiteFindings], library: Library) -> tuple[Clearance, ...]:
    """Every pair of planned fixtures once."""
    return tuple(
        fixture_to_fixture(a.fixture.body, a.pose, b.fixture.body, b.pose, library.margins, name=f"{one} to {other}")
        for (one, a), (other, b) in _pairs(sites)
    )


def _between_risks(sites: Sequence[SiteFindings]) -> tuple[Risk, ...]:
    """What two hands may do to each pair: the chances that both its sites say, under the pair's name."""
    found = (
        (f"{one} to {other}", next((r for r in a.beside_risks if r.structure == f"fixture {other}"), None))
        for (one, a), (other, _) in _pairs(sites)
    )
    return tuple(replace(risk, structure=name) for name, risk in found if risk is not None)


def _pairs(sites: Sequence[SiteFindings]) -> list[tuple[tuple[int, PlacedFixture], tuple[int, PlacedFixture]]]:
    placed = [(site.entry.tooth, site.placed) for site in sites if site.placed is not None]
    return list(combinations(placed, 2))


def _site_scan_findings(scan: Scan, entry: SiteEntry, placed: PlacedFixture | None) -> tuple[ScanFinding, ...]:
    points = [np.asarray(entry.crest_mm, dtype=np.float64)]
    if placed is not None:
        points.append(placed.pose.point(placed.fixture.length_mm))
    checked = np.array(points)
    return (*outside_field(scan, checked, name=f"tooth {entry.tooth}"), *metal_near(scan, checked))
