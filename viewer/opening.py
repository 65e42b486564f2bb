"""Opening a place: a series folder, a ZIP, a file or a case. Runs in a worker; knows no Qt."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from siteplan.errors import CaseError, ScanError, SiteplanError
from siteplan.scan import Scan, ScanFinding, SeriesEntry, list_series, read_scan
from viewer.jobs import Ticket
from viewer.look import Tissue, Window, presets_of
from viewer.plan import Plan
from viewer.session import new_plan, read_plan
from viewer.texts import say


@dataclass(frozen=True)
class OpenRequest:
    """What to open; `series` chooses among several."""

    path: Path
    series: str | None = None


@dataclass(frozen=True, eq=False)
class Opened:
    """What was opened.

    Attributes:
        subject: what recovery and lock are named after: the case file, or the series where there is no case yet.
        home: where the case's relative paths count from.
        digest: SHA-256 of the case file as it was read.
        windows: the windows that suit the scan's grey values.
    """

    scan: Scan
    plan: Plan
    subject: Path
    home: Path
    case_path: Path | None
    digest: str = ""
    windows: dict[Tissue, Window] = field(default_factory=dict)


def open_place(request: OpenRequest, ticket: Ticket) -> Opened:
    """Read what `request` names.

    Raises:
        CaseError, ScanError: with one sentence for a person; `Cancelled` when nobody waits any more.
    """
    path = request.path
    if not path.exists():
        raise ScanError(say("open.not-there", name=path.name))
    if path.suffix.lower() == ".json":
        return _open_case(path, ticket)
    scan = read_scan(path, series=request.series, progress=ticket.progress)
    plan, home = new_plan(path, scan)
    return Opened(scan, plan, path.resolve(), home, None, windows=presets_of(scan))


def _open_case(path: Path, ticket: Ticket) -> Opened:
    from siteplan.case import check_against_scan

    plan, file = read_plan(path)
    if not file.series_path.exists():
        raise CaseError(say("open.series-gone", series=file.case.series))
    scan = read_scan(file.series_path, series=file.case.series_uid, progress=ticket.progress)
    check_against_scan(file.case, scan)
    return Opened(scan, plan, file.path, file.folder, file.path, file.digest, presets_of(scan))


@dataclass(frozen=True, eq=False)
class FirstPicture:
    """One slice to look at while the rest is read; row 0 of `grey` is its lowest row on the screen."""

    grey: NDArray[np.float32]
    window: Window


def first_picture(request: OpenRequest) -> FirstPicture | None:
    """A slice from the middle of the scan; None where none can be shown so early."""
    from siteplan.scan.preview import preview

    try:
        found = preview(request.path)
    except SiteplanError:
        return None
    middle = found.values[len(found.values) // 2][::-1]
    low, high = (float(x) for x in np.percentile(middle, (2, 99.5)))
    return FirstPicture(middle, Window(low, max(high, low + 1.0)))


def explain(request: OpenRequest) -> tuple[tuple[ScanFinding, ...], list[tuple[str, str]]]:
    """What stands against a place that could not be opened, and the series to choose from where several are usable."""
    if request.path.suffix.lower() == ".json" or not request.path.exists():
        return (), []
    try:
        listing = list_series(request.path)
    except SiteplanError:
        return (), []
    if len(listing.usable) > 1 and request.series is None:
        return listing.findings, [(str(entry.number), _series_words(entry)) for entry in listing.usable]
    likely = max(listing.series, key=lambda entry: entry.facts.files, default=None)
    return ((*likely.findings, *listing.findings) if likely else listing.findings), []


def _series_words(entry: SeriesEntry) -> str:
    k, j, i = entry.size_kji
    return say(
        "problem.series",
        number=entry.number,
        what=entry.facts.description or entry.facts.modality,
        size=f"{i} × {j} × {k}",
        made=entry.made or "–",
    )
