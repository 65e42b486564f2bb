"""The slow and tolerant way to read a header, for every file that is not plainly ordinary."""

import warnings
from collections.abc import Iterable
from io import BytesIO
from typing import Any

import pydicom
from pydicom import config
from pydicom.dataset import Dataset
from pydicom.filereader import read_dataset, read_partial

from siteplan.scan import tags
from siteplan.scan.header import MULTI_FRAME, FrameGroups, Header, NotDicom, Unreadable, looks_like_dicom
from siteplan.scan.source import Inflated, Source, inflate
from siteplan.scan.walk import BIG_ENDIAN, DEFLATED, EXPLICIT, IMPLICIT, NeedMore, Odd, is_dicom, walk_explicit

_LARGEST_ODD_FILE = 2 << 30
"""Bytes of one odd file that are taken into memory."""

_MOST_FRAMES = 20_000
_DEFER = 4096
"""Values longer than this are left on disk by pydicom until asked for, bytes."""


def header_by_pydicom(source: Source, head: bytes) -> Header:
    """As `read_header`, by pydicom.

    Raises:
        NotDicom, Unreadable: see `read_header`.
    """
    if not looks_like_dicom(head):
        raise NotDicom
    if source.size > _LARGEST_ODD_FILE:
        raise Unreadable("an unusual header in a file of more than 2 GB")
    try:
        with warnings.catch_warnings(), config.disable_value_validation():
            warnings.simplefilter("ignore")  # pydicom's warnings quote values, and a value may be a name
            return _read(source)
    except (NotDicom, Unreadable):
        raise
    except Exception as error:
        # pydicom raises many kinds of error on damaged files; whatever it is, the file is left out and named.
        raise Unreadable(f"its header is damaged ({type(error).__name__})") from None


def _read(source: Source) -> Header:
    data = source.read(0, source.size)
    if is_dicom(data) and (start := _deflated_from(data)) is not None:
        return _deflated_header(source, start, data)
    dataset = pydicom.dcmread(BytesIO(data), force=True, defer_size=_DEFER)
    if not len(dataset):
        raise NotDicom
    return _header(source, dataset)


def _deflated_from(data: bytes) -> int | None:
    """Where the compressed data set of a deflated file starts, or None when it is not deflated."""
    meta = read_partial(BytesIO(data), stop_when=lambda tag, vr, length: True).file_meta
    if str(meta.get("TransferSyntaxUID", "")) != DEFLATED:
        return None
    return 132 + 12 + int(meta.FileMetaInformationGroupLength)


def _deflated_header(source: Source, start: int, packed: bytes) -> Header:
    """Header of a deflated file, whose source then gives the inflated data set each time that it is read."""
    data = inflate(packed[start:])
    inflated = Inflated(source, start, len(data), source.name)
    try:
        found = walk_explicit(data, len(data), 0, {}, DEFLATED)
        header = Header(inflated, found.values, DEFLATED, found.pixel_offset, found.pixel_length)
        if header.text(tags.SOP_CLASS) not in MULTI_FRAME and (tags.number(found.values.get(tags.FRAMES)) or 1) == 1:
            return header
    except (Odd, NeedMore):
        pass
    out = _header(inflated, read_dataset(BytesIO(data), False, True))
    out.syntax = DEFLATED
    return out


def _header(source: Source, dataset: Dataset) -> Header:
    meta = getattr(dataset, "file_meta", None)
    syntax = str(meta.get("TransferSyntaxUID", "")) if meta is not None else ""
    implicit, little = dataset.original_encoding
    if not syntax:
        syntax = IMPLICIT if implicit else EXPLICIT if little else BIG_ENDIAN
    values: dict[int, bytes] = {}
    for tag in tags.WANTED:
        if tag >> 16 == 2:
            if meta is not None and tag in meta:
                values[tag] = str(meta[tag].value).encode("ascii", "replace")
        elif tag in dataset:
            raw = _stored(dataset, tag, little=little is not False)
            if raw is not None:
                values[tag] = raw
    values.update({tag: b"" for tag in (tags.FLOAT_PIXELS, tags.DOUBLE_PIXELS) if tag in dataset})
    offset, length = _pixel_place(dataset)
    return Header(source, values, syntax, offset, length, little is False, _frames(dataset))


def _stored(dataset: Dataset, tag: int, *, little: bool) -> bytes | None:
    """The element as the quick walk would give it."""
    item = dataset.get_item(tag)
    raw = getattr(item, "value", None)
    if not isinstance(raw, bytes):
        value = dataset[tag].value
        if value is None:
            return b""
        if isinstance(value, int) and tag in _BINARY:
            return int(value).to_bytes(2, "little", signed=value < 0)
        parts = [value] if isinstance(value, str | bytes) or not isinstance(value, Iterable) else list(value)
        return b"\\".join(part if isinstance(part, bytes) else str(part).encode("utf-8", "replace") for part in parts)
    return raw if little or tag not in _BINARY else raw[::-1]


_BINARY = frozenset(
    {
        tags.SAMPLES,
        tags.ROWS,
        tags.COLUMNS,
        tags.BITS_ALLOCATED,
        tags.BITS_STORED,
        tags.HIGH_BIT,
        tags.PIXEL_SIGNED,
        tags.PADDING,
    }
)


def _pixel_place(dataset: Dataset) -> tuple[int, int | None]:
    if tags.PIXELS not in dataset:
        return -1, 0
    item: Any = dataset.get_item(tags.PIXELS)
    offset, length = getattr(item, "value_tell", None), getattr(item, "length", None)
    if offset is None or length is None:
        raise Unreadable("its pixel data cannot be located")
    return int(offset), None if length == 0xFFFFFFFF else int(length)


def _frames(dataset: Dataset) -> tuple[FrameGroups, ...]:
    """The functional groups of every frame, those of the frame before those that all share."""
    per_frame = dataset.get(tags.FRAME_GROUPS)
    if per_frame is None or not isinstance(per_frame.value, Iterable):
        return ()
    shared_groups = dataset.get(tags.SHARED_GROUPS)
    shared = shared_groups.value[0] if shared_groups is not None and shared_groups.value else Dataset()
    items = list(per_frame.value)
    if len(items) > _MOST_FRAMES:
        raise Unreadable("more frames than any scan has")
    return tuple(_frame(item, shared) for item in items)


def _frame(own: Dataset, shared: Dataset) -> FrameGroups:
    def group(keyword: str) -> Dataset:
        for place in (own, shared):
            found = place.get(keyword)
            if found:
                item: Dataset = found[0]
                return item
        return Dataset()

    values = group("PixelValueTransformationSequence")
    measures = group("PixelMeasuresSequence")
    return FrameGroups(
        position=_floats(group("PlanePositionSequence").get("ImagePositionPatient")),
        orientation=_floats(group("PlaneOrientationSequence").get("ImageOrientationPatient")),
        spacing=_floats(measures.get("PixelSpacing")),
        slope=_float(values.get("RescaleSlope")),
        intercept=_float(values.get("RescaleIntercept")),
        rescale_type=str(values.get("RescaleType") or ""),
        thickness=_float(measures.get("SliceThickness")),
    )


def _floats(value: Any) -> tuple[float, ...] | None:
    if value is None or isinstance(value, str) or not isinstance(value, Iterable):
        return None
    return tags.numbers("\\".join(str(part) for part in value).encode())


def _float(value: Any) -> float | None:
    return None if value is None else tags.number(str(value).encode())
