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
from siteplan.report.figures import Figure, overviews, site_figures
from siteplan.report.html import report_html
from siteplan.report.identity import Identity
from siteplan.report.naming import Naming, without_identity
from siteplan.report.pdf import Paper
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
) -> list[Path]:
    """Write `findings.json`, `report.html`, `report.pdf` and the figures into `out_dir`, made if it is not there.

    Without the typesetting library there is no PDF, and the HTML says so in one sentence.

    Args:
        case: must be the case that `findings` were made from; only its identity fields are read.
        identity: how much of the patient's identity is written; see `Identity`.
        made: the time to print; now when not given.
        paper: size of the PDF's pages; the HTML prints on any.

    Returns:
        The files written, findings first.

    Raises:
        OutputError: the folder cannot be made or written.
    """
    show = progress or (lambda _fraction, _what: None)
    when = made or datetime.now(UTC)
    content, figures = build(findings, scan, identity, when, show)
    _make(out_dir)
    naming = Naming.of(findings.structures, identity)
    data = findings.as_json() if identity.keeps_free_text else without_identity(findings.as_json(), naming)
    show(0.92, "writing the report")
    files = {"findings.json": (json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()}
    if pdf.can_write():
        files["report.pdf"] = pdf.report_pdf(content, figures, when, paper)
    else:
        content["assessment_remarks"].append(pdf.MISSING)
    files["report.html"] = report_html(content, figures).encode()
    files |= figures
    for name, raw in files.items():
        write_whole(out_dir / name, raw)
    show(1.0, "report written")
    return [out_dir / name for name in files]


def build(
    findings: Findings, scan: Scan, identity: Identity, made: datetime | None, show: Progress
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """The document with its figures placed, and the PNG of each figure by name."""
    content = document(findings, identity, made)
    scenes = scenes_of(findings, Naming.of(findings.structures, identity).names)
    figures: dict[str, bytes] = {}

    def keep(figure: Figure) -> dict[str, Any]:
        if figure.png:
            figures[figure.file] = figure.png
        return figure.entry()

    show(0.0, "drawing the overview")
    content["overviews"] = [keep(figure) for figure in overviews(findings, scan, scenes)]
    for number, (site, scene) in enumerate(zip(findings.sites, scenes, strict=True)):
        show(0.05 + 0.85 * number / len(scenes), f"drawing tooth {scene.tooth}")
        drawn = site_figures(findings, scan, site, scene)
        content["sites"][number]["page"]["figures"] = {
            "across": keep(drawn.across),
            "along": keep(drawn.along),
            "profile": keep(drawn.profile),
            "solid": keep(drawn.solid),
        }
    return content, figures


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: this folder cannot be made ({error.strerror}); choose another.") from error
