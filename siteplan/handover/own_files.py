"""The user's own files that a case names: fixtures, kit, protocol, margins, calibration. They travel with a bundle."""

from pathlib import Path
from typing import Any

import siteplan
from siteplan.case import CaseFile
from siteplan.errors import LibraryFileError, OutputError
from siteplan.findings import Findings
from siteplan.handover.bundle_form import LARGEST_TEXT_BYTES, SERIES
from siteplan.handover.shareable import REMOVED
from siteplan.report.identity import Identity
from siteplan.scan.identity import without_names
from siteplan.surgery.library import find

_OURS = Path(siteplan.__file__).parent
_95 = 1.959964


def with_own_files(
    case: CaseFile, content: dict[str, Any], findings: Findings, identity: Identity
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """The case's content with every file name in it pointing into the bundle, and these files by their new names.

    A kit or protocol that lies in the user's own folder goes along too: the receiver has none of that name, or another.

    Raises:
        OutputError: identity is removed and one of these files names the patient.
        LibraryFileError: a file cannot be read.
    """
    out = dict(content) | {"series": SERIES}
    files: dict[str, bytes] = {}
    own = without_names([findings.scan.patient], short_parts=False)

    def take(path: Path, name: str) -> str:
        raw = _read(path)
        text = raw.decode("utf-8", "replace")
        if not identity.keeps_free_text and own(text) != text:
            raise OutputError(
                f"{name}: the file behind it names the patient; take that out of it, or give the identity."
            )
        files[name] = raw
        return name

    for kind, folder in (("kit", "kits"), ("protocol", "protocols")):
        wanted = getattr(case.case, kind)
        path = find(case.folder / wanted if wanted.endswith(".toml") else wanted, folder)
        if not path.resolve().is_relative_to(_OURS):
            out[kind] = take(path, f"files/{kind}.toml")
    if case.case.catalogues:
        paths = [case.folder / name for name in case.case.catalogues]
        out["catalogues"] = [take(path, f"files/catalogue-{n}.toml") for n, path in enumerate(paths, start=1)]
    if case.case.margins:
        out["margins"] = take(case.folder / case.case.margins, "files/margins.toml")
    if isinstance(case.case.calibration, str):
        if identity.keeps_free_text:
            out["calibration"] = take(case.folder / case.case.calibration, "files/calibration.toml")
        else:
            out.pop("calibration")
            if findings.calibration is not None:
                out["calibration"] = _numbers(findings)
    return out, files


def _numbers(findings: Findings) -> dict[str, Any]:
    """The calibration that was used, without who made it, when, and on which device."""
    used = findings.calibration
    assert used is not None
    out: dict[str, Any] = {"slope": used.slope, "intercept": used.intercept, "source": REMOVED}
    for name, value, sd in (("slope", used.slope, used.slope_sd), ("intercept", used.intercept, used.intercept_sd)):
        if sd > 0:
            out[f"{name}_interval"] = [value - _95 * sd, value + _95 * sd]
    return out


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_TEXT_BYTES:
            raise LibraryFileError(f"{path.name}: larger than {LARGEST_TEXT_BYTES >> 20} MiB, so it is no such file.")
        return path.read_bytes()
    except OSError as error:
        raise LibraryFileError(f"{path.name}: the file cannot be read ({error.strerror}).") from error
