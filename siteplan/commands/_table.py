"""The short table per site that `siteplan report` prints."""

from siteplan.bone.terminal import density_words, measure_words
from siteplan.findings import Findings, SiteFindings
from siteplan.measures import Measure, all_flags, distance_words
from siteplan.placement import Clearance
from siteplan.report.remarks import about_words, beside_verdict, demand_words, rim_words, site_roof_words
from siteplan.report.verdicts import gravest


def distance(measure: Measure) -> str:
    """A distance that decides safety, rounded as the report rounds it: value and lower limit down, upper limit up."""
    if measure.value is None:
        return measure_words(measure)
    return distance_words(measure) + (f"  [{', '.join(measure.flags)}]" if measure.flags else "")


def site_tables(findings: Findings) -> str:
    """One block of lines per site, then what must be said with them."""
    blocks = [_scan_lines(findings)] if findings.scan.findings else []
    if findings.remarks:
        blocks.append("\n".join(f"remark: {remark}" for remark in findings.remarks))
    blocks += [_site_lines(site) for site in findings.sites]
    blocks.append("\n".join(line for site in findings.sites for line in _verdict_lines(site)))
    blocks.append("\n".join(f"- {caution}" for caution in findings.cautions))
    return "\n\n".join(blocks) + "\n"


def _verdict_lines(site: SiteFindings) -> list[str]:
    """A line for each site that says what decides it, then what must be said beside that."""
    tooth = site.entry.tooth
    worst = gravest(site.deciding)
    if worst is None:
        return [f"{tooth}: {'nothing to check against' if site.placed else 'bone only, no fixture planned'}"]
    said = "" if worst.contact and worst.verdict.good else f"{worst.verdict.value}: "
    lines = [f"{tooth}: {said if worst.verdict.good else said.upper()}{_clearance(worst)}"]
    lines += [f"    {line}" for line in (*beside_verdict(site, worst), rim_words(site)) if line]
    return [_plain(line) for line in lines]


def _clearance(found: Clearance) -> str:
    return f"{about_words(found, found.structure)}: {distance(found.distance)}, {demand_words(found)}"


def _plain(text: str) -> str:
    return text.replace("\u00a0", " ").replace("−", "-")


def _scan_lines(findings: Findings) -> str:
    return "\n".join(f"{f.severity.value}: {f.what.rstrip('.')}. {f.remedy}".rstrip() for f in findings.scan.findings)


def _site_lines(site: SiteFindings) -> str:
    bone = site.bone
    density = site.density
    doubts = [f"  {found.severity.value.upper()}: {found.sentence}" for found in site.scan_findings]
    mean = ("mean grey value", bone.mean_grey)
    measures = [
        *((f"ridge width {m.depth_mm:g} mm below the crest", m) for m in bone.ridge_width),
        ("crestal cortex", bone.crestal_cortex),
        ("second cortex at depth", bone.second_cortex_depth),
        mean if bone.mean_hu.value is None else ("mean Hounsfield value", bone.mean_hu),
    ]
    rows = [
        ("fixture", site.placed.fixture.name if site.placed else "none planned"),
        *((name, measure_words(measure)) for name, measure in measures),
        (f"density class, {density.table}", density_words(density)),
    ]
    roofs = site_roof_words(site)
    for found in site.headline_clearances:
        rows.append((found.structure, f"{distance(found.distance)}, {_plain(demand_words(found))}: {found.verdict}"))
        if found.structure in roofs:
            rows.append(("", _plain(roofs[found.structure])))
    if site.placed is not None:
        card = site.placed.preparation
        rows += [
            (f"{n}. {step.drill.name}", f"{step.shows}; its tip is then {step.tip_depth_mm:.1f} mm below it")
            for n, step in enumerate(card.steps, 1)
        ]
        rows += [("problem", p.text) for p in card.problems if not any(p.text in doubt for doubt in doubts)]
    wide = max(len(name) for name, _ in rows)
    notes = [f"  note {flag.value}: {flag.meaning}" for flag in all_flags(measure for _, measure in measures)]
    table = [f"  {name:<{wide}}  {text}" for name, text in rows]
    return "\n".join([f"Site {site.entry.tooth}", *doubts, *table, *notes])
