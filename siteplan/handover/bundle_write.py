"""Writing a case bundle: case, findings, report, own files, seating record and, when asked for, the scan."""

import hashlib
import json
import os
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from siteplan import __version__
from siteplan.case import CaseFile
from siteplan.errors import OutputError
from siteplan.findings import Findings
from siteplan.handover import bundle_form as form
from siteplan.handover.bundle_form import Entry, Manifest, ScanFacts
from siteplan.handover.own_files import with_own_files
from siteplan.handover.shareable import case_content, findings_content
from siteplan.report import Identity, write_report
from siteplan.scan.volume import Scan
from siteplan.surgery.record import record_path

Progress = Callable[[float, str], None]

_STAMP = (1980, 1, 1, 0, 0, 0)
"""Every member has the earliest time that ZIP knows, so that a bundle tells no date."""
_PACKED = (".json", ".jsonl", ".toml")


def write_bundle(
    findings: Findings,
    scan: Scan,
    case: CaseFile,
    target: Path,
    *,
    identity: Identity = Identity.NONE,
    with_scan: bool = False,
    progress: Progress | None = None,
) -> list[str]:
    """Write a bundle whole or not at all; returns sentences on what was left out of it.

    Raises:
        OutputError: it cannot be written, the scan is asked for while identity is removed, or a file of the user's own
            names the patient.
    """
    show = progress or (lambda _fraction, _what: None)
    if with_scan and identity is not Identity.AS_GIVEN:
        raise OutputError(
            "the scan itself names the patient, so it goes into a bundle only with the identity as given; "
            "leave the scan out, or give the identity."
        )
    if not os.access(target.parent, os.W_OK):
        raise OutputError(f"{target}: its folder cannot be written; choose another.")
    members, left_out = _members(findings, scan, case, identity, show)
    series = list(_series(case, scan)) if with_scan else []
    if not with_scan:
        left_out.append("the scan: the receiver points to a copy of it, which is compared by its digest")
    try:
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    except OSError as error:
        raise OutputError(f"{target}: cannot be written ({error.strerror}); choose another folder.") from error
    try:
        with os.fdopen(handle, "wb") as stream:
            _pack(stream, members, series, _facts(scan, identity, with_scan), left_out, identity, show)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, target)
    except OSError as error:
        raise OutputError(f"{target}: cannot be written ({error.strerror}); free space or choose another.") from error
    finally:
        Path(temporary).unlink(missing_ok=True)
    show(1.0, "bundle written")
    return left_out


def _members(
    findings: Findings, scan: Scan, case: CaseFile, identity: Identity, show: Progress
) -> tuple[dict[str, bytes], list[str]]:
    """Everything but scan and manifest, by name; and what was left out."""
    content, members = with_own_files(case, case_content(case.case, scan, findings, identity), findings, identity)
    members[form.CASE] = _json(content)
    members[form.FINDINGS] = _json(findings_content(findings, identity))
    left_out = ["pages in HTML: the receiver's own program makes them"]
    record = record_path(case.path)
    if record.is_file():
        if identity.keeps_free_text:
            members[form.SEATING] = record.read_bytes()
        else:
            left_out.append("the seating record: it holds times and typed words")
    if not identity.keeps_free_text and case.case.marks:
        left_out.append("remarks by hand and the words of hand marks")
    with tempfile.TemporaryDirectory() as folder:
        for path in write_report(findings, scan, case, Path(folder), identity=identity, progress=_part(show, 0, 0.8)):
            if path.suffix in {".pdf", ".png"}:
                members[f"report/{path.name}"] = path.read_bytes()
    return members, left_out


def _series(case: CaseFile, scan: Scan) -> Iterator[Callable[[], bytes]]:
    """A reader for each file of the scan's series, in order of their names."""
    from siteplan.scan import tags
    from siteplan.scan.header import NotDicom, Unreadable, read_header
    from siteplan.scan.search import sources
    from siteplan.scan.source import Source

    def reader(source: Source) -> Callable[[], bytes]:
        return lambda: source.read(0, source.size)

    for source in sources(case.series_path)[0]:
        try:
            uid = read_header(source).text(tags.SERIES_UID)
        except (NotDicom, Unreadable):
            continue
        if uid == scan.series.series_uid:
            yield reader(source)


def _pack(
    stream: Any,
    members: dict[str, bytes],
    series: list[Callable[[], bytes]],
    facts: ScanFacts,
    left_out: list[str],
    identity: Identity,
    show: Progress,
) -> None:
    entries: list[Entry] = []
    with zipfile.ZipFile(stream, "w") as archive:

        def put(name: str, raw: bytes) -> None:
            info = zipfile.ZipInfo(name, _STAMP)
            info.external_attr = 0o100644 << 16
            info.compress_type = zipfile.ZIP_DEFLATED if name.endswith(_PACKED) else zipfile.ZIP_STORED
            archive.writestr(info, raw)
            if name != form.MANIFEST:
                entries.append(Entry(name=name, bytes=len(raw), sha256=hashlib.sha256(raw).hexdigest()))

        for name in sorted(members):
            put(name, members[name])
        for number, read in enumerate(series, start=1):
            show(0.8 + 0.2 * number / (len(series) + 1), "packing the scan")
            put(f"{form.SERIES}/{number:06d}.dcm", read())
        manifest = Manifest(
            schema="siteplan-bundle/1",
            software={"name": "siteplan", "version": __version__},
            identity=identity.value,
            scan=facts,
            left_out=left_out,
            files=entries,
        )
        put(form.MANIFEST, _json(manifest.as_json()))


def _facts(scan: Scan, identity: Identity, included: bool) -> ScanFacts:
    k, j, i = scan.spacing_kji_mm
    return ScanFacts(
        included=included,
        digest=scan.digest,
        series_uid=scan.series.series_uid if identity.keeps_free_text else "",
        modality=scan.series.modality if scan.series.modality.isalpha() else "",
        size_kji=scan.shape,
        voxel_kji_mm=(round(k, 4), round(j, 4), round(i, 4)),
    )


def _json(content: Any) -> bytes:
    return (json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _part(show: Progress, start: float, end: float) -> Progress:
    return lambda fraction, what: show(start + (end - start) * fraction, what)
