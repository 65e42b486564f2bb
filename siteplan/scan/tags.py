"""The DICOM elements that intake looks at, and how their stored bytes become numbers and text.

Tag numbers and value representations: DICOM PS3.6; text and number strings: PS3.5 section 6.2.
"""

from functools import lru_cache
from math import isfinite

TRANSFER_SYNTAX = 0x00020010
MEDIA_SOP_CLASS = 0x00020002
CHARACTER_SET = 0x00080005
IMAGE_TYPE = 0x00080008
SOP_CLASS = 0x00080016
SOP_INSTANCE = 0x00080018
STUDY_DATE = 0x00080020
SERIES_DATE = 0x00080021
ACQUISITION_DATE = 0x00080022
CONTENT_DATE = 0x00080023
STUDY_TIME = 0x00080030
ACCESSION_NUMBER = 0x00080050
MODALITY = 0x00080060
MANUFACTURER = 0x00080070
STUDY_DESCRIPTION = 0x00081030
SERIES_DESCRIPTION = 0x0008103E
MODEL = 0x00081090
PATIENT_NAME = 0x00100010
PATIENT_ID = 0x00100020
BIRTH_DATE = 0x00100030
SEX = 0x00100040
SCAN_OPTIONS = 0x00180022
SLICE_THICKNESS = 0x00180050
KVP = 0x00180060
PROTOCOL_NAME = 0x00181030
RECONSTRUCTION_DIAMETER = 0x00181100
EXPOSURE_TIME = 0x00181150
TUBE_CURRENT = 0x00181151
EXPOSURE = 0x00181152
STUDY_UID = 0x0020000D
SERIES_UID = 0x0020000E
STUDY_ID = 0x00200010
SERIES_NUMBER = 0x00200011
POSITION = 0x00200032
ORIENTATION = 0x00200037
FRAME_OF_REFERENCE = 0x00200052
IMAGES_IN_ACQUISITION = 0x00201002
SAMPLES = 0x00280002
PHOTOMETRIC = 0x00280004
FRAMES = 0x00280008
ROWS = 0x00280010
COLUMNS = 0x00280011
PIXEL_SPACING = 0x00280030
BITS_ALLOCATED = 0x00280100
BITS_STORED = 0x00280101
HIGH_BIT = 0x00280102
PIXEL_SIGNED = 0x00280103
PADDING = 0x00280120
BURNED_IN = 0x00280301
INTERCEPT = 0x00281052
SLOPE = 0x00281053
RESCALE_TYPE = 0x00281054
LOSSY = 0x00282110
SHARED_GROUPS = 0x52009229
FRAME_GROUPS = 0x52009230
FLOAT_PIXELS = 0x7FE00008
DOUBLE_PIXELS = 0x7FE00009
PIXELS = 0x7FE00010

WANTED = frozenset(
    value for name, value in list(globals().items()) if name.isupper() and isinstance(value, int) and value < 0x30000000
)
"""The elements above whose bytes are kept; the header walk steps over all others."""

_LONGEST_TEXT = 4096
"""Longest stored value that intake looks at, bytes. Sixty times the longest that PS3.5 allows for these elements."""


def text(raw: bytes) -> str:
    """Stored bytes as text: outer blanks and padding removed, bytes that are not ASCII replaced."""
    return _text(raw[:_LONGEST_TEXT])


@lru_cache(maxsize=1024)
def _text(raw: bytes) -> str:
    return raw.decode("ascii", "replace").strip(" \0\r\n\t")


def numbers(raw: bytes) -> tuple[float, ...] | None:
    """Decimal or integer strings parted by backslashes; None when empty or when one is not a finite number."""
    return _numbers(raw[:_LONGEST_TEXT])


@lru_cache(maxsize=8192)
def _numbers(raw: bytes) -> tuple[float, ...] | None:
    try:
        out = tuple(float(part) for part in raw.decode("ascii").strip(" \0").split("\\"))
    except ValueError:
        return None
    return out if all(isfinite(number) for number in out) else None


def number(raw: bytes | None) -> float | None:
    """The first of `numbers`, or None."""
    found = numbers(raw) if raw else None
    return found[0] if found else None


def whole(raw: bytes | None) -> int | None:
    """A two-byte unsigned number (US, little endian), or None when it is absent or of another length."""
    return int.from_bytes(raw, "little") if raw is not None and len(raw) == 2 else None
