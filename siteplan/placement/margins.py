"""Margins by kind of structure, each with its source; a user's file replaces what it names."""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from siteplan.anatomy.structure import Kind
from siteplan.errors import LibraryFileError

BUNDLED = Path(__file__).with_name("margins.toml")
"""The margins that come with the package."""

BUCCAL_BONE, LINGUAL_BONE, FIXTURE = "buccal-bone", "lingual-bone", "fixture"
"""Keys of what is kept a distance from without being a structure of a case."""

_KEYS = (*(kind.value for kind in Kind), BUCCAL_BONE, LINGUAL_BONE, FIXTURE)
_CONTACT_KEYS = (Kind.SINUS_FLOOR.value, Kind.NASAL_FLOOR.value)


@dataclass(frozen=True, slots=True)
class Margin:
    """One margin. status: "confirmed", "disputed", "memory", or "user" for a value from a user's file."""

    key: str
    value_mm: float
    status: str
    source: str
    rationale: str
    others: str = ""

    def as_json(self) -> dict[str, Any]:
        """As it appears in results."""
        return {
            "value": self.value_mm,
            "unit": "mm",
            "status": self.status,
            "source": self.source,
            "rationale": self.rationale,
            "others": self.others,
        }


@dataclass(frozen=True, eq=False)
class Margins:
    """All margins, and the limits of planned contact, by key."""

    margins: dict[str, Margin]
    contacts: dict[str, Margin]

    def of(self, kind: Kind | str) -> Margin:
        """The margin to a kind of structure, or to `buccal-bone`, `lingual-bone`, `fixture`."""
        return self.margins[str(kind)]

    def contact(self, kind: Kind | str) -> Margin | None:
        """How far a planned contact may reach behind this kind, or None where none may be planned."""
        return self.contacts.get(str(kind))


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid")

    value: float = Field(ge=0, le=20, allow_inf_nan=False, strict=True)
    unit: Literal["mm"]
    source: str = Field(min_length=1)
    rationale: str = Field(min_length=1)
    status: Literal["confirmed", "disputed", "memory", "user"] = "user"
    others: str = ""


class MarginsFile(BaseModel):
    """A margins file."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    format: int = Field(ge=1, le=1)
    margin: dict[str, _Entry] = Field(default_factory=dict)
    planned_contact: dict[str, _Entry] = Field(default_factory=dict, alias="planned-contact")


def load_margins(extra_file: str | Path | None = None) -> Margins:
    """The margins of the package, with those of the user's file in their place where it names them.

    Raises:
        LibraryFileError: the file cannot be read, names an unknown structure, or leaves something out.
    """
    margins, contacts = _read(BUNDLED)
    if extra_file is not None:
        own, own_contacts = _read(Path(extra_file))
        margins, contacts = margins | own, contacts | own_contacts
    return Margins(margins, contacts)


def margins_schema() -> dict[str, Any]:
    """JSON Schema of a margins file (TOML and JSON share their data model)."""
    return MarginsFile.model_json_schema()


def _read(path: Path) -> tuple[dict[str, Margin], dict[str, Margin]]:
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise LibraryFileError(f"{path}: the margins file cannot be read; it must be a UTF-8 text file.") from error
    except tomllib.TOMLDecodeError as error:
        raise LibraryFileError(f"{path.name}: not valid TOML: {error}.") from error
    try:
        checked = MarginsFile.model_validate(data)
    except ValidationError as error:
        fault = error.errors()[0]
        place = ".".join(str(part) for part in fault["loc"])
        raise LibraryFileError(f"{path.name}: {place}: {_words(fault)}.") from error
    for table, names, known in (
        ("margin", checked.margin, _KEYS),
        ("planned-contact", checked.planned_contact, _CONTACT_KEYS),
    ):
        for name in names:
            if name not in known:
                raise LibraryFileError(
                    f"{path.name}: {table}.{name}: no such structure; use one of {', '.join(known)}."
                )
    for name, entry in checked.margin.items():
        if entry.value == 0:
            raise LibraryFileError(f"{path.name}: margin.{name}.value: {_ABOVE_ZERO}.")
    return _margins(checked.margin), _margins(checked.planned_contact)


_ABOVE_ZERO = (
    "a margin must be above 0 mm, for at 0 mm every touch of a hair's breadth would be kept; where contact is meant, "
    "name the structure under planned_contacts of the site"
)


def _words(fault: Any) -> str:
    """What is wrong with one value, for a person."""
    kind, given, loc = fault["type"], fault["input"], fault["loc"]
    if loc[-1] == "value" and kind == "greater_than_equal":
        if loc[0] == "margin":
            return f"{given:g} is no distance to keep; {_ABOVE_ZERO}"
        return f"{given:g} is no way to go behind a surface; give how far it may be passed, 0 mm or more"
    if loc[-1] == "value" and kind == "less_than_equal":
        return f"{given:g} mm is more than any margin (20 mm at most); the unit is mm"
    if loc[-1] == "value" and kind != "missing":
        return f"a number in mm is needed, not {given!r}"
    if loc == ("format",) and kind != "missing":
        return f"{given!r} is not known; this program reads format 1"
    plain = {
        "missing": "this key is missing; add it",
        "extra_forbidden": "this key is not known",
        "dict_type": "a table is needed here, such as [margin.canal]",
        "model_type": "a table with value, unit, source and rationale is needed here",
    }
    return plain.get(kind, f"{fault['msg'][0].lower()}{fault['msg'][1:]}")


def _margins(entries: dict[str, _Entry]) -> dict[str, Margin]:
    return {
        key: Margin(key, entry.value, entry.status, entry.source, entry.rationale, entry.others)
        for key, entry in entries.items()
    }
