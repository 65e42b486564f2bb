"""`write_shared`: what leaves the clinic, with the patient's identity removed unless it is asked for."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from siteplan.case.store import write_whole
from siteplan.findings import Findings
from siteplan.report import pdf
from siteplan.report.document import document
from siteplan.report.figures import SiteFigures, overviews, site_figures, site_sections, voxel_words
from siteplan.report.former import LIST_NAME, clear_former, keep_list
from siteplan.report.identity import Identity
from siteplan.report.message_figure import message_of
from siteplan.report.naming import Naming
from siteplan.report.pdf import Paper
from siteplan.report.referrer import referrer_html, stacks_of
from siteplan.report.staging import scenes_of
from siteplan.report.writer import Progress, make_folder, placed
from siteplan.scan.volume import Scan


def write_shared(
    findings: Findings,
    scan: Scan,
    out_dir: Path,
    *,
    identity: Identity = Identity.NONE,
    progress: Progress | None = None,
    made: datetime | None = None,
    paper: Paper = "a4",
    tell: Callable[[str], None] | None = None,
) -> list[Path]:
    """Write `plan.html` (to leaf through), `report.pdf` and one picture per site for a message.

    File names say nothing about the patient. Files of an earlier report in the folder that this one does not replace
    are taken away, and `tell` hears so in one sentence; it also hears when there is no PDF, and why.

    Returns:
        The files written, the list that tells them from others' last.

    Raises:
        OutputError: the folder cannot be made or written, or holds pictures of another report that cannot be told
            from somebody's own files.
    """
    show = progress or (lambda _fraction, _what: None)
    when = made or datetime.now(UTC)
    content = document(findings, identity, when)
    scenes = scenes_of(findings, Naming.of(findings.structures, identity).names)
    files: dict[str, bytes] = {}
    drawn: list[SiteFigures] = []
    stacks: list[dict[str, Any]] = []
    show(0.0, "drawing the overview")
    over = overviews(findings, scan, scenes)
    for number, (site, scene) in enumerate(zip(findings.sites, scenes, strict=True)):
        show((number + 0.1) / (len(scenes) + 0.5), f"cutting tooth {scene.tooth} into sections")
        drawn.append(site_figures(findings, scan, site, scene))
        stacks.append(stacks_of(scan, scene, site_sections(findings, scan, scene)[2]))
    figures = placed(content, over, drawn)
    for row, site_content, pictures in zip(content["summary"], content["sites"], drawn, strict=True):
        page = site_content["page"]
        files[f"site-{page['tooth']}.png"] = message_of(pictures, page, row).png()
    show(0.95, "writing")
    files["plan.html"] = referrer_html(content, figures, stacks, voxel_words(scan)).encode()
    if pdf.can_write():
        files["report.pdf"] = pdf.report_pdf(content, figures, when, paper)
    elif tell is not None:
        tell(pdf.MISSING)
    make_folder(out_dir)
    clear_former(out_dir, files, tell)
    for name, raw in files.items():
        write_whole(out_dir / name, raw)
    keep_list(out_dir, files)
    show(1.0, "written")
    return [out_dir / name for name in (*files, LIST_NAME)]
