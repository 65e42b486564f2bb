"""Which slices belong together: by series number, then by orientation, size and pixel spacing."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from siteplan.scan import defects, tags
from siteplan.scan.findings import ScanFinding
from siteplan.scan.header import is_volume
from siteplan.scan.slices import Slice, frame_count, headers_of, rows_columns
from siteplan.scan.tags import number

_ANGLE_TOLERANCE = 1e-3
"""Direction cosines that differ by no more than this are the same orientation (0.06 degrees; own bound)."""

_SPACING_TOLERANCE = 1e-4
"""Pixel spacings that differ by no more than this share are the same (own bound; writers round to 6 digits)."""

_SMALL_SHARE = 0.2
"""A stack of up to this share of the largest one is left out as overview images; a larger one is listed by itself."""

_Key = tuple[tuple[float, ...] | None, tuple[int, int], tuple[float, ...] | None, bool]


@dataclass(slots=True)
class Group:
    """Slices that could form one volume, and what was left out beside them."""

    uid: str
    stack: list[Slice]
    findings: list[ScanFinding] = field(default_factory=list)


def into_groups(slices: Iterable[Slice]) -> list[Group]:
    """One or more groups for each Series Instance UID."""
    by_uid: dict[str, list[Slice]] = {}
    for one in slices:
        by_uid.setdefault(one.header.text(tags.SERIES_UID), []).append(one)
    out: list[Group] = []
    for uid, members in by_uid.items():
        out.extend(_split(uid, members))
    out.sort(key=_place)
    return out


def _place(group: Group) -> tuple[float, str, int]:
    series_number = number(group.stack[0].header.values.get(tags.SERIES_NUMBER))
    return series_number if series_number is not None else 1e9, group.uid, -len(group.stack)


def _split(uid: str, members: list[Slice]) -> list[Group]:
    mixed = _mixtures(members)
    if not any(is_volume(one.header) for one in members):
        return [Group(uid, members, mixed)]
    stacks: list[tuple[_Key, list[Slice]]] = []
    same: dict[_Key, list[Slice]] = {}
    for one in members:
        key = (one.orientation, rows_columns(one.header), one.spacing, _overview(one))
        known = same.get(key)
        if known is None:
            known = next((stack for other, stack in stacks if _alike(key, other)), None)
            if known is None:
                known = []
                stacks.append((key, known))
            same[key] = known
        known.append(one)
    stacks.sort(key=lambda pair: (pair[0][3], -len(pair[1]), repr(pair[0])))
    largest = len(stacks[0][1])
    groups = [Group(uid, stacks[0][1], list(mixed))]
    for key, stack in stacks[1:]:
        if key[3] or len(stack) <= max(_SMALL_SHARE * largest, 2) < largest:
            why = _difference(stacks[0][0], key)
            groups[0].findings.append(defects.left_out([one.where for one in stack], why))
        else:
            groups.append(Group(uid, stack, list(mixed)))
    return groups


def _overview(one: Slice) -> bool:
    return "LOCALIZER" in one.header.text(tags.IMAGE_TYPE).upper()


def _alike(one: _Key, other: _Key) -> bool:
    return (
        one[1] == other[1]
        and one[3] == other[3]
        and _close(one[0], other[0], 0.0, _ANGLE_TOLERANCE)
        and _close(one[2], other[2], _SPACING_TOLERANCE, 0.0)
    )


def _close(one: tuple[float, ...] | None, other: tuple[float, ...] | None, share: float, length: float) -> bool:
    if one is None or other is None:
        return one is other
    return all(abs(a - b) <= length + share * abs(b) for a, b in zip(one, other, strict=True))


def _difference(main: _Key, other: _Key) -> str:
    if other[3]:
        return "they are overview images"
    if other[0] is None:
        return "they do not say how they lie in the patient"
    if not _close(main[0], other[0], 0.0, _ANGLE_TOLERANCE):
        return "they lie in another direction, as overview images do"
    if main[1] != other[1]:
        return f"their size is {other[1][0]} x {other[1][1]} instead of {main[1][0]} x {main[1][1]} pixels"
    return "their pixel spacing is another one or absent"


def _mixtures(members: Sequence[Slice]) -> list[ScanFinding]:
    """Patients, studies or frames of reference that cannot share a series."""
    headers = headers_of(members)
    found: dict[str, ScanFinding] = {}
    for tag, code, what in (
        (tags.PATIENT_ID, "mixed-patients", "images of more than one patient"),
        (tags.PATIENT_NAME, "mixed-patients", "images of more than one patient"),
        (tags.STUDY_UID, "mixed-studies", "images of more than one study"),
        (tags.FRAME_OF_REFERENCE, "mixed-frames-of-reference", "images whose positions count from different points"),
    ):
        seen: dict[str, str] = {}
        for header in headers:
            seen.setdefault(folded(header.values.get(tag, b"")), header.source.name)
        if len(seen) > 1:
            found[code] = defects.mixed_within(code, what, list(seen.values())[:2])
    return list(found.values())


@lru_cache(maxsize=1024)
def folded(raw: bytes) -> str:
    """A stored name or number for comparing: writers differ in case, blanks, padding and trailing ^."""
    return " ".join(raw.decode("latin-1").strip(" \0^").replace("^", " ").replace(",", " ").upper().split())


def unplaced_frames(group: Group) -> ScanFinding | None:
    """The finding for a multi-frame file that does not say where its frames lie."""
    for one in group.stack:
        if not one.header.frames and frame_count(one.header) != 1:
            return defects.frames_without_position(frame_count(one.header), one.where)
    return None
