"""`export`: findings in, files of the wanted kinds out."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from siteplan.assessment import load_library
from siteplan.case import CaseFile
from siteplan.case.store import write_whole
from siteplan.errors import OutputError
from siteplan.findings import Findings
from siteplan.fixture import Catalogue, load_catalogue
from siteplan.handover.bodies import bodies_of
from siteplan.handover.bundle_write import write_bundle
from siteplan.handover.kinds import KINDS
from siteplan.handover.mesh_files import write_meshes
from siteplan.handover.shareable import findings_content
from siteplan.handover.tables import csv_files
from siteplan.objects.template_write import template_files
from siteplan.report import Identity, pdf
from siteplan.report.writer import make_folder
from siteplan.scan.identity import without_names
from siteplan.scan.volume import Scan

Progress = Callable[[float, str], None]

BUNDLE = "case-bundle.zip"
_EFFORT = {"bundle": 6.0, "dicom": 6.0, "templates": 2.0}
"""Shares of the time, for the progress alone; 1 where not named."""


@dataclass(frozen=True)
class Exported:
    """The files written, in order, and sentences that a person must hear about them."""

    files: tuple[Path, ...]
    remarks: tuple[str, ...]


def export(
    findings: Findings,
    scan: Scan,
    case: CaseFile,
    out_dir: Path,
    kinds: Sequence[str],
    *,
    identity: Identity = Identity.NONE,
    with_scan: bool = False,
    progress: Progress | None = None,
) -> Exported:
    """Write every kind that is asked for below `out_dir`; names of files say nothing about the patient.

    Raises:
        OutputError: a folder or file cannot be written, or what is asked for would give the identity away.
    """
    show = progress or (lambda _fraction, _what: None)
    wanted = [kind for kind in KINDS if kind in kinds]
    total = sum(_EFFORT.get(kind, 1.0) for kind in wanted)
    done, files, remarks = 0.0, list[Path](), list[str]()
    make_folder(out_dir)
    for kind in wanted:
        start, share = done / total, _EFFORT.get(kind, 1.0) / total
        show(start, f"writing {kind}")
        if kind == "bundle":
            left_out = write_bundle(
                findings, scan, case, out_dir / BUNDLE, identity=identity, with_scan=with_scan,
                progress=_part(show, start, start + share),
            )  # fmt: skip
            files.append(out_dir / BUNDLE)
            remarks += [f"Not in the bundle: {sentence}." for sentence in left_out]
        elif kind == "dicom":
            files += _dicom(findings, scan, case, out_dir, identity, _part(show, start, start + share))
        else:
            files += _whole(out_dir, _content(kind, findings, scan, case, identity))
        done += _EFFORT.get(kind, 1.0)
    if {"dicom", "bundle"} & set(wanted) and not pdf.can_write():
        remarks.append(
            "No PDF of the report is among the files, because the library that sets it (typst) is not installed here."
        )
    if identity is not Identity.AS_GIVEN and {"stl", "obj", "glb", "dicom"} & set(wanted):
        remarks.append("The shape of a jaw can itself be recognised; no program takes that out of a bone surface.")
    show(1.0, "done")
    return Exported(tuple(files), tuple(remarks))


def _content(kind: str, findings: Findings, scan: Scan, case: CaseFile, identity: Identity) -> dict[str, bytes]:
    """Files by name below the folder."""
    if kind == "csv":
        return csv_files(findings_content(findings, identity))
    if kind == "json":
        text = json.dumps(findings_content(findings, identity), indent=1, ensure_ascii=False, allow_nan=False)
        return {"findings.json": f"{text}\n".encode()}
    if kind == "templates":
        catalogue = load_library(scan, case).catalogue
        if not identity.keeps_free_text:
            _check_catalogue(catalogue, scan)
        return {f"templates/{name}": raw for name, raw in template_files(catalogue).items()}
    return write_meshes(bodies_of(findings, scan), kind)


def _check_catalogue(catalogue: Catalogue, scan: Scan) -> None:
    """Refuse a catalogue of the user's own in whose words the patient is named."""
    masked = without_names([scan.patient], short_parts=False)
    ours = {fixture.name: fixture.source for fixture in load_catalogue().fixtures}
    for fixture in catalogue.fixtures:
        if ours.get(fixture.name) == fixture.source:
            continue  # it came with the program, so a word in common with a name is chance
        if any(masked(words) != words for words in (fixture.name, fixture.source)):
            raise OutputError(
                "templates: a catalogue file that the case names also names the patient; take that out of it, or give "
                "the identity."
            )


def _whole(out_dir: Path, content: dict[str, bytes]) -> list[Path]:
    for folder in {(out_dir / name).parent for name in content}:
        make_folder(folder)
    for name, raw in content.items():
        write_whole(out_dir / name, raw)
    return [out_dir / name for name in content]


def _dicom(
    findings: Findings, scan: Scan, case: CaseFile, folder: Path, identity: Identity, show: Progress
) -> list[Path]:
    from siteplan.objects import write_objects

    return list(write_objects(findings, scan, case, folder, identity=identity, progress=show, with_plan=True))


def _part(show: Progress, start: float, end: float) -> Progress:
    return lambda fraction, what: show(start + (end - start) * fraction, what)
