"""`write_report`: findings in, a folder of files out."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from siteplan.case import CaseFile
from siteplan.case.store import write_whole
from siteplan.errors import OutputError
from siteplan.findings import Findings
from siteplan.report import pdf
from siteplan.report.document import document
from siteplan.report.figures import Figure, SiteFigures, overviews, site_figures
from siteplan.report.former import clear_former, keep_list
from siteplan.report.html import report_html
from siteplan.report.identity import Identity
from siteplan.report.naming import Naming, without_identity
from siteplan.report.pdf import Paper
from siteplan.report.seating_content import shared_seating
from siteplan.report.staging import scenes_of
from siteplan.scan.volume import Scan

Progress = Callable[[float, str], None]


def write_report(
    findings: Findings,
    scan: Scan,
    case: CaseFile,
    out_dir: Path,
    *,
    progress: Progress | None = None,
    identity: Identity = Identity.AS_GIVEN,
    made: datetime | None = None,
    paper: Paper = "a4",
    tell: Callable[[str], None] | None = None,
) -> list[Path]:
    """Write `findings.json`, `report.html`, `report.pdf` and the figures into `out_dir`, made if it is not there.

    Without the typesetting library there is no PDF, and the HTML says so in one sentence.

    Args:
        case: must be the case that `findings` were made from; only its identity fields are read.
        identity: how much of the patient's identity is written; see `Identity`.
        made: the time to print; now when not given.
        paper: size of the PDF's pages; the HTML prints on any.
        tell: hears one sentence where files of an earlier report were taken out of the folder.

    Returns:
        The files of the report, findings first; beside them lies a list that tells them from others'.

    Raises:
        OutputError: the folder cannot be made or written, or holds pictures of another report that cannot be told
            from somebody's own files.
    """
    show = progress or (lambda _fraction, _what: None)
    when = made or datetime.now(UTC)
    content, figures = build(findings, scan, identity, when, show)
    make_folder(out_dir)
    naming = Naming.of(findings.structures, identity)
    data = findings_json(findings, naming, identity)
    show(0.92, "writing the report")
    files = {"findings.json": (json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()}
    if pdf.can_write():
        files["report.pdf"] = pdf.report_pdf(content, figures, when, paper)
    else:
        content["assessment_remarks"].append(pdf.MISSING)
    files["report.html"] = report_html(content, figures).encode()
    files |= figures
    clear_former(out_dir, files, tell)
    for name, raw in files.items():
        write_whole(out_dir / name, raw)
    keep_list(out_dir, files)
    show(1.0, "report written")
    return [out_dir / name for name in files]


def findings_json(findings: Findings, naming: Naming, identity: Identity) -> dict[str, Any]:
    """The content of `findings.json`, with as much of the patient's identity as is asked for."""
    data = findings.as_json()
    if identity.keeps_free_text:
        return data
    for member, site in zip(data["sites"], findings.sites, strict=True):
        member["seating"] = shared_seating(site.seating) if site.seating else None
    shared: dict[str, Any] = without_identity(data, naming)
    return shared


def build(
    findings: Findings, scan: Scan, identity: Identity, made: datetime | None, show: Progress
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """The document with its figures placed, and the PNG of each figure by name."""
    content = document(findings, identity, made)
    scenes = scenes_of(findings, Naming.of(findings.structures, identity).names)
    show(0.0, "drawing the overview")
    over = overviews(findings, scan, scenes)
    drawn = []
    for number, (site, scene) in enumerate(zip(findings.sites, scenes, strict=True)):
        show(0.05 + 0.85 * number / len(scenes), f"drawing tooth {scene.tooth}")
        drawn.append(site_figures(findings, scan, site, scene))
    return content, placed(content, over, drawn)


def placed(content: dict[str, Any], over: list[Figure], drawn: list[SiteFigures]) -> dict[str, bytes]:
    """Put figures where the document shows them; returns the PNG of each by name."""
    content["overviews"] = [figure.entry() for figure in over]
    for site, figures in zip(content["sites"], drawn, strict=True):
        names = ("across", "along", "profile", "solid")
        site["page"]["figures"] = {name: getattr(figures, name).entry() for name in names}
        if figures.seating is not None:
            site["seating"]["figure"] = figures.seating.entry()
    everything = [*over, *(figure for figures in drawn for figure in figures.all)]
    return {figure.file: figure.png for figure in everything if figure.png}


def make_folder(folder: Path) -> None:
    """Make a folder and those above it.

    Raises:
        OutputError: something stands in the way.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: this folder cannot be made ({error.strerror}); choose another.") from error
