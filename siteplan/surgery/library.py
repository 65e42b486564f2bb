"""Find and check the TOML files of this room: a user's own files first, then the ones that come with the program."""

import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from siteplan.errors import LibraryFileError
from siteplan.surgery import toml_lines

Model = TypeVar("Model", bound=BaseModel)

_LARGEST_FILE = 1 << 20
"""Bytes of a file of this room; a kit with a hundred drills has some 50,000 (our own bound)."""

_SHOWN = 60
"""Characters of a wrong value that a sentence repeats."""


def _one_line(text: str) -> str:
    if not text.replace("\u00a0", " ").isprintable():
        raise ValueError("this must be one line of printable text, because it is printed on cards and asked for")
    return text


Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_one_line)]
"""What a thing is called: one line that fits into a table."""

Text = Annotated[str, Field(min_length=1, max_length=1000)]
"""A few sentences, such as where a number is from."""

Note = Annotated[str, Field(max_length=4000)]
"""What a person noted; may be empty."""


class Part(BaseModel):
    """Base of all file parts: unknown keys are refused, values never change after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


@dataclass(frozen=True)
class FileLines:
    """Name of a file and where its keys are, for tracing a number."""

    name: str
    lines: dict[toml_lines.Path, int]

    def where(self, *path: str | int) -> str:
        """ "demo-protocol.toml, line 41 (rule 3, under_core_mm)"."""
        line = toml_lines.line_of(self.lines, path)
        place = spoken(path)
        return f"{self.name}, line {line} ({place})" if line else f"{self.name} ({place})"


def spoken(path: tuple[str | int, ...]) -> str:
    """A path for people: positions in lists count from 1."""
    words: list[str] = []
    for part in path:
        if isinstance(part, int) and words:
            words[-1] = f"{words[-1]} {part + 1}"
        elif isinstance(part, str):
            words.append(part)
    return ", ".join(words)


def user_folder() -> Path:
    """Folder for a clinic's own files: SITEPLAN_FILES, or `siteplan` in the user's configuration folder."""
    own = os.environ.get("SITEPLAN_FILES")
    if own:
        return Path(own)
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "siteplan"


def find(name_or_path: str | Path, kind: str) -> Path:
    """The file that `name_or_path` means; `kind` is "kits" or "protocols", the folder it would lie in.

    A path to a file wins; then `<user folder>/<kind>/<name>.toml`; then the file of that name in the program.

    Raises:
        LibraryFileError: there is none; the sentence lists what there is.
    """
    given = Path(name_or_path)
    if given.suffix == ".toml":
        if given.is_file():
            return given
        raise LibraryFileError(f"{given}: there is no such file; give the path of a TOML file or a name.")
    folders = (user_folder() / kind, Path(__file__).parent / kind)
    for folder in folders:
        path = folder / f"{given.name}.toml"
        if str(given) == given.name and path.is_file():
            return path
    known = sorted({path.stem for folder in folders if folder.is_dir() for path in folder.glob("*.toml")})
    raise LibraryFileError(
        f"{name_or_path}: there is no file of this name among the {kind}; known are {', '.join(known)}, "
        f"and your own go into {folders[0]}."
    )


def load(path: Path, model: type[Model]) -> tuple[Model, FileLines]:
    """Content of a file as a checked model, with its lines.

    Raises:
        LibraryFileError: unreadable, not TOML, or not what the model wants; the sentence holds line, place and reason.
    """
    try:
        stat = path.stat()
        if stat.st_size > _LARGEST_FILE:
            raise LibraryFileError(
                f"{path.name}: the file has {stat.st_size} bytes, more than the {_LARGEST_FILE} that are read; is it "
                "the right one?"
            )
        return _load(path, model, stat.st_mtime_ns, stat.st_size)  # type: ignore[return-value]  # lru_cache forgets the type variable
    except OSError as error:
        raise LibraryFileError(f"{path}: the file cannot be read ({error.strerror}).") from error


@lru_cache(maxsize=32)
def _load(path: Path, model: type[BaseModel], _changed: int, _size: int) -> tuple[BaseModel, FileLines]:
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise LibraryFileError(f"{path.name}: the file is not UTF-8 text.") from error
    return check(text, path.name, model)


def check(text: str, name: str, model: type[Model]) -> tuple[Model, FileLines]:
    """A TOML text as a checked model, with its lines. Raises as `load`."""
    content = toml_lines.parse(text, name)
    lines = FileLines(name, toml_lines.key_lines(text))
    try:
        return model.model_validate(content), lines
    except ValidationError as error:
        raise LibraryFileError(_sentence(error, lines)) from error


def _sentence(error: ValidationError, lines: FileLines) -> str:
    """The first mistake in one sentence, and how many more there are."""
    mistakes = error.errors()
    first = mistakes[0]
    place = tuple(first["loc"])
    reason = _reason(first)
    more = f" {len(mistakes) - 1} more mistakes follow." if len(mistakes) > 1 else ""
    where = lines.where(*place) if place else lines.name
    return f"{where}: {reason}.{more}"


def _reason(mistake: Any) -> str:
    kind, context = mistake["type"], mistake.get("ctx", {})
    if kind == "extra_forbidden":
        return "this key is not known here; check its spelling"
    if kind == "missing":
        return "this is missing; give it"
    if kind == "value_error":
        return str(context.get("error", mistake["msg"])).rstrip(".")
    given = mistake.get("input")
    if kind == "string_too_long":
        most = context["max_length"]
        return f"this text has {len(given)} characters, {most} at the most are kept; shorten it"
    shown = repr(given)
    shown = shown if len(shown) <= _SHOWN else f"{shown[:_SHOWN]}..."
    said = f", not {shown}" if isinstance(given, str | int | float | bool) else ""
    message: str = mistake["msg"]
    return message[0].lower() + message[1:] + said
