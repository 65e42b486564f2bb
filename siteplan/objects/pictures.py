"""The report and the picture of each site, made anew for the identity of an export."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from siteplan.findings import Findings
from siteplan.report import pdf
from siteplan.report.document import document
from siteplan.report.figures import overviews, site_figures
from siteplan.report.identity import Identity
from siteplan.report.message_figure import message_of
from siteplan.report.naming import Naming
from siteplan.report.staging import scenes_of
from siteplan.report.writer import placed

Show = Callable[[float, str], None]


@dataclass(frozen=True)
class Pictures:
    """report_pdf: b"" where the typesetting library is missing. sites: PNG of each site's picture by tooth."""

    report_pdf: bytes
    sites: tuple[tuple[int, bytes], ...]


def pictures_of(
    findings: Findings, identity: Identity, made: datetime, show: Show, *, with_report: bool = True
) -> Pictures:
    """Draw every figure once and set the report with them.

    Args:
        with_report: False leaves the report out, for example because a finished one is at hand.
    """
    scan = findings.scan
    content = document(findings, identity, made)
    scenes = scenes_of(findings, Naming.of(findings.structures, identity).names)
    show(0.0, "drawing the overview")
    over = overviews(findings, scan, scenes) if with_report else []
    drawn = []
    for number, (site, scene) in enumerate(zip(findings.sites, scenes, strict=True)):
        show((number + 0.1) / (len(scenes) + 0.5), f"drawing tooth {scene.tooth}")
        drawn.append(site_figures(findings, scan, site, scene))
    figures = placed(content, over, drawn)
    rows = zip(content["summary"], content["sites"], drawn, strict=True)
    sites = tuple((site["page"]["tooth"], message_of(figs, site["page"], row).png()) for row, site, figs in rows)
    report = pdf.report_pdf(content, figures, made) if with_report and pdf.can_write() else b""
    return Pictures(report, sites)
