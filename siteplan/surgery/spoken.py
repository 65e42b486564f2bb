"""From what is typed at the chair to an entry: short words, forgiving about commas and units, strict about numbers."""

import re
from dataclasses import dataclass, replace

from siteplan.surgery.entries import Entry, Kind
from siteplan.surgery.seating_plan import SeatingError


@dataclass(frozen=True)
class Word:
    """One word of the dialogue.

    Attributes:
        form: how it is typed, for the help. says: what it means.
        numbers: names of the entry's fields that its numbers fill, in order; how many of them must be given.
    """

    kind: Kind
    form: str
    says: str
    numbers: tuple[str, ...] = ()
    needed: int = 0
    text: bool = False


WORDS: dict[str, Word] = {
    "hand": Word(Kind.TURNED_BY_HAND, "hand TURNS", "turned in by hand until it stopped", ("turns",), 1),
    "click": Word(
        Kind.CLICKED, "click NCM TURNS", "clicked at this setting after so many turns", ("torque_Ncm", "turns"), 2
    ),
    "in": Word(Kind.TURNED_IN, "in TURNS", "turned in without a click", ("turns",), 1),
    "back": Word(Kind.BACKED_OUT, "back TURNS", "backed out", ("turns",), 1),
    "gum": Word(
        Kind.MARK_AT_GUM, "gum [TURNS [NCM]] [mark MM]",
        "the tool's mark meets the gum (or crest), after so many turns; which mark, above the platform",
        ("turns", "torque_Ncm"),
    ),
    "depth": Word(Kind.DEPTH_CONFIRMED, "depth [MM]", "depth checked; or so far the mark is above the gum",
                  ("above_gum_mm",)),
    "torque": Word(Kind.FINAL_TORQUE, "torque NCM", "the final torque", ("torque_Ncm",), 1),
    "out": Word(Kind.TAKEN_OUT, "out", "taken out of the hole"),
    "opened": Word(Kind.OPENED, "opened DRILL", "used this drill of the card", text=True),
    "keep": Word(Kind.KEPT, "keep", "stays in without load"),
    "end": Word(Kind.ENDED, "end", "ended without a fixture"),
    "drilled": Word(Kind.DRILLED, "drilled DRILL", "this drill was really used", text=True),
    "thick": Word(Kind.GUM_MEASURED, "thick MM", "the gum is so thick here, measured now", ("gum_mm",), 1),
    "lot": Word(Kind.LOT, "lot TEXT", "lot number of the fixture", text=True),
    "felt": Word(Kind.FELT, "felt CLASS", "how the bone felt to the drill, e.g. D3", text=True),
    "note": Word(Kind.NOTE, "note TEXT", "anything else", text=True),
}  # fmt: skip
"""What can be typed, in the order in which it is needed. `with`, `undo` and `correct` are read apart."""

_EXTRA = re.compile(r"^(.*?)\s+(above|mark)\s+(\S+)\s*(?:mm)?$", re.IGNORECASE)
_EXTRA_FIELD = {"above": "above_gum_mm", "mark": "mark_mm"}
_UNITS = re.compile(r"(?<=\d)\s*(?:n[\s.·]?cm|turns?|mm)\b", re.IGNORECASE)


def parse(typed: str) -> Entry:
    """The entry that a line means. `hand 3 above 7.5` adds how far the mark stands above the gum,
    `gum 1 mark 4` which mark met it.

    Raises:
        SeatingError: the word is not known, or its numbers are missing or wrong.
    """
    first, _, rest = typed.strip().partition(" ")
    word = WORDS.get(first.lower())
    if word is None:
        raise SeatingError(f"{first!r} is not known here; type 'help' for the words that are.")
    if word.text:
        return Entry(word.kind, text=rest.strip())
    extra = _EXTRA.match(f"{first} {rest}") if "above_gum_mm" not in word.numbers else None
    if extra:
        rest = extra.group(1).partition(" ")[2]
    given = [number(part) for part in _UNITS.sub("", rest).split()]
    if word.kind is Kind.TAKEN_OUT and given:
        raise SeatingError(f"'out' means taken out of the hole; if it was backed out, type 'back {given[0]:g}'.")
    if not word.needed <= len(given) <= len(word.numbers):
        raise SeatingError(f"type it as '{word.form}': {word.says}.")
    values = dict(zip(word.numbers, given, strict=False))
    if extra:
        name = _EXTRA_FIELD[extra.group(2).lower()]
        if name == "mark_mm" and word.kind is not Kind.MARK_AT_GUM:
            raise SeatingError("'mark MM' belongs to 'gum'; type 'above MM' for how far the mark stands above it.")
        values[name] = number(extra.group(3))
    return Entry(word.kind, **values)  # type: ignore[arg-type]  # the names come from the table above


def typed_as(kind: Kind) -> str:
    """How an entry of this kind is typed: "click NCM TURNS"; another fixture is placed by "with FIXTURE"."""
    return next((word.form for word in WORDS.values() if word.kind is kind), "with FIXTURE")


def parse_correction(typed: str) -> Entry:
    """`correct NUMBER WORD ...`: entry NUMBER again, with what should have been typed.

    Raises:
        SeatingError: no number, or the rest is no entry.
    """
    parts = typed.strip().split(maxsplit=2)
    if len(parts) < 3:
        raise SeatingError("type it as 'correct NUMBER WORD ...', e.g. 'correct 4 click 35 2'.")
    again = parse(parts[2])
    return replace(again, kind=Kind.CORRECTION, of=whole(parts[1]))


def whole(text: str) -> int:
    """A whole number. Raises SeatingError."""
    try:
        return int(text)
    except ValueError:
        raise SeatingError(f"{text!r} is no number of an entry; type 'list' to see them.") from None


def number(text: str) -> float:
    """A number, with a point or a comma. Raises SeatingError."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise SeatingError(f"a number is needed, not {text!r}.") from None
