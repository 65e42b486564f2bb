"""What an earlier report left in a folder: exactly its files are taken away, and nothing that somebody else put there.

Beside its files a report leaves a list of them with their hashes. A file is taken away only where the list names it and
its content is still what the report wrote.
"""

import hashlib
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from siteplan.case.store import write_whole
from siteplan.errors import OutputError

LIST_NAME = ".siteplan-files.json"
_SCHEMA = "siteplan-report-files/1"
_PICTURES = ("across", "along", "profile", "3d", "seating")
_MOST_NAMED = 4


def clear_former(folder: Path, names: Iterable[str], tell: Callable[[str], None] | None = None) -> list[Path]:
    """Take away what an earlier report wrote into `folder` and this one, with files called `names`, does not replace.

    Args:
        tell: hears one sentence where something was taken away or left because it was changed since.

    Returns:
        The files taken away.

    Raises:
        OutputError: the folder holds pictures of an earlier report without a list, so they cannot be told from files of
            somebody else; or a file cannot be taken away.
    """
    now = set(names)
    listed = _listed(folder / LIST_NAME)
    if listed is None:
        _refuse_leftovers(folder, now)
        return []
    gone, changed = [], []
    for name, digest in listed.items():
        path = folder / name
        if name in now or path.is_symlink() or not path.is_file():
            continue
        if _digest(path.read_bytes()) != digest:
            changed.append(path)
            continue
        try:
            path.unlink()
        except OSError as error:
            raise OutputError(f"{path}: a file of an earlier report cannot be removed ({error.strerror}).") from error
        gone.append(path)
    if tell and gone:
        tell(f"{folder}: {_some(gone)} of an earlier report removed, because this report does not have them.")
    if tell and changed:
        tell(f"{folder}: {_some(changed)} of an earlier report changed since, so left there; not part of this report.")
    return gone


def keep_list(folder: Path, files: dict[str, bytes]) -> None:
    """Leave the list of what was written."""
    content = {"schema": _SCHEMA, "files": {name: _digest(raw) for name, raw in sorted(files.items())}}
    write_whole(folder / LIST_NAME, (json.dumps(content, indent=1) + "\n").encode())


def _listed(path: Path) -> dict[str, str] | None:
    """Name and hash of each file of the list; None without a list of ours. Names that lead elsewhere are left out."""
    content = _json(path)
    files = content.get("files") if isinstance(content, dict) and content.get("schema") == _SCHEMA else None
    if not isinstance(files, dict):
        return None
    return {name: str(digest) for name, digest in files.items() if Path(name).name == name and name != LIST_NAME}


def _refuse_leftovers(folder: Path, now: set[str]) -> None:
    """Without a list: refuse where pictures lie there that the old findings name and this report does not replace."""
    content = _json(folder / "findings.json")
    if not isinstance(content, dict) or not str(content.get("schema", "")).startswith("siteplan-findings/"):
        return
    sites = content.get("sites")
    teeth = [site.get("tooth") for site in sites if isinstance(site, dict)] if isinstance(sites, list) else []
    names = {f"site-{tooth}-{what}.png" for tooth in teeth for what in _PICTURES}
    names |= {"overview-upper.png", "overview-lower.png"}
    left = sorted(folder / name for name in names - now if (folder / name).is_file())
    if left:
        raise OutputError(
            f"{folder}: this folder holds pictures of another report ({_some(left)}) that would "
            "stay beside the new one; choose an empty folder, or remove them first."
        )


def _json(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, ValueError):
        return None


def _digest(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


def _some(paths: list[Path]) -> str:
    shown = ", ".join(path.name for path in paths[:_MOST_NAMED])
    more = len(paths) - _MOST_NAMED
    return f"{shown} and {more} more" if more > 0 else shown
