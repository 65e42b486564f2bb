"""The two doors of the scan room: `list_series` and `read_scan`."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from os import PathLike
from pathlib import Path

import numpy as np

from siteplan.errors import ScanError
from siteplan.scan import defects, remarks, tags
from siteplan.scan.findings import ScanFinding, ScanRefused
from siteplan.scan.geometry import Layout
from siteplan.scan.grey import grey_scale, with_air_checked
from siteplan.scan.identity import kept_private, patient_of, without_names
from siteplan.scan.listing import Listing, SeriesEntry
from siteplan.scan.load import Progress, load
from siteplan.scan.neighbours import odd_slices
from siteplan.scan.slices import Slice, headers_of
from siteplan.scan.stack import Stack
from siteplan.scan.storage import Storage
from siteplan.scan.survey import Survey, facts_of, source_of, survey
from siteplan.scan.syntaxes import damage_spreads
from siteplan.scan.tilt import straightened
from siteplan.scan.volume import Scan

_HEADERS_SHARE = 0.2
"""Share of the progress bar for headers; measured on plain files."""


def list_series(
    path: str | PathLike[str],
    *,
    images: bool = False,
    progress: Progress | None = None,
    today: date | None = None,
) -> Listing:
    """Every series in a folder, file, medium or ZIP file, usable or not.

    Args:
        images: also read the images of every series whose headers are in order, one after the other, for what only
            they can show: damage, slices unlike their neighbours, whether air reads as it should.
        progress: called with a share from 0 to 1 and what is being done.
        today: the day from which the age of a scan counts; the present day when not given.

    Raises:
        ScanError: there is nothing, or the place cannot be looked into.
    """
    found = survey(Path(path), today or date.today(), progress)
    if images:
        pairs = zip(found.entries, found.stacks, strict=True)
        found.entries = [_looked_into(entry, stack) if entry.usable else entry for entry, stack in pairs]
    return found.listing


def _looked_into(entry: SeriesEntry, stack: Stack) -> SeriesEntry:
    """The entry with what the images of its series show."""
    if stack.layout is None or stack.storage is None:
        return entry
    try:
        scan = _scan(stack, stack.layout, stack.storage, [], None)
    except ScanRefused as error:
        return replace(entry, findings=error.findings)
    return replace(entry, findings=scan.findings, grey=scan.grey)


def read_scan(
    path: str | PathLike[str],
    *,
    series: str | None = None,
    progress: Progress | None = None,
    today: date | None = None,
) -> Scan:
    """The one usable series in a place, or the chosen one, as a volume. No input file is ever changed.

    Args:
        series: Series Instance UID, or the number that `list_series` gives it. Needed when several are usable.
        progress: called with a share from 0 to 1 and what is being done.
        today: the day from which the age of a scan counts; the present day when not given.

    Raises:
        ScanRefused: the series is not fit to be one volume; its `findings` say why.
        ScanError: there is nothing to read, or the choice among several is open.
    """
    first_part = None if progress is None else lambda share, text: progress(_HEADERS_SHARE * share, text)
    rest = None if progress is None else lambda share, text: progress(_HEADERS_SHARE + 0.8 * share, text)
    scan = scan_of(survey(Path(path), today or date.today(), first_part), series, Path(path).name, rest)
    if progress is not None:
        progress(1.0, "done")
    return scan


def scan_of(found: Survey, series: str | None, place: str, progress: Progress | None = None) -> Scan:
    """The chosen series of a survey as a volume; see `read_scan`."""
    stack = _chosen(found, series, place)
    if not stack.usable or stack.layout is None or stack.storage is None:
        raise ScanRefused([*stack.findings, *found.findings])
    return _scan(stack, stack.layout, stack.storage, found.findings, progress)


def _chosen(found: Survey, series: str | None, place: str) -> Stack:
    """The stack that was asked for.

    Raises:
        ScanRefused, ScanError: see `read_scan`.
    """
    if not found.stacks:
        if found.findings:
            raise ScanRefused(found.findings, f"{place}: no DICOM series was found.")
        raise ScanError(f"{place}: no DICOM series was found; give the folder that holds the scan.")
    place = without_names([entry.patient for entry in found.entries])(place)
    pairs = list(zip(found.entries, found.stacks, strict=True))
    if series is not None:
        wanted = [pair for pair in pairs if series in (str(pair[0].number), pair[0].facts.series_uid)]
        if not wanted:
            raise ScanError(f"{place}: no series {series!r} here; `siteplan inspect` lists those that there are.")
    else:
        wanted = pairs
    usable = [stack for entry, stack in wanted if entry.usable]
    if len(usable) == 1:
        return usable[0]
    if len(usable) > 1:
        numbers = ", ".join(str(entry.number) for entry, _ in wanted if entry.usable)
        raise ScanError(
            f"{place}: {len(usable)} series could be meant (numbers {numbers} of `siteplan inspect`); choose one by "
            "its number or Series Instance UID."
        )
    likely = max(wanted, key=lambda pair: len(pair[1].slices))[1]
    raise ScanRefused([*likely.findings, *found.findings])


def _scan(stack: Stack, layout: Layout, storage: Storage, around: list[ScanFinding], progress: Progress | None) -> Scan:
    slices = stack.slices
    private = kept_private(headers_of(slices))
    try:
        voxels, streams = load(slices, storage, progress)
    except ScanRefused as error:
        raise ScanRefused([private(one) for one in (*error.findings, *stack.findings, *around)]) from None
    first = slices[0]
    more = [defects.lossy()] if streams.lossy and not stack.lossy else []
    if streams.strange:
        more.append(private(defects.strange_streams([slices[at].where for at in streams.strange])))
    affine, padding = layout.affine, storage.cleaned_value(first.header.values.get(tags.PADDING))
    if layout.tilted:
        straight = straightened(voxels, layout, padding)
        if straight is None:
            raise ScanRefused([defects.tilted_too_far(), *stack.findings])
        voxels, affine, padding = straight
    scan = Scan(
        voxels,
        affine,
        np.array([one.slope for one in slices]),
        np.array([one.intercept for one in slices]),
        grey_scale(first, layout.spacing_kji_mm, stack.lossy or streams.lossy),
        patient_of(first.header),
        facts_of(stack),
        (*stack.findings, *more, *around, remarks.motion_not_checked()),
        padding,
        source_of(stack, on_grid=not layout.tilted),
    )
    doubts = [private(finding) for finding in _unlike_their_neighbours(scan, slices)]
    return replace(scan, grey=with_air_checked(scan), findings=(*doubts, *scan.findings))


def _unlike_their_neighbours(scan: Scan, slices: Sequence[Slice]) -> list[ScanFinding]:
    """Findings on slices that cannot be right beside their neighbours."""
    spreads = any(damage_spreads(syntax) for syntax in scan.series.transfer_syntaxes)
    found = odd_slices(scan, every_row=spreads)
    out = []
    if found.alone:
        at = scan.index_to_lps((found.alone[0], (scan.shape[1] - 1) / 2, (scan.shape[2] - 1) / 2))
        out.append(defects.odd_slices([slices[k].where for k in found.alone], at))
    if found.repeated:
        out.append(defects.repeated_slices([slices[k].where for k in found.repeated]))
    return out
