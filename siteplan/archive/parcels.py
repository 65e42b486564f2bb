"""What is to be sent: found, read, checked, before anybody is asked to take it."""

import hashlib
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from siteplan.archive.door import Parcel
from siteplan.archive.entries import clean, is_uid
from siteplan.errors import ArchiveError
from siteplan.scan.identity import without_names
from siteplan.scan.volume import Patient

_WANTED = (
    "SOPClassUID",
    "SOPInstanceUID",
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "PatientName",
    "PatientID",
)
MOST_FILES = 20000
"""Files of one sending; more is a mistaken folder (our own bound)."""

_INDEX = "1.2.840.10008.1.3.10"
"""Media Storage Directory: the index of a medium, not an object of a study."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file that is not sent, and why. `shown` is free of patients' names."""

    shown: str
    why: str


def gather(paths: Iterable[Path]) -> tuple[list[Parcel], list[LeftOut]]:
    """Every DICOM object in files and folders, in order of path, each once.

    Raises:
        ArchiveError: a path is not there, there is nothing to send, or two files with one UID differ.
    """
    files = _files(paths)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's warnings quote values, a patient's number among them
        return _gathered(files)


def _gathered(files: Sequence[tuple[Path, str]]) -> tuple[list[Parcel], list[LeftOut]]:
    read: list[tuple[Path, str, Any]] = [(path, shown, _header(path)) for path, shown in files]
    masked = without_names(
        Patient(str(ds.get("PatientName", "")), str(ds.get("PatientID", ""))) for _, _, ds in read if ds is not None
    )
    parcels: list[Parcel] = []
    left: list[LeftOut] = []
    for path, shown, ds in read:
        name = masked(shown)
        why = _unfit(ds)
        if why:
            left.append(LeftOut(name, why))
        else:
            parcels.append(_parcel(path, name, len(parcels) + 1, ds))
    parcels = _each_once(parcels, left)
    return [replace(one, number=at) for at, one in enumerate(parcels, 1)], left


def _files(paths: Iterable[Path]) -> list[tuple[Path, str]]:
    out: dict[Path, str] = {}
    for given in paths:
        if given.is_file():
            out[given] = given.name
        elif given.is_dir():
            found = sorted(path for path in given.rglob("*") if path.is_file() and not _hidden(path, given))
            out |= {path: str(path.relative_to(given)) for path in found}
        else:
            raise ArchiveError(f"{given}: there is no such file or folder; correct the path.")
        if len(out) > MOST_FILES:
            raise ArchiveError(f"{given}: more than {MOST_FILES} files; name the folder that is meant.")
    return list(out.items())


def _hidden(path: Path, top: Path) -> bool:
    return any(part.startswith(".") for part in path.relative_to(top).parts)


def _header(path: Path) -> Any:
    """File meta and the few elements that are needed, None when it is no DICOM file."""
    import pydicom

    try:
        return pydicom.dcmread(path, stop_before_pixels=True, specific_tags=list(_WANTED))
    except Exception:  # whatever pydicom says about it, it is not a file that an archive takes
        return None


def _unfit(ds: Any) -> str:
    if ds is None:
        return "no DICOM file"
    meta = ds.file_meta
    uids = [str(ds.get(keyword, "")) for keyword in _WANTED[:4]]
    if str(meta.get("MediaStorageSOPClassUID", "")) == _INDEX:
        return "the index of a medium"
    if uids[0] and uids[1] and not (uids[2] and uids[3]):
        return "it belongs to no study, and archives keep objects by study; hand it over as a file"
    if not all(is_uid(uid) for uid in uids) or not is_uid(str(meta.get("TransferSyntaxUID", ""))):
        return "its identifiers are missing or not valid"
    if uids[:2] != [str(meta.get(key, "")) for key in ("MediaStorageSOPClassUID", "MediaStorageSOPInstanceUID")]:
        return "its file header names another object than its content"
    return ""


def _parcel(path: Path, shown: str, number: int, ds: Any) -> Parcel:
    return Parcel(
        path,
        shown,
        number,
        path.stat().st_size,
        str(ds.StudyInstanceUID),
        str(ds.SeriesInstanceUID),
        str(ds.SOPInstanceUID),
        str(ds.SOPClassUID),
        str(ds.file_meta.TransferSyntaxUID),
        clean(ds.get("PatientID", "")),
    )


def _each_once(parcels: Sequence[Parcel], left: list[LeftOut]) -> list[Parcel]:
    first: dict[str, Parcel] = {}
    for parcel in parcels:
        other = first.setdefault(parcel.uid, parcel)
        if other is parcel:
            continue
        if _sum(other.path) != _sum(parcel.path):
            raise ArchiveError(
                f"{other.shown} and {parcel.shown} differ and have one UID, so only one would be kept; send the right "
                "one alone."
            )
        left.append(LeftOut(parcel.shown, f"the same as {other.shown}"))
    return list(first.values())


def _sum(path: Path) -> bytes:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").digest()
