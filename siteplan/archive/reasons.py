"""Why an archive did not take an object, in words. The codes are those of DICOM PS3.4 table B.2-1 and PS3.7 annex C."""

_EXACT = {
    0x0110: "the archive failed while it processed the object",
    0x0117: "the archive finds a UID in it that is not valid",
    0x0122: "the archive does not support objects of this kind",
    0x0124: "the archive does not let us store",
    0x0131: "the archive does not support the encoding of the object",
    0xC122: "the archive does not support the encoding of the object",
}
_BY_BYTE = {
    0xA7: "the archive is out of room or memory",
    0xA9: "the archive finds that the object is not what it says it is",
}
WARNING = 0xB0
"""First byte of statuses with which an object was stored, with a remark."""


def reason(code: int) -> str:
    """A sentence part for a failure status, with the code for those who run the archive."""
    if code in _EXACT:
        said = _EXACT[code]
    elif code >> 8 in _BY_BYTE:
        said = _BY_BYTE[code >> 8]
    elif code >> 12 == 0xC:
        said = "the archive cannot understand the object"
    else:
        said = "the archive gives no known reason"
    return f"{said} (status {code:04X})"
