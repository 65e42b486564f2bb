"""One file's header: by the quick walk where it is ordinary, by pydicom where it is not."""

from dataclasses import dataclass

from siteplan.scan.source import Source
from siteplan.scan.tags import FRAMES, MEDIA_SOP_CLASS, SOP_CLASS, number, text
from siteplan.scan.walk import NeedMore, Odd, is_dicom, walk

CT = "1.2.840.10008.5.1.4.1.1.2"
ENHANCED_CT = "1.2.840.10008.5.1.4.1.1.2.1"
LEGACY_CT = "1.2.840.10008.5.1.4.1.1.2.2"
CRANIOFACIAL = "1.2.840.10008.5.1.4.1.1.13.1.2"
MULTI_FRAME = frozenset({ENHANCED_CT, LEGACY_CT, CRANIOFACIAL})
VOLUMES = MULTI_FRAME | {CT}
"""SOP classes that are read as a volume (DICOM PS3.4 table B.5-1)."""

_FIRST_READ = 8192
_LONGEST_HEADER = 64 << 20
"""Bytes of header that the quick walk will look at before it leaves the file to pydicom."""


@dataclass(frozen=True, slots=True)
class FrameGroups:
    """What the functional groups say of one frame (PS3.3 C.7.6.16); None where they say nothing."""

    position: tuple[float, ...] | None
    orientation: tuple[float, ...] | None
    spacing: tuple[float, ...] | None
    slope: float | None
    intercept: float | None
    rescale_type: str
    thickness: float | None


@dataclass(slots=True)
class Header:
    """What intake keeps of one file.

    Attributes:
        source: its bytes; for a deflated file the inflated ones.
        values: stored bytes by tag, binary numbers as little endian.
        syntax: Transfer Syntax UID.
        pixel_offset: where Pixel Data starts in `source`, -1 when there is none.
        pixel_length: bytes, None when encapsulated.
        big_endian: the pixels are stored with the high byte first.
        frames: one entry for each frame of a multi-frame file with functional groups.
        places: offset and length of every compressed fragment by frame, once somebody asked for them.
    """

    source: Source
    values: dict[int, bytes]
    syntax: str
    pixel_offset: int
    pixel_length: int | None
    big_endian: bool = False
    frames: tuple[FrameGroups, ...] = ()
    places: list[list[tuple[int, int]]] | None = None

    def text(self, tag: int) -> str:
        """The element as text, "" when absent."""
        raw = self.values.get(tag)
        return text(raw) if raw else ""


class NotDicom(Exception):
    """The file is something else. Never leaves the scan room."""


class Unreadable(Exception):
    """It looks like DICOM but cannot be read; the message says why, without any value. Never leaves the scan room."""


def read_header(source: Source) -> Header:
    """The header of one file, without its pixels.

    Raises:
        NotDicom: some other kind of file.
        Unreadable: a broken DICOM file, or one that the system does not let us read.
    """
    try:
        head = source.read(0, _FIRST_READ)
        header = _walked(source, head)
    except OSError as error:
        raise Unreadable(error.strerror or str(error)) from error
    except Odd:
        from siteplan.scan.by_pydicom import header_by_pydicom

        return header_by_pydicom(source, head)
    return header


def _walked(source: Source, head: bytes) -> Header:
    while True:
        try:
            found = walk(head, source.size)
            break
        except NeedMore:
            if len(head) >= min(source.size, _LONGEST_HEADER):
                raise Odd("a header without end") from None
            wider = source.read(0, len(head) * 8)
            if len(wider) <= len(head):
                raise Odd("the file is shorter than its stated size") from None
            head = wider
    header = Header(source, found.values, found.syntax, found.pixel_offset, found.pixel_length)
    if header.text(SOP_CLASS) in MULTI_FRAME or (number(found.values.get(FRAMES)) or 1) != 1:
        raise Odd("several frames")
    return header


def is_volume(header: Header) -> bool:
    """Whether the file says that it is part of a CT volume."""
    return (header.text(SOP_CLASS) or header.text(MEDIA_SOP_CLASS)) in VOLUMES


def looks_like_dicom(head: bytes) -> bool:
    """Whether a file is worth handing to pydicom.

    Besides the DICM mark, old exports without it are recognised by their first element, which is then of group
    0002 or 0008 (little or big endian) with an element number that can come first.
    """
    if is_dicom(head):
        return True
    if len(head) < 8:
        return False
    little = head[:2] in (b"\x02\x00", b"\x08\x00") and head[3] == 0
    return little or (head[:2] == b"\x00\x08" and head[2] == 0)
