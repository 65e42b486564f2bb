"""Compressed pixel data comes in fragments (DICOM PS3.5 annex A.4): which bytes belong to which frame."""

from collections.abc import Sequence
from struct import Struct

from siteplan.scan.header import Header
from siteplan.scan.slices import frame_count
from siteplan.scan.source import Source

_ITEM, _END = 0xFFFEE000, 0xFFFEE0DD
_head = Struct("<HHI").unpack_from
_MOST_FRAGMENTS = 200_000

Place = tuple[int, int]
"""Offset and length of a fragment."""


def frame_bytes(header: Header, frame: int) -> bytes:
    """The compressed stream of one frame.

    Raises:
        OSError: fragments are damaged, cut short, or cannot be told apart into frames.
    """
    source = header.source
    frames = len(header.frames) or frame_count(header)
    if frames == 1:
        data = source.read(header.pixel_offset, source.size)
        return _joined(_fragments(_Bytes(data), 0, len(data))[1:], _Bytes(data))
    if header.places is None:
        header.places = _by_frame(source, _fragments(source, header.pixel_offset, source.size), frames)
    return _joined(header.places[frame], source)


class _Bytes:
    """Bytes with the reading side of a source."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def read(self, offset: int, length: int) -> bytes:
        return self._data[offset : offset + length]


def _joined(places: Sequence[Place], source: "Source | _Bytes") -> bytes:
    parts = [source.read(*place) for place in places]
    if any(len(part) != place[1] for part, place in zip(parts, places, strict=True)):
        raise OSError("its compressed data are cut short")
    return parts[0] if len(parts) == 1 else b"".join(parts)


def _fragments(source: "Source | _Bytes", pos: int, end: int) -> list[Place]:
    """All items from `pos` on, the offset table first."""
    out: list[Place] = []
    while pos + 8 <= end:
        group, element, length = _head(source.read(pos, 8))
        tag = group << 16 | element
        if tag == _END:
            break
        if tag != _ITEM or pos + 8 + length > end or len(out) > _MOST_FRAGMENTS:
            raise OSError("its compressed data are damaged or cut short")
        out.append((pos + 8, length))
        pos += 8 + length
    if len(out) < 2:
        raise OSError("it holds no compressed data")
    return out


def _by_frame(source: Source, items: list[Place], frames: int) -> list[list[Place]]:
    """Fragments sorted into frames: one each, by the offset table, or by the marks that start a stream."""
    table, fragments = items[0], items[1:]
    if len(fragments) == frames:
        return [[place] for place in fragments]
    if table[1] == 4 * frames:
        raw = source.read(*table)
        starts = [int.from_bytes(raw[at : at + 4], "little") + fragments[0][0] for at in range(0, len(raw), 4)]
    else:
        marks = (b"\xff\xd8\xff", b"\xff\x4f\xff", b"\x00\x00\x00")
        starts = [place[0] for place in fragments if source.read(place[0], 3) in marks]
    known = {start: at for at, start in enumerate(starts)}
    if len(starts) != frames or len(known) != frames or starts[0] != fragments[0][0] or starts != sorted(starts):
        raise OSError("its compressed data cannot be told apart into frames")
    out: list[list[Place]] = []
    for place in fragments:
        if place[0] in known:
            out.append([])
        out[-1].append(place)
    if len(out) != frames:
        raise OSError("its compressed data cannot be told apart into frames")
    return out
