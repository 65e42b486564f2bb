"""The slow and tolerant way to read a header, for every file that is not plainly ordinary."""

import warnings
from collections.abc import Iterable
from io import BytesIO
from typing import Any, BinaryIO

from pydicom import config
from pydicom.dataset import Dataset
from pydicom.filereader import read_dataset, read_partial
from pydicom.tag import BaseTag
from pydicom.valuerep import EXPLICIT_VR_LENGTH_32

from siteplan.scan import tags
from siteplan.scan.header import MULTI_FRAME, FrameGroups, Header, NotDicom, Unreadable, looks_like_dicom
from siteplan.scan.source import DiskFile, Inflated, Source, inflate
from siteplan.scan.walk import (
    BIG_ENDIAN,
    DEFLATED,
    EXPLICIT,
    IMPLICIT,
    SHORTEST_FILE,
    NeedMore,
    Odd,
    is_dicom,
    walk_explicit,
)

_LARGEST_ODD_FILE = 2 << 30
"""Bytes of one odd file that are taken into memory."""

_MOST_FRAMES = 20_000
_UNDEFINED = 0xFFFFFFFF
_SHORTEST = 8
"""Bytes of the shortest element (PS3.5 section 7.1)."""


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
    with _opened(source) as stream:
        marked = is_dicom(stream.read(SHORTEST_FILE))
        start = _deflated_from(stream) if marked else None
        if start is not None:
            return _deflated_header(source, start)
        stream.seek(0)
        end = _End(stream)
        dataset = read_partial(stream, stop_when=end, force=True)
        if not len(dataset) and not end.tag:
            raise Unreadable("it ends before its header does") if marked else NotDicom
        if end.inside(source.size):
            raise Unreadable("it is cut short inside its header")
        return _header(source, dataset, end.place(stream, dataset))


def _opened(source: Source) -> BinaryIO:
    return open(source.path, "rb") if isinstance(source, DiskFile) else BytesIO(source.read(0, source.size))


class _End:
    """Stops pydicom at the pixels and remembers what it was told of them, and where the last element ends."""

    def __init__(self, stream: BinaryIO) -> None:
        self.tag, self.vr, self.length = 0, "", 0
        self._stream, self._reached = stream, 0

    def __call__(self, tag: BaseTag, vr: str | None, length: int) -> bool:
        self._reached = 0 if length == _UNDEFINED else self._stream.tell() + length
        if tag not in (tags.FLOAT_PIXELS, tags.DOUBLE_PIXELS, tags.PIXELS):
            return False
        self.tag, self.vr, self.length = int(tag), vr or "", length
        return True

    def inside(self, size: int) -> bool:
        """Whether a file of this length ends inside an element before the pixels, which pydicom passes over."""
        return not self.tag and bool(self._reached) and (self._reached > size or 0 < size - self._reached < _SHORTEST)

    def place(self, stream: BinaryIO, dataset: Dataset) -> "_End":
        """Notes where the value starts; `stream` stands at the start of the element."""
        implicit = dataset.original_encoding[0]
        self.offset = stream.tell() + (12 if not implicit and self.vr in EXPLICIT_VR_LENGTH_32 else 8)
        return self


def _deflated_from(stream: BinaryIO) -> int | None:
    """Where the compressed data set of a deflated file starts, or None when it is not deflated."""
    stream.seek(0)
    meta = read_partial(stream, stop_when=lambda tag, vr, length: True).file_meta
    if str(meta.get("TransferSyntaxUID", "")) != DEFLATED:
        return None
    return 132 + 12 + int(meta.FileMetaInformationGroupLength)


def _deflated_header(source: Source, start: int) -> Header:
    """Header of a deflated file, whose source then gives the inflated data set each time that it is read."""
    data = inflate(source.read(start, source.size))
    inflated = Inflated(source, start, len(data), source.name)
    try:
        found = walk_explicit(data, len(data), 0, {}, DEFLATED)
        header = Header(inflated, found.values, DEFLATED, found.pixel_offset, found.pixel_length)
        if header.text(tags.SOP_CLASS) not in MULTI_FRAME and (tags.number(found.values.get(tags.FRAMES)) or 1) == 1:
            return header
    except (Odd, NeedMore):
        pass
    stream = BytesIO(data)
    end = _End(stream)
    dataset = read_dataset(stream, False, True, stop_when=end)
    out = _header(inflated, dataset, end.place(stream, dataset))
    out.syntax = DEFLATED
    return out


def _header(source: Source, dataset: Dataset, end: _End) -> Header:
    meta = getattr(dataset, "file_meta", None)
    syntax = str(meta.get("TransferSyntaxUID", "")) if meta is not None else ""
    implicit, little = dataset.original_encoding
    if not syntax:
        syntax = IMPLICIT if implicit else EXPLICIT if little is not False else BIG_ENDIAN
    values: dict[int, bytes] = {}
    for tag in tags.WANTED:
        if tag >> 16 == 2:
            if meta is not None and tag in meta:
                values[tag] = str(meta[tag].value).encode("ascii", "replace")
        elif tag in dataset:
            raw = _stored(dataset, tag, little=little is not False)
            if raw is not None:
                values[tag] = raw
    offset, length = (end.offset, end.length) if end.tag == tags.PIXELS else (-1, 0)
    if end.tag not in (0, tags.PIXELS):
        values[end.tag] = b""
    known = None if length == _UNDEFINED else length
    return Header(source, values, syntax, offset, known, little is False, _frames(dataset))


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
    stated = tags.number(str(dataset.get("NumberOfFrames", 1)).encode())
    if stated != len(items):
        raise Unreadable(f"it counts {stated or 0:.0f} frames and describes {len(items)}")
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
