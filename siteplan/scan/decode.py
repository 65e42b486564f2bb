"""Compressed pixels (DICOM PS3.5 annexes A.4 and G), decoded by imagecodecs.

imagecodecs is BSD, gives back the interpreter lock while it decodes, and comes as a wheel with all of its codecs.
"""

import sys
from struct import Struct
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from siteplan.scan.encapsulated import frame_bytes
from siteplan.scan.slices import Slice
from siteplan.scan.storage import Storage
from siteplan.scan.streams import Stream, StreamFacts, facts_of_stream
from siteplan.scan.syntaxes import CODECS

_rle_head = Struct("<16I").unpack_from
_RLE_HEAD = 64
_RLE_GROWTH = 64
"""PackBits can grow by this factor at most (two bytes for a run of 128, PS3.5 G.3.1)."""


def decode_into(one: Slice, storage: Storage, out: NDArray[Any]) -> Stream:
    """Fills `out` (J, I) with the decoded stored bits of one slice; what its stream was like.

    Raises:
        OSError: the stream is damaged, cut short, or of another size than the header says.
    """
    data = frame_bytes(one.header, one.frame)
    codec = CODECS[one.header.syntax]
    if codec == "rle":
        return Stream(strange=_rle(data, out))
    facts = facts_of_stream(data)
    _compare(facts, storage)
    direct = _same_words(facts, out)
    try:
        decoded = _DECODERS[codec](data, out=direct)
    except Exception as error:
        # Each codec has error classes of its own, all direct children of Exception.
        raise OSError(f"its compressed stream is damaged ({type(error).__name__})") from None
    if decoded.shape != out.shape or decoded.dtype.kind not in "iu" or decoded.itemsize > out.itemsize:
        raise OSError("its compressed stream gives an image of another size or type")
    if decoded is not direct:
        _place(decoded, out)
    _sign(facts, storage, out)
    return Stream(lossy=facts.lossy)


def _same_words(facts: StreamFacts, out: NDArray[Any]) -> NDArray[Any] | None:
    """`out` as the decoder fills it, or None where its numbers are of another width: no copy, no second memory."""
    if out.itemsize != (1 if facts.bits <= 8 else 2 if facts.bits <= 16 else 4) or not out.flags.c_contiguous:
        return None
    return out.view(np.dtype(f"{'i' if facts.signed else 'u'}{out.itemsize}"))


_DECODERS: dict[str, Any] = {
    "jpeg": imagecodecs.jpeg8_decode,
    "jpegls": imagecodecs.jpegls_decode,
    "jpeg2000": imagecodecs.jpeg2k_decode,
    "htj2k": imagecodecs.jpeg2k_decode,  # OpenJPEG: OpenJPH is faster, but its binding swallows errors (measured)
}


def _compare(facts: StreamFacts, storage: Storage) -> None:
    if (facts.rows, facts.columns) != (storage.rows, storage.columns):
        raise OSError(
            f"its compressed stream has {facts.rows} x {facts.columns} pixels, its header {storage.rows} x "
            f"{storage.columns}"
        )
    if facts.samples != 1:
        raise OSError("its compressed stream is in colour")
    if facts.bits > storage.allocated:
        raise OSError(f"its compressed stream has {facts.bits} bits, its header allocates {storage.allocated}")


def _place(decoded: NDArray[Any], out: NDArray[Any]) -> None:
    """Decoded numbers as the bits that an uncompressed file would hold, whatever sign the decoder gave them."""
    bits = np.dtype(f"u{out.itemsize}")
    if decoded.dtype.kind == "i":
        np.copyto(out.view(np.dtype(f"i{out.itemsize}")), decoded)
    else:
        np.copyto(out.view(bits), decoded)


def _sign(facts: StreamFacts, storage: Storage, out: NDArray[Any]) -> None:
    """Extends the sign of a stream that does not know of it."""
    if storage.signed and not facts.signed and facts.bits < storage.stored:
        # The stream holds two's complement of its own width without saying so; its top bit is the sign.
        spare = out.dtype.type(storage.allocated - facts.bits)
        np.left_shift(out, spare, out=out)
        np.right_shift(out, spare, out=out)


def _rle(data: bytes, out: NDArray[Any]) -> bool:
    """Byte planes, the highest first, each PackBits coded (PS3.5 annex G); whether any holds more than the image.

    A damaged count byte shifts all that follows and so changes the length; whole writers give the length exactly, and
    at most one byte of padding.
    """
    if len(data) < _RLE_HEAD:
        raise OSError("its compressed data are cut short")
    count, *offsets = _rle_head(data)
    if count != out.itemsize:
        raise OSError("its compressed data have another number of bytes per pixel")
    ends = [*offsets[1:count], len(data)]
    planes, strange = out.view(np.uint8).reshape(-1, out.itemsize), False
    for at in range(count):
        start, end = offsets[at], ends[at]
        if not _RLE_HEAD <= start < end <= len(data):
            raise OSError("its compressed data are damaged")
        plane = _unpacked(data[start:end], len(planes))
        strange = strange or len(plane) > len(planes) + 1
        planes[:, count - 1 - at if _LITTLE else at] = plane[: len(planes)]
    return strange


def _unpacked(segment: bytes, size: int) -> NDArray[np.uint8]:
    if len(segment) * _RLE_GROWTH < size:
        raise OSError("its compressed data are cut short")
    try:
        got = np.frombuffer(imagecodecs.packbits_decode(segment), dtype=np.uint8)
    except Exception as error:
        raise OSError(f"its compressed data are damaged ({type(error).__name__})") from None
    if len(got) < size:
        raise OSError("its compressed data are cut short")
    return got


_LITTLE = sys.byteorder == "little"
