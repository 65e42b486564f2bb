"""What the fuzzer feeds: one input goes through the whole of intake, and only our own errors may come out.

An input is one byte that chooses what stands around it, then the bytes of one file. The file is read together with two
sound slices of the same series, so that a change of one element reaches the checks between slices and the decoders.
"""

import os
import sys
import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from siteplan.errors import SiteplanError
from siteplan.scan.read import scan_of
from siteplan.scan.survey import survey, survey_files
from siteplan.scan.volume import Scan

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scan"))

import series_maker as make


@dataclass(frozen=True)
class Memory:
    """A file at hand, as intake wants files."""

    data: bytes
    name: str

    @property
    def size(self) -> int:
        return len(self.data)

    def read(self, offset: int, length: int) -> bytes:
        return self.data[offset : offset + length]


TODAY = date(2026, 7, 1)
SYNTAXES = (
    make.EXPLICIT,
    make.IMPLICIT,
    make.BIG_ENDIAN,
    make.DEFLATED,
    make.RLE,
    make.JPEG_SV1,
    make.JPEG_14,
    make.JPEG_LS,
    make.JPEG_2000,
    make.HTJ2K,
    make.JPEG_LS_NEAR,
    make.JPEG_2000_ANY,
)
ALONE, ZIP, INDEX = 128, 250, 251
"""First bytes that make the rest a file by itself, a ZIP file, or the index of a medium; those below choose the series
that stands around it."""


def _recipe(at: int) -> make.Recipe:
    return make.Recipe(
        count=4, rows=9, columns=7, stored=12 if at % 2 else 16, signed=bool(at % 3), syntax=SYNTAXES[at]
    )


_SERIES = [make.series_bytes(_recipe(at)) for at in range(len(SYNTAXES))]


def seeds() -> list[bytes]:
    """Sound inputs to start from."""
    out = []
    for at, files in enumerate(_SERIES):
        out.append(bytes([at]) + files[3])
        recipe = _recipe(at)
        values = make.stored_values(recipe)
        for sop_class in (make.ENHANCED_CT, make.CRANIOFACIAL):
            ds = make.multi_frame_dataset(recipe, values, sop_class)
            out.append(bytes([ALONE + at]) + make.file_bytes(ds, recipe.syntax, values))
    out.append(bytes([ZIP]) + _zip({f"a/{at}.dcm": data for at, data in enumerate(_SERIES[0][:3])}))
    inner = _zip({f"{at}.dcm": data for at, data in enumerate(_SERIES[1][:2])})
    out.append(bytes([ZIP]) + _zip({"b.zip": inner, "c.dcm": _SERIES[1][2]}))
    out.append(bytes([INDEX]) + _index())
    return out


def _zip(members: dict[str, bytes]) -> bytes:
    import io
    import zipfile

    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in {**members, "../out.txt": b"no"}.items():
            archive.writestr(name, data)
    return stream.getvalue()


def _index() -> bytes:
    from pydicom.fileset import FileSet

    with tempfile.TemporaryDirectory() as folder:
        files = FileSet()
        for at, data in enumerate(_SERIES[0]):
            path = Path(folder) / f"{at}.dcm"
            path.write_bytes(data)
            files.add(path)
        files.write(Path(folder) / "medium")
        return (Path(folder) / "medium" / "DICOMDIR").read_bytes()


def one_input(data: bytes) -> str:
    """Runs intake over one input; what came of it, as a word. Raises whatever intake should not have let out."""
    if not data:
        return "empty"
    choice, body = data[0], data[1:]
    try:
        if choice in (ZIP, INDEX):
            return _on_disk(choice, body)
        around = _SERIES[choice % len(_SERIES)][:3] if choice < ALONE else []
        files = [Memory(body, "fuzzed"), *(Memory(one, str(at)) for at, one in enumerate(around))]
        found = survey_files(files, TODAY)
        found.listing.as_json()
        _check(scan_of(found, None, "fuzzed"))
    except SiteplanError as error:
        _no_name(str(error))
        return "refused"
    return "read"


def _on_disk(choice: int, body: bytes) -> str:
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as folder:
        path = Path(folder) / ("a.zip" if choice == ZIP else "DICOMDIR")
        path.write_bytes(body)
        found = survey(path if choice == ZIP else path.parent, TODAY)
        found.listing.as_json()
        _check(scan_of(found, None, "fuzzed"))
    return "read"


def _check(scan: Scan) -> None:
    assert np.isfinite(scan.affine).all()
    assert np.isfinite(scan.slope).all()
    assert len(scan.digest) == 64
    for finding in scan.findings:
        assert finding.severity.value != "refusal"
        _no_name(finding.sentence)


def _no_name(text: str) -> None:
    for part in (*make.PATIENT.split("^"), make.PATIENT_ID):
        assert part not in text.upper(), "a message holds the patient's name"
