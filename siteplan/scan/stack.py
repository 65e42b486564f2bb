"""`Stack`: the slices of one volume with their layout, their storage and every finding that headers alone can give."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from siteplan.scan import defects, remarks, tags
from siteplan.scan.findings import ScanFinding, Severity
from siteplan.scan.geometry import Layout, lay_out
from siteplan.scan.grey import any_lossy
from siteplan.scan.group import Group, unplaced_frames
from siteplan.scan.header import Header, is_volume
from siteplan.scan.slices import Slice, frame_count, headers_of
from siteplan.scan.storage import Storage, storage_of
from siteplan.scan.syntaxes import LOSSY, decodable, is_compressed
from siteplan.scan.tags import number

ADEQUATE_VOXEL_MM = 0.4
ADEQUATE_VOXEL_SOURCE = "Fokas G et al., 2018, Clin Oral Implants Res 29 Suppl 16:393-415"
"""Voxels of 0.3 to 0.4 mm were judged adequate for implant planning (cbct_measurement.voxel_adequate_for_implants)."""

_OLDEST_DAYS = 366
"""A scan is called old beyond this (one year; common practice, no source)."""

_FEW = 10
"""Below so many slices the regularity of a stack proves little. Own bound."""

_APART = 1.5
"""Slices this many times their thickness apart are taken to leave tissue out. Own bound."""

_MOST_BYTES = 16 << 30
_EXPANSION, _EXPANSION_ALLOWANCE = 500, 256 << 20
"""Bytes of a volume, and how much larger than its compressed files it may be. Lossless CT shrinks 2 to 5 times
(measured); own bounds against small files that ask for all memory."""


@dataclass(slots=True)
class Stack:
    """One candidate for a volume.

    Attributes:
        uid: Series Instance UID.
        slices: in their order along the normal where there is a layout, else as found.
        layout, storage: None when a refusal stands in `findings`.
    """

    uid: str
    slices: list[Slice]
    layout: Layout | None
    storage: Storage | None
    findings: list[ScanFinding]

    @property
    def usable(self) -> bool:
        """Whether headers give no reason to refuse it."""
        return not any(one.severity is Severity.REFUSAL for one in self.findings)

    @property
    def lossy(self) -> bool:
        """Whether any slice went through lossy compression."""
        return any_lossy(self.slices, LOSSY)


def stack_of(group: Group, today: date) -> Stack:
    """Checks one group of slices by its headers alone."""
    findings = list(group.findings)
    kind = _kind(group.stack[0])
    if kind:
        findings.append(defects.unsupported_kind(kind, group.stack[0].where))
        return Stack(group.uid, group.stack, None, None, findings)
    unplaced = unplaced_frames(group)
    if unplaced is not None:
        return Stack(group.uid, group.stack, None, None, [*findings, unplaced])
    slices, storage, pixel_findings = _stored(group.stack)
    findings += pixel_findings
    layout, place_findings = lay_out(slices)
    findings += place_findings
    if layout is not None:
        slices = [slices[at] for at in layout.order]
        findings += _fitness(slices, layout)
    findings += _grey(slices)
    findings += _age(slices[0], today)
    refused = any(one.severity is Severity.REFUSAL for one in findings)
    return Stack(group.uid, slices, None if refused else layout, None if refused else storage, findings)


_MODALITIES = (
    "CR",
    "CT",
    "DX",
    "IO",
    "MG",
    "MR",
    "NM",
    "OT",
    "PT",
    "PX",
    "RTDOSE",
    "RTSTRUCT",
    "SEG",
    "SR",
    "US",
    "XA",
)
"""Codes that a message may repeat (PS3.3 C.7.3.1.1.1); anything else in that place could be a name."""


def _kind(first: Slice) -> str:
    """What the object is, when it is no CT volume; "" when it is one."""
    if is_volume(first.header):
        return ""
    modality = first.header.text(tags.MODALITY)
    return f"of another kind (modality {modality})" if modality in _MODALITIES else "of another kind"


def _stored(stack: list[Slice]) -> tuple[list[Slice], Storage, list[ScanFinding]]:
    """Exact copies dropped, and what is wrong with pixels as far as headers and file lengths show."""
    stack, copies = _without_copies(stack)
    storage = storage_of(stack[0].header)
    found = [defects.copied_files(copies)] if copies else []
    headers = headers_of(stack)
    empty = [header.source.name for header in headers if header.pixel_offset < 0]
    if empty:
        return stack, storage, [*found, defects.no_pixels(empty)]
    other = next((header for header in headers if storage_of(header) != storage), None)
    if other is not None:
        places = (headers[0].source.name, other.source.name)
        return (
            stack,
            storage,
            [*found, defects.mixed_within("mixed-storage", "images of different pixel types", places)],
        )
    problem = storage.problem() or next((p for p in map(_undecodable, {h.syntax for h in headers}) if p), "")
    if problem:
        return stack, storage, [*found, defects.unsupported_pixels(headers[0].source.name, problem)]
    short = [header.source.name for header in headers if _is_short(header, storage)]
    if short:
        found.append(defects.truncated(short))
    total = storage.frame_bytes * len(stack)
    packed = sum(header.source.size for header in headers)
    if total > _MOST_BYTES or total > _EXPANSION * packed + _EXPANSION_ALLOWANCE:
        found.append(defects.too_large(f"{len(stack)} slices of {storage.rows} x {storage.columns} pixels"))
    return stack, storage, found


def _undecodable(syntax: str) -> str:
    if decodable(syntax):
        return ""
    return f"transfer syntax {syntax[:64]}" if syntax.replace(".", "").isdigit() else "an unknown transfer syntax"


def _is_short(header: Header, storage: Storage) -> bool:
    """Whether the file ends before its pixels do; what compressed pixels lack shows only when they are decoded."""
    if is_compressed(header.syntax):
        return header.pixel_offset >= header.source.size
    frames = len(header.frames) or frame_count(header)
    needed = storage.frame_bytes * frames
    return (header.pixel_length or 0) < needed or header.pixel_offset + needed > header.source.size


def _without_copies(stack: list[Slice]) -> tuple[list[Slice], list[str]]:
    """Drops files that repeat another one byte for byte from the image data on, with the same instance number."""
    by_instance: dict[tuple[str, int], Slice] = {}
    kept: list[Slice] = []
    copies: list[str] = []
    for one in stack:
        key = (one.header.text(tags.SOP_INSTANCE), one.frame)
        known = by_instance.get(key) if key[0] else None
        if known is not None and _same_image(known, one):
            copies.append(one.where)
            continue
        by_instance[key] = one
        kept.append(one)
    return kept, copies


def _same_image(one: Slice, other: Slice) -> bool:
    a, b = one.header, other.header
    if one.position != other.position or a.pixel_offset < 0 or b.pixel_offset < 0 or a.values != b.values:
        return False
    try:
        return a.source.read(a.pixel_offset, a.source.size) == b.source.read(b.pixel_offset, b.source.size)
    except OSError:
        return False


def _fitness(slices: Sequence[Slice], layout: Layout) -> list[ScanFinding]:
    """Findings on size and number of voxels."""
    found = []
    largest = max(layout.spacing_kji_mm)
    if largest > ADEQUATE_VOXEL_MM + 1e-3:
        found.append(remarks.coarse_voxel(largest, ADEQUATE_VOXEL_MM, ADEQUATE_VOXEL_SOURCE))
    if len(slices) < _FEW:
        found.append(defects.few_slices(len(slices)))
    thickness, spacing = slices[0].thickness, layout.spacing_kji_mm[0]
    if thickness is not None and 0 < thickness * _APART < spacing:
        found.append(defects.slices_apart(spacing, thickness))
    stated = number(slices[0].header.values.get(tags.IMAGES_IN_ACQUISITION))
    if stated is not None and stated > len(slices) and not slices[0].header.frames:
        found.append(defects.fewer_than_stated(len(slices), int(stated)))
    return found


def _grey(slices: Sequence[Slice]) -> list[ScanFinding]:
    """Findings on grey values."""
    found = []
    bare = [one.where for one in slices if not one.rescaled]
    if bare:
        found.append(defects.no_rescale(bare))
    elif len({(one.slope, one.intercept) for one in slices}) > 1:
        found.append(defects.rescale_varies())
    flat = next((one for one in slices if one.slope == 0), None)
    if flat is not None:
        found.append(defects.unsupported_pixels(flat.where, "a Rescale Slope of zero"))
    if slices[0].header.text(tags.PHOTOMETRIC) == "MONOCHROME1":
        found.append(defects.inverted())
    if any_lossy(slices, LOSSY):
        found.append(defects.lossy())
    return found


def scan_date(one: Slice) -> date | None:
    """When the scan was made: acquisition, series or study date, the first that is a date."""
    for tag in (tags.ACQUISITION_DATE, tags.SERIES_DATE, tags.STUDY_DATE, tags.CONTENT_DATE):
        stated = one.header.text(tag)[:8]
        if len(stated) == 8 and stated.isdigit():
            try:
                return date(int(stated[:4]), int(stated[4:6]), int(stated[6:]))
            except ValueError:
                continue
    return None


def _age(first: Slice, today: date) -> list[ScanFinding]:
    made = scan_date(first)
    if made is None:
        return [remarks.undated()]
    days = (today - made).days
    if days < -1:
        return [remarks.future_scan(made.isoformat())]
    return [remarks.old_scan(made.isoformat(), days)] if days > _OLDEST_DAYS else []


def field_of_view_kji_mm(stack: Stack) -> tuple[float, float, float] | None:
    """Extent of the volume, voxel borders to voxel borders, or None without a layout."""
    if stack.layout is None or stack.storage is None:
        return None
    size = np.array([len(stack.slices), stack.storage.rows, stack.storage.columns])
    k, j, i = (float(x) for x in size * np.array(stack.layout.spacing_kji_mm))
    return k, j, i
