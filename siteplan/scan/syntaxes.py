"""The transfer syntaxes that are read (DICOM PS3.5 annex A), each with its decoder: one plain table."""

from siteplan.scan.walk import BIG_ENDIAN, DEFLATED, EXPLICIT, IMPLICIT

NATIVE = frozenset({IMPLICIT, EXPLICIT, BIG_ENDIAN, DEFLATED})

CODECS: dict[str, str] = {
    "1.2.840.10008.1.2.5": "rle",
    "1.2.840.10008.1.2.4.50": "jpeg",
    "1.2.840.10008.1.2.4.51": "jpeg",
    "1.2.840.10008.1.2.4.57": "jpeg",
    "1.2.840.10008.1.2.4.70": "jpeg",
    "1.2.840.10008.1.2.4.80": "jpegls",
    "1.2.840.10008.1.2.4.81": "jpegls",
    "1.2.840.10008.1.2.4.90": "jpeg2000",
    "1.2.840.10008.1.2.4.91": "jpeg2000",
    "1.2.840.10008.1.2.4.201": "htj2k",
    "1.2.840.10008.1.2.4.202": "htj2k",
    "1.2.840.10008.1.2.4.203": "htj2k",
}
"""Decoder by Transfer Syntax UID."""

LOSSY = frozenset({"1.2.840.10008.1.2.4.50", "1.2.840.10008.1.2.4.51"})
"""Always lossy. Near-lossless JPEG-LS (.81), JPEG 2000 (.91) and HTJ2K (.203) may hold either: `decode` looks into
their streams, and the file must state it in Lossy Image Compression (0028,2110)."""


def is_compressed(syntax: str) -> bool:
    """Whether pixels come as fragments of a compressed stream."""
    return syntax not in NATIVE


def decodable(syntax: str) -> bool:
    """Whether pixels in this transfer syntax can be read at all."""
    return syntax in NATIVE or syntax in CODECS


def damage_spreads(syntax: str) -> bool:
    """Whether a damaged byte spoils more than its own pixel without the decoder saying so.

    JPEG-LS does neither: its decoder notices nearly every change (measured).
    """
    return CODECS.get(syntax, "jpegls") != "jpegls"
