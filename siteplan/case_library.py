"""`Library`: all that a case takes from files other than the scan, read and checked before anything is measured."""

from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from siteplan.anatomy import Structure
from siteplan.bone import Calibration
from siteplan.bone.calibration_file import calibration_for
from siteplan.case import CaseFile, SiteEntry, structure_of
from siteplan.case.calibration import calibration_remarks
from siteplan.case.guidance import Guidance, guidance_of
from siteplan.case.model import CalibrationEntry
from siteplan.case.surroundings import outside_remarks
from siteplan.errors import LibraryFileError
from siteplan.fixture import Catalogue, load_catalogue
from siteplan.placement import Margins, load_margins
from siteplan.placement.access import opening_remarks
from siteplan.placement.clearances import TWO_SIDED_95
from siteplan.scan import Scan
from siteplan.surgery import Kit, Protocol, load_kit, load_protocol

_LOOKS_ALIKE = 0.3
"""Similarity (0 to 1) from which a fixture's name is offered for a mistyped one."""


@dataclass(frozen=True, eq=False)
class Library:
    """Everything that a case takes from files other than the scan.

    Attributes:
        remarks: all that must be said of it. day_remarks: those among them that depend on the day.
        sites: all that the case plans; other fixtures than a site's own are found by them.
        guidance: how drills are led at every site that says nothing itself; None where the case says nothing.
    """

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
    guidance: str | None = None

    def guidance_at(self, site: SiteEntry) -> Guidance:
        """How the drill is led at a site, and who says so."""
        return guidance_of(site, self.guidance)


def load_library(scan: Scan, case: CaseFile) -> Library:
    """Read what the case names: fixtures, margins, kit, protocol, structures, calibration.

    Raises:
        LibraryFileError: one of the files is wrong, or a site names a fixture that no catalogue holds.
    """
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
        wanted.guidance,
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
    return 0.0 if interval is None else abs(interval[1] - interval[0]) / (2 * TWO_SIDED_95)


def _beside(folder: Path, name: str) -> str | Path:
    """A kit or protocol by path counts from the case file; by name it is looked up."""
    return folder / name if name.endswith(".toml") else name
