"""Looks through a place and finds every series in it."""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from siteplan.scan import remarks, tags
from siteplan.scan.findings import ScanFinding
from siteplan.scan.grey import grey_scale
from siteplan.scan.group import folded, into_groups
from siteplan.scan.header import Header, NotDicom, Unreadable, is_volume, read_header
from siteplan.scan.identity import decoded, free_text, kept_private, patient_of
from siteplan.scan.listing import Listing, SeriesEntry
from siteplan.scan.medium import is_index, missing_files
from siteplan.scan.search import sources
from siteplan.scan.slices import Slice, frame_count, headers_of, rows_columns, slices_of
from siteplan.scan.source import Source
from siteplan.scan.stack import Stack, field_of_view_kji_mm, scan_date, stack_of
from siteplan.scan.volume import SeriesFacts, SourceImages
from siteplan.scan.walk import SHORTEST_FILE

Progress = Callable[[float, str], None]


_OF_NONE = "it does not say which series it is of, as a file that was cut short"


@dataclass(slots=True)
class Survey:
    """All stacks of a place, each beside its entry in the listing."""

    stacks: list[Stack]
    entries: list[SeriesEntry]
    findings: list[ScanFinding]

    @property
    def listing(self) -> Listing:
        """The public part."""
        return Listing(tuple(self.entries), tuple(self.findings))


def survey(path: Path, today: date, progress: Progress | None = None) -> Survey:
    """Reads all headers below `path` and checks every series.

    Raises:
        ScanError: nothing is there, or it cannot be looked into.
    """
    files, notes = sources(path)
    found = survey_files(files, today, progress)
    found.findings += [remarks.not_searched(note) for note in notes]
    return found


def survey_files(files: Sequence[Source], today: date, progress: Progress | None = None) -> Survey:
    """As `survey`, of files that were found already."""
    headers, findings = _headers(files, progress)
    findings += missing_files(files)
    slices: list[Slice] = []
    for header in headers:
        slices.extend(slices_of(header))
    stacks = [stack_of(group, today) for group in into_groups(slices)]
    private = kept_private(headers)
    of_none = [one for one in slices if is_volume(one.header) and not one.header.text(tags.SERIES_UID)]
    findings += [remarks.unreadable(one.where, _OF_NONE) for one in of_none]
    firsts = [stack.slices[0].header for stack in stacks]
    if len({_who(first) for first in firsts if first.text(tags.SERIES_UID) or not is_volume(first)}) > 1:
        findings.append(remarks.other_patients())
    for stack in stacks:
        stack.findings = [private(finding) for finding in stack.findings]
    entries = [_entry(at, stack) for at, stack in enumerate(stacks, 1)]
    return Survey(stacks, entries, [private(finding) for finding in findings])


def _headers(files: Sequence[Source], progress: Progress | None) -> tuple[list[Header], list[ScanFinding]]:
    headers: list[Header] = []
    other: list[str] = []
    broken: list[ScanFinding] = []
    for at, file in enumerate(files):
        if progress is not None and at % 64 == 0:
            progress(at / len(files), "looking through files")
        try:
            header = read_header(file)
        except NotDicom:
            other.append(file.name)
        except Unreadable as error:
            broken.append(remarks.unreadable(file.name, str(error)))
        else:
            if not is_index(header):
                headers.append(header)
    failed = _failed_copies(files, headers)
    other = [name for name in other if name not in failed]
    broken += [remarks.unreadable(name, "it is empty or hardly begun") for name in sorted(failed)]
    return headers, broken + ([remarks.not_dicom(other)] if other else [])


def _failed_copies(files: Sequence[Source], headers: Sequence[Header]) -> set[str]:
    """Names of files too short for any image that stand where images stand and are called alike but for the number."""
    images = {_without_number(header.source.name) for header in headers}
    return {file.name for file in files if file.size < SHORTEST_FILE and _without_number(file.name) in images}


def _without_number(name: str) -> str:
    return re.sub(r"\d+", "0", name)


def _entry(at: int, stack: Stack) -> SeriesEntry:
    first = stack.slices[0]
    spacing = stack.layout.spacing_kji_mm if stack.layout is not None else None
    frames = sum(frame_count(one.header) for one in stack.slices if not one.header.frames)
    made = scan_date(first)
    return SeriesEntry(
        at,
        facts_of(stack),
        (len([one for one in stack.slices if one.header.frames]) + frames, *rows_columns(first.header)),
        spacing,
        field_of_view_kji_mm(stack),
        grey_scale(first, spacing or (1.0, 2.0, 2.0), stack.lossy),
        made.isoformat() if made else "",
        tuple(stack.findings),
        patient_of(first.header),
    )


def _who(header: Header) -> tuple[str, ...]:
    """Number and name, for telling patients apart: either may be left empty, and some devices number everybody 0."""
    return tuple(folded(header.values.get(tag, b"")) for tag in (tags.PATIENT_ID, tags.PATIENT_NAME))


def facts_of(stack: Stack) -> SeriesFacts:
    """What identifies and describes the series of a stack."""
    header = stack.slices[0].header
    return SeriesFacts(
        stack.uid,
        header.text(tags.STUDY_UID),
        header.text(tags.MODALITY),
        header.text(tags.SOP_CLASS) or header.text(tags.MEDIA_SOP_CLASS),
        tuple(sorted({one.header.syntax for one in stack.slices})),
        free_text(header, tags.SERIES_DESCRIPTION),
        header.text(tags.STUDY_DATE),
        _file_count(stack.slices),
        header.text(tags.FRAME_OF_REFERENCE),
    )


def source_of(stack: Stack, *, on_grid: bool) -> SourceImages:
    """The images of a stack in the order of its slices, and what else an object that refers to them repeats."""
    slices = stack.slices
    first = slices[0].header
    burned_in = {one.header.text(tags.BURNED_IN).upper() for one in slices}
    return SourceImages(
        tuple(one.header.text(tags.SOP_INSTANCE) for one in slices),
        tuple(one.frame + 1 if one.header.frames else 0 for one in slices),
        on_grid,
        first.text(tags.STUDY_TIME),
        decoded(first, tags.STUDY_ID),
        decoded(first, tags.ACCESSION_NUMBER),
        "YES" if "YES" in burned_in else min(burned_in),
    )


def _file_count(slices: Iterable[Slice]) -> int:
    return len(headers_of(slices))
