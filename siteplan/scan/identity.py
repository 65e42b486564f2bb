"""Who the patient is, and how that is kept out of everything else."""

import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import permutations

from siteplan.scan import tags
from siteplan.scan.findings import ScanFinding
from siteplan.scan.header import Header
from siteplan.scan.volume import Patient

_SHORTEST = 3
"""Parts of a name shorter than this count only where they stand alone; within words they would match anything."""

_LONG_PART = 5
"""Characters from which a part of a patient's number is telling by itself. Own bound."""

_MOST_JOINED = 6
"""Parts of a name that are also looked for run together, two at a time."""

_WORD = re.compile(r"[^\W_]+")
_WRITTEN_OUT = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue", "ø": "oe"})

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


def free_text(header: Header, tag: int) -> str:
    """An element that people or devices fill, without the patient's name should somebody have typed it there."""
    typed = decoded(header, tag)
    return without_names([patient_of(header)])(typed) if typed else ""


def kept_private(headers: Iterable[Header]) -> Callable[[ScanFinding], ScanFinding]:
    """A function that takes patients' names and numbers out of the place of a finding; file names often hold them."""
    who = (tags.PATIENT_NAME, tags.PATIENT_ID, tags.BIRTH_DATE)
    distinct = {tuple(header.values.get(tag) for tag in who): header for header in headers}
    masked = without_names([patient_of(header) for header in distinct.values()])
    return lambda finding: replace(finding, where=masked(finding.where))


def without_names(patients: Iterable[Patient], *, short_parts: bool = True) -> Callable[[str], str]:
    """A function that puts *** for every part of the patients' names, for their numbers and dates of birth.

    Found in upper or lower case, with accents or without, composed or not, run together, and with umlauts written out.

    Args:
        short_parts: also parts of one or two letters. They are words of many languages too, so a text that is refused
            for naming the patient, instead of being masked, is asked without them.
    """
    hidden: set[str] = set()
    for patient in patients:
        hidden.update(_name_patterns(patient.name, short_parts=short_parts))
        hidden.update(_bounded(one) for one in _number_spellings(patient.identifier))
        hidden.update(_birth_patterns(patient.birth_date))
    if not hidden:
        return lambda text: text
    pattern = re.compile("|".join(sorted(hidden, key=lambda part: (-len(part), part))), re.IGNORECASE)
    return lambda text: pattern.sub("***", text)


def _name_patterns(name: str, *, short_parts: bool) -> set[str]:
    """Regular expressions for the parts of one name (DICOM PS3.5 6.2: parted by ^ and =, often by other signs)."""
    name = unicodedata.normalize("NFC", name)
    whole = [part for part in re.split(r"[\^=\s,._]+", name) if part]
    words = list(dict.fromkeys([*whole, *_WORD.findall(name), *("".join(_WORD.findall(part)) for part in whole)]))
    joined = ["".join(pair) for pair in permutations(words[:_MOST_JOINED], 2) if all(len(one) > 1 for one in pair)]
    out: set[str] = set()
    for word in words:
        if len(word) >= _SHORTEST:
            out.update(_bounded(spelling) for spelling in _spellings(word))
        elif short_parts and _without_case(word):
            out.add(re.escape(word))
        elif short_parts and len(word) > 1:
            out.update(rf"(?<![^\W_]){re.escape(spelling)}(?![^\W_])" for spelling in _spellings(word))
    return out | {_bounded(spelling) for word in joined for spelling in _spellings(word)}


def _spellings(word: str) -> set[str]:
    """A word as file names spell it: composed, decomposed, without accents, with umlauts written out."""
    apart = unicodedata.normalize("NFD", word)
    bare = "".join(letter for letter in apart if not unicodedata.combining(letter))
    return {word, apart, bare, word.translate(_WRITTEN_OUT)}


def _number_spellings(identifier: str) -> set[str]:
    """A patient's number as it is, without the signs between its parts, and its long parts with a digit alone.

    A part of letters only is the name of a clinic or a word ("LOWER"), and a patient's own name is sought by itself.
    """
    parts = _WORD.findall(identifier)
    alone = (part for part in parts if len(part) >= _LONG_PART and any(letter.isdigit() for letter in part))
    found = {identifier, "".join(parts), *alone}
    return {one for one in found if len(one) >= _SHORTEST}


def _birth_patterns(birth_date: str) -> set[str]:
    """A date of birth (YYYYMMDD) in the usual orders, with or without a sign between its parts."""
    if len(birth_date) != 8 or not birth_date.isdigit():
        return set()
    year, month, day = birth_date[:4], birth_date[4:6], birth_date[6:]
    orders = ((year, month, day), (day, month, year), (month, day, year))
    return {rf"(?<!\d){'[-._ /]?'.join(order)}(?!\d)" for order in orders}


def _bounded(part: str) -> str:
    """The part where no letter goes on before or after it; in a script without case, anywhere."""
    return re.escape(part) if _without_case(part) else rf"(?<![^\W\d_]){re.escape(part)}(?![^\W\d_])"


def _without_case(word: str) -> bool:
    """Whether it is written in a script that knows neither capitals nor, as a rule, blanks between words."""
    letters = [letter for letter in word if letter.isalpha()]
    return bool(letters) and not any(letter.isupper() or letter.islower() for letter in letters)
