"""The whole report as one plain structure of text: HTML, PDF and the referrer's page are three dresses of it."""

from datetime import UTC, datetime
from typing import Any

from siteplan import __version__
from siteplan.case.tooth import jaw_of, side_of, universal_of
from siteplan.findings import FAR_FIXTURE_MM, Findings, SiteFindings, far_apart
from siteplan.placement import Clearance
from siteplan.report import verdicts
from siteplan.report.card_content import card_content
from siteplan.report.hand_content import hand_rows
from siteplan.report.identity import Identity, finding_words, patient_rows, running_head
from siteplan.report.methods_content import methods_content
from siteplan.report.naming import Naming
from siteplan.report.remarks import about_words, beside_verdict, demand_words
from siteplan.report.seating_content import seating_content
from siteplan.report.site_content import fixture_words, margin_words, risk_cell, site_content, site_verdict
from siteplan.report.words import Notes, cell, date_words, millimetres, safe_cell, sentence, with_unit
from siteplan.scan.volume import Scan


def document(findings: Findings, identity: Identity, made: datetime | None = None) -> dict[str, Any]:
    """All text of the report. `figures` are added by the writer, by the names in `figure_names`.

    Args:
        made: the time to print; now when not given.
    """
    naming = Naming.of(findings.structures, identity)
    case = findings.case.case
    when = made or datetime.now(UTC)
    notes = Notes()
    return {
        "title": case.title if identity.keeps_free_text and case.title else "Site assessment",
        "made": when.strftime("%Y-%m-%d %H:%M UTC"),
        "software": f"siteplan {__version__}",
        "identity": identity.value,
        "head": running_head(findings.scan, case, identity),
        "patient": [{"label": a, "value": b} for a, b in patient_rows(findings.scan, case, identity)],
        "scan": scan_rows(findings.scan, identity),
        "scan_findings": [_scan_finding(f, identity) for f in findings.scan.findings],
        "assessment_remarks": _remarks(findings, identity),
        "calibrated": findings.calibration is not None,
        "summary": [_summary_row(site, naming, notes) for site in findings.sites],
        "between": [_between(findings, c, naming, notes) for c in findings.between_fixtures if not far_apart(c)],
        "between_far": _far_pairs(findings),
        "structures": [
            {"letter": naming.letter(s.name), "name": naming.name(s.name), "kind": s.kind.value.replace("-", " "),
             "made_by": s.made_by.value, "uncertainty": with_unit(s.uncertainty_mm, "mm", 2)}
            for s in findings.structures
        ],
        "remarks": case.notes if identity.keeps_free_text else "",
        "by_hand": hand_rows(findings, identity),
        "cautions": list(findings.cautions),
        "sites": [
            {
                "page": site_content(findings, site, naming, identity),
                "card": card_content(findings, site, naming),
                "seating": seating_content(site, identity),
            }
            for site in findings.sites
        ],
        "methods": methods_content(findings, identity),
        "notes": notes.listed(),
        "series_short": findings.scan.digest[:12] or "none",
        "case_short": findings.case.digest[:12],
    }  # fmt: skip


def _remarks(findings: Findings, identity: Identity) -> list[str]:
    """What the assessment has to say. It may quote what a person wrote, so without identity it is only counted."""
    if identity.keeps_free_text or not findings.remarks:
        return [sentence(remark) for remark in findings.remarks]
    return [f"The assessment made remarks ({len(findings.remarks)}) that the original report shows."]


def scan_rows(scan: Scan, identity: Identity) -> list[dict[str, str]]:
    """The facts of the scan that a reader needs to judge the numbers."""
    k, j, i = scan.spacing_kji_mm
    slices, rows, columns = scan.shape
    grey = scan.grey
    pairs = [
        ("Voxel", f"{millimetres((i, j, k))} (columns, rows, slices)"),
        ("Size", f"{columns} × {rows} × {slices} voxels, {scan.series.files} files"),
        ("Device", " ".join(part for part in (grey.manufacturer, grey.model) if part) or "not given"),
        ("Exposure", _exposure(scan)),
        ("Grey scale", sentence(grey.why)),
        ("Compression", "lossy at some time: fine detail may be altered" if grey.lossy else "none that loses detail"),
    ]
    if identity.keeps_free_text:
        pairs.insert(0, ("Series", scan.series.description or "no description"))
        pairs.insert(1, ("Date", date_words(scan.series.study_date) or "not given"))
    return [{"label": label, "value": value} for label, value in pairs]


def _exposure(scan: Scan) -> str:
    grey = scan.grey
    parts = []
    if grey.kvp is not None:
        parts.append(f"{grey.kvp:g} kV")
    if grey.exposure_mas is not None:
        parts.append(f"{grey.exposure_mas:g} mAs")
    if grey.reconstruction_diameter_mm is not None:
        parts.append(f"field {grey.reconstruction_diameter_mm:g} mm")
    return ", ".join(parts) or "not given"


def _scan_finding(finding: Any, identity: Identity) -> dict[str, str]:
    return {
        "severity": finding.severity.value,
        "what": sentence(finding_words(finding.code, finding.what, identity)),
        "where": finding.where if identity.keeps_free_text else "",
        "remedy": sentence(finding.remedy),
    }


def _summary_row(site: SiteFindings, naming: Naming, notes: Notes) -> dict[str, Any]:
    worst = verdicts.gravest(site.deciding)
    narrow = [m for m in site.bone.ridge_width if m.value is not None]
    narrowest = min(narrow, key=lambda m: m.value or 0.0) if narrow else site.bone.ridge_width[0]
    tooth = site.entry.tooth
    upper = jaw_of(tooth) == "upper"
    return {
        "tooth": tooth,
        "other_notation": universal_of(tooth),
        "place": f"{jaw_of(tooth)}, {side_of(tooth)}",
        "fixture": fixture_words(site.placed),
        "narrowest": cell(narrowest, notes),
        "narrowest_at": "" if narrowest.depth_mm is None else f"{narrowest.depth_mm:g}\u00a0mm down",
        "height": cell(site.bone.available_height, notes),
        "density": site.density.label or "not classed",
        "density_status": "calibrated" if site.density.calibrated else "not calibrated",
        "tightest": None if worst is None else safe_cell(worst.distance, notes),
        "tightest_about": "" if worst is None else about_words(worst, naming.name(worst.structure)),
        "demand": "" if worst is None else demand_words(worst),
        "margin_note": None if worst is None else notes.number(margin_words(worst, upper)),
        "also": [naming.clean(line) for line in beside_verdict(site, worst)],
        "verdict": site_verdict(site, naming),
    }


def _far_pairs(findings: Findings) -> str:
    """How many pairs of fixtures are left out of the table, and why; "" for none."""
    count = sum(far_apart(c) for c in findings.between_fixtures)
    if not count:
        return ""
    pairs = "1 pair is" if count == 1 else f"{count} pairs are"
    return f"{pairs} more than {with_unit(FAR_FIXTURE_MM, 'mm', 0)} apart and keep the margin."


def _between(findings: Findings, clearance: Clearance, naming: Naming, notes: Notes) -> dict[str, Any]:
    hand, note = risk_cell(findings.risk_between(clearance), notes, both=True)
    return {
        "hand": hand,
        "hand_note": note,
        "about": naming.name(clearance.structure),
        "distance": safe_cell(clearance.distance, notes),
        "margin": demand_words(clearance).removeprefix("margin "),
        "margin_note": notes.number(margin_words(clearance)),
        "verdict": verdicts.shown(clearance.verdict),
    }
