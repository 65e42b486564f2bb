"""A quick walk over the elements of an ordinary DICOM header.

It knows implicit and explicit little endian, with nested sequences of defined or undefined length (DICOM PS3.5
sections 7.1 and 7.5). On anything that is not plainly that it raises `Odd`, and `pydicom` reads the file instead:
speed is worth having only where the two cannot differ.
"""

from dataclasses import dataclass
from struct import Struct

from siteplan.scan.tags import FLOAT_PIXELS, PIXELS, TRANSFER_SYNTAX, WANTED

IMPLICIT = "1.2.840.10008.1.2"
EXPLICIT = "1.2.840.10008.1.2.1"
BIG_ENDIAN = "1.2.840.10008.1.2.2"
DEFLATED = "1.2.840.10008.1.2.1.99"
_PREAMBLE = 128
SHORTEST_FILE = _PREAMBLE + 4
"""Bytes before the first element of a file (PS3.10 7.1)."""

_UNDEFINED = 0xFFFFFFFF
_ITEM, _ITEM_END, _SEQUENCE_END = 0xFFFEE000, 0xFFFEE00D, 0xFFFEE0DD
_DEEPEST = 16
"""Nesting of sequences that is followed. Real headers stay below 8 (common practice, no source)."""

_SHORT_VR = frozenset(
    b"AE AS AT CS DA DS DT FL FD IS LO LT PN SH SL SS ST TM UI UL US".split()
)  # two-byte length, PS3.5 table 7.1-2
_LONG_VR = frozenset(b"OB OD OF OL OV OW SQ SV UC UN UR UT UV".split())  # four-byte length, PS3.5 table 7.1-1

_short = Struct("<HH2sH").unpack_from
_long = Struct("<I").unpack_from
_plain = Struct("<HHI").unpack_from


class Odd(Exception):
    """Not an ordinary header: let pydicom read it. Never leaves the scan room."""


class NeedMore(Exception):
    """The header is longer than the bytes at hand. Never leaves the scan room."""


@dataclass(slots=True)
class Walked:
    """What a walk gives.

    Attributes:
        values: stored bytes of the wanted elements that are there, by tag.
        syntax: Transfer Syntax UID.
        pixel_offset: where the value of Pixel Data starts in the file, -1 when there is none.
        pixel_length: its length in bytes, None when it is encapsulated (undefined length).
    """

    values: dict[int, bytes]
    syntax: str
    pixel_offset: int
    pixel_length: int | None


def is_dicom(head: bytes) -> bool:
    """Whether the file starts as PS3.10 wants: 128 bytes of anything, then DICM."""
    return head[_PREAMBLE : _PREAMBLE + 4] == b"DICM"


def walk(head: bytes, size: int) -> Walked:
    """Elements of a file whose first bytes are `head` and whose whole length is `size` bytes.

    Raises:
        NeedMore: the header goes on beyond `head`.
        Odd: this is not an ordinary little endian file.
    """
    values: dict[int, bytes] = {}
    start, syntax = _meta(head, values)
    if syntax == IMPLICIT:
        return _walk_implicit(head, size, start, values)
    if syntax in (BIG_ENDIAN, DEFLATED):
        raise Odd("big endian or deflated")
    return walk_explicit(head, size, start, values, syntax)


def _meta(head: bytes, values: dict[int, bytes]) -> tuple[int, str]:
    """Reads group 0002 into `values`; where the data set starts and its transfer syntax."""
    if not is_dicom(head):
        raise Odd("no DICM mark")
    if len(head) < 144:
        raise Odd("shorter than its own meta header")
    group, element, vr, length = _short(head, 132)
    if (group, element, vr, length) != (2, 0, b"UL", 4):
        raise Odd("meta header without its length")
    pos, end = 144, 144 + _long(head, 140)[0]
    if end > len(head):
        raise Odd("meta header of unusual length")
    while pos < end:
        if pos + 12 > end + 4:
            raise Odd("meta header does not end where it says")
        group, element, vr, length = _short(head, pos)
        body = pos + 8
        if vr in _LONG_VR:
            if body + 4 > end:
                raise Odd("meta header does not end where it says")
            length, body = _long(head, body)[0], body + 4
        elif vr not in _SHORT_VR:
            raise Odd("unknown value representation")
        pos = body + length
        if group != 2 or pos > end:
            raise Odd("meta header does not end where it says")
        tag = 0x00020000 | element
        if tag in WANTED:
            values[tag] = head[body:pos]
    try:
        return end, values[TRANSFER_SYNTAX].rstrip(b"\0 ").decode("ascii")
    except (KeyError, UnicodeDecodeError):
        raise Odd("no transfer syntax") from None


def walk_explicit(head: bytes, size: int, pos: int, values: dict[int, bytes], syntax: str) -> Walked:
    """The data set from `pos` on, explicit little endian. See `walk`."""
    available, last, wanted = len(head), 0, WANTED
    while pos < size:
        if pos + 12 > available:
            if available < size:
                raise NeedMore
            if pos + 8 > available:
                raise Odd("ends inside an element")
        group, element, vr, length = _short(head, pos)
        tag = group << 16 | element
        if tag <= last:
            raise Odd("elements out of order")
        last = tag
        body = pos + 8
        if vr not in _SHORT_VR:
            if vr not in _LONG_VR or body + 4 > available:
                raise Odd("unknown value representation")
            length, body = _long(head, body)[0], body + 4
        if tag >= FLOAT_PIXELS:
            return _pixels(values, syntax, tag, body, length)
        if length == _UNDEFINED:
            if vr != b"SQ":
                raise Odd("undefined length outside a sequence")
            pos = _skip_sequence(head, size, body, explicit=True, depth=0)
            continue
        pos = _next(body, length, size)
        if tag in wanted:
            if pos > available:
                raise NeedMore
            values[tag] = head[body:pos]
    return Walked(values, syntax, -1, 0)


def _walk_implicit(head: bytes, size: int, pos: int, values: dict[int, bytes]) -> Walked:
    available, last = len(head), 0
    if head[pos + 4 : pos + 6] in _SHORT_VR:
        raise Odd("says implicit, looks explicit")
    while pos < size:
        if pos + 8 > available:
            if available < size:
                raise NeedMore
            raise Odd("ends inside an element")
        group, element, length = _plain(head, pos)
        tag = group << 16 | element
        if tag <= last:
            raise Odd("elements out of order")
        last = tag
        body = pos + 8
        if tag >= FLOAT_PIXELS:
            return _pixels(values, IMPLICIT, tag, body, length)
        if length == _UNDEFINED:
            pos = _skip_sequence(head, size, body, explicit=False, depth=0)
            continue
        pos = _next(body, length, size)
        if tag in WANTED:
            if pos > available:
                raise NeedMore
            values[tag] = head[body:pos]
    return Walked(values, IMPLICIT, -1, 0)


def _next(body: int, length: int, size: int) -> int:
    """Where the next element starts."""
    if length & 1 or body + length > size:
        raise Odd("a length that cannot be")
    return body + length


def _pixels(values: dict[int, bytes], syntax: str, tag: int, body: int, length: int) -> Walked:
    if tag != PIXELS:
        values[tag] = b""
        return Walked(values, syntax, -1, 0)
    return Walked(values, syntax, body, None if length == _UNDEFINED else length)


def _skip_sequence(head: bytes, size: int, pos: int, *, explicit: bool, depth: int) -> int:
    """Position after a sequence of undefined length whose first item is at `pos`."""
    if depth > _DEEPEST:
        raise Odd("sequences nested too deep")
    while True:
        group, element, length = _item_head(head, size, pos)
        tag = group << 16 | element
        if tag == _SEQUENCE_END and length == 0:
            return pos + 8
        if tag != _ITEM:
            raise Odd("a sequence holds something that is not an item")
        if length == _UNDEFINED:
            pos = _skip_item(head, size, pos + 8, explicit=explicit, depth=depth)
        else:
            pos = _next(pos + 8, length, size)


def _skip_item(head: bytes, size: int, pos: int, *, explicit: bool, depth: int) -> int:
    """Position after an item of undefined length whose first element is at `pos`."""
    while True:
        group, element, length = _item_head(head, size, pos)
        tag = group << 16 | element
        if tag == _ITEM_END and length == 0:
            return pos + 8
        body = pos + 8
        if explicit:
            _, _, vr, length = _short(head, pos)
            if vr in _LONG_VR:
                if body + 4 > len(head):
                    raise NeedMore if len(head) < size else Odd("ends inside an element")
                length, body = _long(head, body)[0], body + 4
            elif vr not in _SHORT_VR:
                raise Odd("unknown value representation")
            if length == _UNDEFINED and vr != b"SQ":
                raise Odd("undefined length outside a sequence")
        if length == _UNDEFINED:
            pos = _skip_sequence(head, size, body, explicit=explicit, depth=depth + 1)
        else:
            pos = _next(body, length, size)


def _item_head(head: bytes, size: int, pos: int) -> tuple[int, int, int]:
    if pos + 8 > len(head):
        raise NeedMore if len(head) < size else Odd("ends inside a sequence")
    group, element, length = _plain(head, pos)
    return group, element, length
