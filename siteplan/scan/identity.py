"""Who the patient is, and how that is kept out of everything else."""

import re
from collections.abc import Callable, Iterable
from dataclasses import replace

from siteplan.scan import tags
from siteplan.scan.findings import ScanFinding
from siteplan.scan.header import Header
from siteplan.scan.volume import Patient

_SHORTEST = 3
"""Parts of a name shorter than this are not looked for in file names; they would match anything."""

_PLAIN_CHARSETS = frozenset({"", "ISO_IR 6", "ISO 2022 IR 6", "ISO_IR 100", "ISO_IR 192"})


def decoded(header: Header, tag: int) -> str:
    """Text that may hold any character set (DICOM PS3.5 section 6.1); "" when absent, never an error."""
    raw = header.values.get(tag, b"")
    charset = header.text(tags.CHARACTER_SET)
    if raw.isascii() and b"\x1b" not in raw:
        out = raw.decode("ascii")
    elif charset in _PLAIN_CHARSETS:
        out = raw.decode("latin-1" if charset == "ISO_IR 100" else "utf-8", "replace")
    else:
        out = _by_pydicom(raw, charset)
    return "".join(letter for letter in out if letter.isprintable()).strip()


def _by_pydicom(raw: bytes, charset: str) -> str:
    import warnings

    from pydicom.charset import convert_encodings, decode_bytes

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return str(decode_bytes(raw, convert_encodings(charset.split("\\")), {ord("\\"), ord("^"), ord("=")}))
    except Exception:
        # An unknown or misspelt character set must not stop the reading of a scan.
        return raw.decode("latin-1")


def patient_of(header: Header) -> Patient:
    """Identity as one file gives it."""
    return Patient(
        decoded(header, tags.PATIENT_NAME),
        decoded(header, tags.PATIENT_ID),
        header.text(tags.BIRTH_DATE),
        header.text(tags.SEX),
    )


def described(header: Header) -> str:
    """Series Description, without the patient's name should somebody have typed it there."""
    return without_names([patient_of(header)])(decoded(header, tags.SERIES_DESCRIPTION))


def kept_private(headers: Iterable[Header]) -> Callable[[ScanFinding], ScanFinding]:
    """A function that takes patients' names and numbers out of the place of a finding; file names often hold them."""
    distinct = {(h.values.get(tags.PATIENT_NAME), h.values.get(tags.PATIENT_ID)): h for h in headers}
    masked = without_names([patient_of(header) for header in distinct.values()])
    return lambda finding: replace(finding, where=masked(finding.where))


def without_names(patients: Iterable[Patient]) -> Callable[[str], str]:
    """A function that puts *** for every part of the patients' names and for their numbers."""
    parts: set[str] = set()
    for patient in patients:
        parts.update(re.split(r"[\^=\s,._]+", patient.name))
        parts.add(patient.identifier)
    hidden = sorted((re.escape(part) for part in parts if len(part) >= _SHORTEST), key=lambda part: (-len(part), part))
    if not hidden:
        return lambda text: text
    pattern = re.compile(rf"(?<![a-z])(?:{'|'.join(hidden)})(?![a-z])", re.IGNORECASE)
    return lambda text: pattern.sub("***", text)
