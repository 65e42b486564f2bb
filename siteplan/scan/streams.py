"""What a compressed stream says of itself, looked at before any decoder gets it.

A decoder believes the stream; so a stream whose size differs from the DICOM header is refused here, and one that was
coded with loss is noticed even where the header does not admit it. Marker layouts: ISO/IEC 10918-1 annex B (JPEG),
14495-1 annex C (JPEG-LS), 15444-1 annex A (JPEG 2000).
"""

from dataclasses import dataclass

_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC} | {0xF7}
_LOSSLESS_JPEG = frozenset({0xC3, 0xC7, 0xCB, 0xCF})
_PADDED = 64
"""Bytes at the end of a stream in which its end mark must be; fragments are padded to even length (PS3.5 A.4),
by some writers with FF."""

_BARE = frozenset({0x01, *range(0xD0, 0xD8)})


@dataclass(frozen=True, slots=True)
class StreamFacts:
    """Size, bits per sample, samples per pixel, sign and loss of one compressed image."""

    rows: int
    columns: int
    bits: int
    samples: int
    signed: bool
    lossy: bool


@dataclass(frozen=True, slots=True)
class Stream:
    """What was noticed of one compressed stream: coded with loss; holding more than its image needs."""

    lossy: bool = False
    strange: bool = False


PLAIN = Stream()
"""Pixels that are not compressed."""


def facts_of_stream(data: bytes) -> StreamFacts:
    """Facts of a JPEG, JPEG-LS or JPEG 2000 stream.

    Raises:
        OSError: it is none of these, or ends inside its headers.
    """
    try:
        if data[:2] == b"\xff\xd8":
            return _jpeg(data)
        start = data.find(b"\xff\x4f\xff\x51", 0, 4096)
        if start >= 0:
            return _jpeg2000(data, start)
    except IndexError:
        raise OSError("its compressed stream is cut short") from None
    raise OSError("its compressed stream has no known start")


def _two(data: bytes, at: int) -> int:
    return data[at] << 8 | data[at + 1]


def _four(data: bytes, at: int) -> int:
    return _two(data, at) << 16 | _two(data, at + 2)


def _jpeg(data: bytes) -> StreamFacts:
    at, frame = 2, None
    while True:
        if data[at] != 0xFF:
            raise OSError("its compressed stream is damaged")
        mark = data[at + 1]
        if mark == 0xFF or mark in _BARE:
            at += 1 if mark == 0xFF else 2
            continue
        if mark == 0xDA or mark == 0xD9:
            break
        if mark in _FRAMES:
            frame = (mark, data[at + 4], _two(data, at + 5), _two(data, at + 7), data[at + 9])
        at += 2 + max(_two(data, at + 2), 2)
    if frame is None:
        raise OSError("its compressed stream is damaged")
    if not data[-_PADDED:].rstrip(b"\0\xff").endswith(b"\xff\xd9"):
        # Decoders of lossless JPEG fill up what is missing and say nothing.
        raise OSError("its compressed stream is cut short")
    kind, bits, rows, columns, samples = frame
    lossy = data[at + 5 + 2 * data[at + 4]] != 0 if kind == 0xF7 and mark == 0xDA else kind not in _LOSSLESS_JPEG
    return StreamFacts(rows, columns, bits, samples, False, lossy)


def _jpeg2000(data: bytes, start: int) -> StreamFacts:
    size = start + 4
    samples = _two(data, size + 36)
    if not samples or _four(data, size + 20) == 0 or _four(data, size + 24) == 0:
        raise OSError("its compressed stream is damaged")
    columns, rows = _four(data, size + 4) - _four(data, size + 12), _four(data, size + 8) - _four(data, size + 16)
    depth = data[size + 38]
    at = start + 2
    lossy = False
    while (mark := _two(data, at)) not in (0xFF90, 0xFFD9):  # first tile, end
        if mark >> 8 != 0xFF:
            raise OSError("its compressed stream is damaged")
        if mark == 0xFF52:  # coding style: the wavelet is its last number, 0 for the one that loses
            lossy = data[at + 13] == 0
        at += 2 + max(_two(data, at + 2), 2)
    _check_tile_parts(data, at)
    return StreamFacts(rows, columns, (depth & 0x7F) + 1, samples, bool(depth & 0x80), lossy)


def _check_tile_parts(data: bytes, at: int) -> None:
    """Follows the lengths of the tile-parts to the end of the stream: lost or added bytes break the chain (A.4.2).

    Decoders go on after such a break and say nothing. The end mark itself is left out by some writers.

    Raises:
        OSError: the chain is broken, or goes on beyond the data.
    """
    while at < len(data) and (mark := data[at : at + 2]) == b"\xff\x90":
        length = _four(data, at + 6)
        if length == 0:  # up to the end mark
            if not data[-_PADDED:].rstrip(b"\0\xff").endswith(b"\xff\xd9"):
                raise OSError("its compressed stream is cut short")
            return
        if length < 14 or at + length > len(data):
            raise OSError("its compressed stream is cut short")
        at += length
    else:
        if at < len(data) and mark != b"\xff\xd9" and data[at:].strip(b"\0"):
            raise OSError("its compressed stream is damaged")
