"""Reading and writing case files: clear refusals in, nothing half-written out."""

import hashlib
import json
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from siteplan.case.model import Case
from siteplan.case.wording import KINDS, constant_words, json_words, place, words
from siteplan.errors import CaseError, OutputError

LARGEST_CASE_BYTES = 64 * 1024 * 1024
"""A case holds text and polylines; anything larger is not a case (our own bound)."""


@dataclass(frozen=True)
class CaseFile:
    """A case and where it was read from; relative paths in the case count from `folder`."""

    case: Case
    path: Path
    digest: str

    @property
    def folder(self) -> Path:
        """The folder that relative paths count from."""
        return self.path.parent

    @property
    def series_path(self) -> Path:
        """The series that the case names."""
        return self.folder / self.case.series


def load_case(path: str | os.PathLike[str]) -> CaseFile:
    """Read and check a case file.

    Raises:
        CaseError: the file is missing, no JSON, or breaks the schema; one sentence with the path inside the file.
    """
    file = Path(path)
    try:
        raw = file.read_bytes() if file.stat().st_size <= LARGEST_CASE_BYTES else None
    except OSError as error:
        raise CaseError(f"{file}: the case file cannot be read ({error.strerror}).") from error
    if raw is None:
        raise CaseError(f"{file}: larger than {LARGEST_CASE_BYTES >> 20} MiB, so it is no case file.")
    return CaseFile(parse_case(raw, str(file)), file.resolve(), hashlib.sha256(raw).hexdigest())


def parse_case(raw: bytes, name: str = "case") -> Case:
    """Check the bytes of a case file; see `load_case`."""
    if raw[_DICOM_PREFIX_AT : _DICOM_PREFIX_AT + 4] == b"DICM":
        raise CaseError(f"{name}: this is a DICOM file and no case; give the case file (JSON) that names the series.")
    if raw[:2] == b"PK":
        raise CaseError(f"{name}: this is a ZIP file and no case; give the case file (JSON), or use siteplan unpack.")
    if not raw.strip():
        raise CaseError(f"{name}: the file is empty; give a case file (JSON).")
    try:
        content = json.loads(raw.decode("utf-8-sig"), parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        raise CaseError(f"{name}: not UTF-8 text (byte {error.start}); save the file as UTF-8.") from error
    except json.JSONDecodeError as error:
        raise CaseError(
            f"{name}: not valid JSON at line {error.lineno}, column {error.colno}: {json_words(error)}."
        ) from error
    except RecursionError as error:
        raise CaseError(f"{name}: not usable JSON: its lists are nested too deeply.") from error
    except ValueError as error:
        raise CaseError(f"{name}: not usable JSON: {constant_words(raw, error)}.") from error
    if not isinstance(content, dict):
        kind = KINDS.get(type(content), "single value")
        raise CaseError(f"{name}: a case is a JSON object with a 'schema' field, not a {kind}.")
    try:
        return Case.model_validate(content)
    except ValidationError as error:
        raise CaseError(_sentence(name, error)) from error


def save_case(case: Case, path: str | os.PathLike[str]) -> None:
    """Write a case whole or not at all: a temporary file beside it, flushed to disk, then renamed over it.

    Raises:
        OutputError: the folder cannot be written; an older file at `path` is left as it was.
    """
    text = json.dumps(case.as_json(), indent=1, ensure_ascii=False) + "\n"
    write_whole(Path(path), text.encode())


def write_whole(target: Path, content: bytes) -> None:
    """Put `content` at `target` so that a crash leaves either the old file or the new one.

    Raises:
        OutputError: the folder cannot be written.
    """
    try:
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    except OSError as error:
        raise OutputError(f"{target}: cannot be written ({error.strerror}); choose another folder.") from error
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, target)
    except OSError as error:
        Path(temporary).unlink(missing_ok=True)
        raise OutputError(f"{target}: cannot be written ({error.strerror}); the old file is unchanged.") from error


_DICOM_PREFIX_AT = 128
"""Where DICM stands in a DICOM file (PS3.10, 7.1)."""


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not a number that a case may hold")


def _sentence(name: str, error: ValidationError) -> str:
    problems = error.errors(include_url=False)
    first = problems[0]
    more = (
        f" ({len(problems) - 1} more problem{'s' if len(problems) > 2 else ''} in this file.)" if problems[1:] else ""
    )
    return f"{name}: {place(first['loc'])}: {words(first)}{more}"
