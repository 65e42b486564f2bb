"""Opening a case bundle: everything is checked before anything lands, and it lands as a whole or not at all."""

import hashlib
import json
import os
import shutil
import stat
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from siteplan.case import Case, load_case, parse_case, save_case
from siteplan.case.store import LARGEST_CASE_BYTES
from siteplan.case.wording import place
from siteplan.errors import CaseError, OutputError
from siteplan.handover import bundle_form as form
from siteplan.handover.bundle_form import BundleError, Entry, Manifest

_CHUNK = 1 << 20
_SPARE_BYTES = 64 << 20
"""So much room must be left on the disk."""


@dataclass(frozen=True)
class Unpacked:
    """An opened bundle: its case file, what it said of itself, and whether the scan is there."""

    case_path: Path
    manifest: Manifest
    has_scan: bool


def check_bundle(bundle: Path) -> Manifest:
    """Check names, sizes, hashes and the case without writing anything.

    Raises:
        BundleError: one sentence on the first thing that is wrong.
    """
    with _opened(bundle) as archive:
        manifest = _manifest(archive)
        for entry in manifest.files:
            for _ in _content(archive, entry):
                pass
        _case(archive, manifest)
        return manifest


def open_bundle(bundle: Path, folder: Path, *, scan: Path | None = None) -> Unpacked:
    """Put a bundle's case into a new folder.

    Args:
        folder: must not be there yet, or be empty.
        scan: the receiver's own copy of the scan; the case then points to it. It is read and compared by digest.

    Raises:
        BundleError: the bundle is damaged, hostile or newer than this program.
        ScanError: the copy cannot be read.
        OutputError: the folder is in use, or cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError(f"{folder}: this place is in use; name a folder that is empty or not there yet.")
    with _opened(bundle) as archive:
        manifest = _manifest(archive)
        case = _case(archive, manifest)
        if scan is not None:
            case = case.model_copy(update=_pointed_to(scan, manifest, folder))
        _room_for(manifest, folder)
        _land(archive, manifest, case if scan is not None else None, folder)
    return Unpacked(folder / form.CASE, manifest, scan is not None or manifest.scan.included)


@contextmanager
def _opened(bundle: Path) -> Iterator[zipfile.ZipFile]:
    """The archive, its list of members checked."""
    try:
        archive = zipfile.ZipFile(bundle)
    except FileNotFoundError:
        raise BundleError(f"{bundle}: there is no such file; check the path.") from None
    except OSError as error:
        raise BundleError(f"{bundle}: it cannot be read ({error.strerror}).") from error
    except Exception as error:
        # zipfile lets out errors of many kinds (IndexError, struct.error, UnicodeError) on damaged directories.
        raise BundleError(f"{bundle.name}: no ZIP file, or a damaged one; ask for it again.") from error
    with archive:
        _check_members(archive.infolist())
        yield archive


def _check_members(members: list[zipfile.ZipInfo]) -> None:
    if len(members) > form.MOST_MEMBERS:
        raise BundleError(f"it holds {len(members)} members, more than any case has; nothing was unpacked.")
    seen: set[str] = set()
    for info in members:
        # The name as stored: zipfile itself cuts at a zero byte and turns back slashes on some systems.
        if info.orig_filename != info.filename or not form.MEMBER.fullmatch(info.filename):
            raise BundleError(f"a member is called {_shown(info.orig_filename)}, which no bundle has; do not use it.")
        if info.filename in seen:
            raise BundleError(
                f"{info.filename} is in it twice, so it is not clear which one is meant; ask for it again."
            )
        seen.add(info.filename)
        kind = stat.S_IFMT(info.external_attr >> 16)
        if kind not in (0, stat.S_IFREG) or info.is_dir():
            raise BundleError(f"{info.filename} is a link or no plain file; do not use this bundle.")
        if info.flag_bits & 1:
            raise BundleError(f"{info.filename} is locked with a password; ask for a bundle without one.")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise BundleError(f"{info.filename} is packed in a way that no bundle uses; ask for it again.")
        if info.file_size > form.largest_bytes(info.filename):
            raise BundleError(f"{info.filename} unpacks to {info.file_size >> 20} MiB, more than such a file can have.")
        if info.file_size > max(form.RATIO_FROM_BYTES, form.HIGHEST_RATIO * info.compress_size):
            raise BundleError(f"{info.filename} unpacks to far more than was packed; do not use this bundle.")
    total = sum(info.file_size for info in members)
    if total > form.LARGEST_TOTAL_BYTES:
        raise BundleError(f"it unpacks to {total >> 30} GiB, more than a case with its scan can have.")


def _manifest(archive: zipfile.ZipFile) -> Manifest:
    if form.MANIFEST not in archive.namelist():
        raise BundleError("it has no manifest.json, so it is no bundle of this program, or part of it is lost.")
    content = _json(_read(archive, form.MANIFEST), form.MANIFEST)
    said = content.get("schema") if isinstance(content, dict) else None
    if isinstance(said, str) and said.startswith("siteplan-bundle/") and said != form.SCHEMA:
        raise BundleError(f"it is of the kind {_shown(said)}, this program reads {form.SCHEMA}; update the program.")
    try:
        manifest = Manifest.model_validate(content)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        said = "it does not look as it must" if "pattern" in first["type"] else first["msg"].lower()
        raise BundleError(f"manifest.json: {place(first['loc'])}: {said}; ask for the bundle again.") from error
    listed = [entry.name for entry in manifest.files]
    if len(set(listed)) < len(listed):
        raise BundleError("manifest.json names a member twice; ask for it again.")
    there = set(archive.namelist()) - {form.MANIFEST}
    for name in sorted(there ^ set(listed)):
        how = "is in it, but not in its manifest" if name in there else "is in its manifest, but missing"
        raise BundleError(f"{name} {how}; the bundle was changed or cut, ask for it again.")
    if manifest.scan.included != any(name.startswith(f"{form.SERIES}/") for name in listed):
        raise BundleError("manifest.json and the members disagree on whether the scan is in it; ask for it again.")
    return manifest


def _content(archive: zipfile.ZipFile, entry: Entry) -> Iterator[bytes]:
    """A member piece by piece; its length and hash are checked when it has been read to the end."""
    total, digest = 0, hashlib.sha256()
    try:
        with archive.open(entry.name) as stream:
            while piece := stream.read(_CHUNK):
                total += len(piece)
                if total > entry.bytes:
                    break
                digest.update(piece)
                yield piece
    except Exception as error:
        # zipfile and zlib let out errors of many kinds on damaged members.
        raise BundleError(f"{entry.name} is damaged and cannot be unpacked; ask for the bundle again.") from error
    if total != entry.bytes or digest.hexdigest() != entry.sha256:
        raise BundleError(f"{entry.name} is not what the manifest says; it was damaged or changed, ask for it again.")


def _read(archive: zipfile.ZipFile, name: str) -> bytes:
    try:
        return archive.read(name)
    except Exception as error:
        raise BundleError(f"{name} is damaged and cannot be unpacked; ask for the bundle again.") from error


def _case(archive: zipfile.ZipFile, manifest: Manifest) -> Case:
    """The case, every file name in it checked to point into the bundle."""
    listed = {entry.name: entry for entry in manifest.files}
    for needed in (form.CASE, form.FINDINGS):
        if needed not in listed:
            raise BundleError(f"{needed} is missing, so there is nothing to open; ask for the bundle again.")
    raw = b"".join(_content(archive, listed[form.CASE]))
    try:
        case = parse_case(raw[: LARGEST_CASE_BYTES + 1], form.CASE)
    except CaseError as error:
        raise BundleError(str(error)) from error
    if case.series != form.SERIES:
        raise BundleError(f"case.json: series points to {_shown(case.series)}, outside the bundle; do not use it.")
    named = [("catalogues", name) for name in case.catalogues]
    named += [(key, getattr(case, key)) for key in ("kit", "protocol", "margins") if getattr(case, key)]
    if isinstance(case.calibration, str):
        named.append(("calibration", case.calibration))
    for key, name in named:
        by_name = key in ("kit", "protocol") and name.replace("-", "").isalnum()
        if not by_name and name not in listed:
            raise BundleError(f"case.json: {key} names {_shown(name)}, which is not in the bundle; ask for it again.")
    _json(b"".join(_content(archive, listed[form.FINDINGS])), form.FINDINGS)
    return case


def _pointed_to(scan: Path, manifest: Manifest, folder: Path) -> dict[str, Any]:
    """`series` and `series_uid` for the receiver's own copy, once it is shown to be the same scan."""
    from siteplan.scan import read_scan

    found = read_scan(scan, series=manifest.scan.series_uid or None)
    if found.digest != manifest.scan.digest:
        raise BundleError(f"{scan}: this is another scan than the case was planned on; point to the right one.")
    try:
        to = os.path.relpath(scan.resolve(), folder.resolve())
    except ValueError:  # another drive
        to = str(scan.resolve())
    return {"series": Path(to).as_posix(), "series_uid": found.series.series_uid}


def _room_for(manifest: Manifest, folder: Path) -> None:
    near = next(parent for parent in (folder.resolve(), *folder.resolve().parents) if parent.is_dir())
    wanted = sum(entry.bytes for entry in manifest.files) + _SPARE_BYTES
    if shutil.disk_usage(near).free < wanted:
        raise OutputError(f"{folder}: the disk has less than {wanted >> 20} MiB free; choose another.")


def _land(archive: zipfile.ZipFile, manifest: Manifest, case: Case | None, folder: Path) -> None:
    """Unpack beside the folder, then rename over it."""
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        waiting = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
    except OSError as error:
        raise OutputError(f"{folder}: this folder cannot be made ({error.strerror}); choose another.") from error
    try:
        for entry in manifest.files:
            path = waiting / entry.name
            path.parent.mkdir(exist_ok=True)
            with path.open("xb") as out:
                for piece in _content(archive, entry):
                    out.write(piece)
                out.flush()
                os.fsync(out.fileno())
        (waiting / form.MANIFEST).write_bytes(_read(archive, form.MANIFEST))
        if case is not None:
            save_case(case, waiting / form.CASE)
        load_case(waiting / form.CASE)
        waiting.chmod(0o755)
        if folder.exists():
            folder.rmdir()
        waiting.rename(folder)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror}); nothing was unpacked.") from error
    finally:
        shutil.rmtree(waiting, ignore_errors=True)


def _json(raw: bytes, name: str) -> Any:
    try:
        return json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise BundleError(f"{name} is no valid JSON; it was damaged or changed, ask for the bundle again.") from error


def _shown(text: str) -> str:
    """Foreign text for a message: short, one line, nothing that a terminal would obey."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in text[:60])
    return repr(plain)
