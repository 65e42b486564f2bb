"""The index of a DICOM medium (DICOMDIR, PS3.3 annex F): only used to notice files that are missing.

The files themselves are found by searching the folder, so a broken or outdated index cannot hide any, and a path in it
can never lead out of the folder.
"""

import re
import warnings
from collections.abc import Sequence
from io import BytesIO

from siteplan.scan import remarks
from siteplan.scan.findings import ScanFinding
from siteplan.scan.header import Header
from siteplan.scan.source import Source
from siteplan.scan.tags import MEDIA_SOP_CLASS

INDEX_CLASS = "1.2.840.10008.1.3.10"
_NAME = "DICOMDIR"
_LARGEST = 256 << 20
_FILE_ID = re.compile(r"[A-Za-z0-9_.-]{1,64}(?:/[A-Za-z0-9_.-]{1,64}){0,15}")
"""What is taken for a file name of a medium: more than PS3.10 8.2 allows, because writers do, and nothing else, because
a damaged index can hold anything in this place."""


def is_index(header: Header) -> bool:
    """Whether a file is the index of a medium and not an image."""
    return header.text(MEDIA_SOP_CLASS) == INDEX_CLASS


def missing_files(files: Sequence[Source]) -> list[ScanFinding]:
    """Findings on every DICOMDIR among `files`: listed files that are not there, or an unreadable index."""
    present = {_folded(file.name) for file in files}
    out: list[ScanFinding] = []
    for file in files:
        folder, _, name = file.name.replace("\\", "/").rpartition("/")
        if name.upper() == _NAME and file.size <= _LARGEST:
            listed = _listed(file)
            if listed is None:
                out.append(remarks.broken_index())
                continue
            prefix = f"{folder}/" if folder else ""
            absent = sorted(one for one in listed if _folded(prefix + one) not in present)
            if absent:
                out.append(remarks.missing_from_medium(absent))
    return out


def _folded(name: str) -> str:
    """File names on media differ in case, in a dot at the end and in a version number after a semicolon."""
    return name.replace("\\", "/").upper().split(";")[0].rstrip(".")


def _listed(file: Source) -> set[str] | None:
    """Paths of all images that an index lists, parted by "/"; None when it cannot be read."""
    import pydicom
    from pydicom import config

    try:
        stream = BytesIO(file.read(0, file.size))
        with warnings.catch_warnings(), config.disable_value_validation():
            warnings.simplefilter("ignore")
            records = pydicom.dcmread(stream, specific_tags=["DirectoryRecordSequence"]).DirectoryRecordSequence
            out = set()
            for record in records:
                parts = record.get("ReferencedFileID")
                listed = parts if isinstance(parts, str) else "/".join(str(part) for part in parts or ())
                if _FILE_ID.fullmatch(listed):
                    out.add(listed)
            return out
    except Exception:
        # A damaged index raises many kinds of error; the search of the folder does not need it.
        return None
