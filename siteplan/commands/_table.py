"""The short table per site that `siteplan report` prints."""

from siteplan.findings import Findings, SiteFindings
from siteplan.flags import Flag
from siteplan.measures import Measure


def number(measure: Measure, digits: int = 1) -> str:
    """Value with its interval and unit, or why there is none."""
    if measure.value is None:
        return "not measured: " + "; ".join(Flag(flag).meaning for flag in measure.flags)
    text = f"{measure.value:.{digits}f}"
    if measure.low is not None and measure.high is not None:
        text += f" ({measure.low:.{digits}f} to {measure.high:.{digits}f})"
    doubt = f"  [{', '.join(measure.flags)}]" if measure.flags else ""
    return f"{text} {measure.unit}{doubt}"


def site_tables(findings: Findings) -> str:
    """One block of lines per site, then what must be said with them."""
    blocks = [_scan_lines(findings)] if findings.scan.findings else []
    blocks += [_site_lines(site) for site in findings.sites]
    blocks.append("\n".join(f"- {caution}" for caution in findings.cautions))
    return "\n\n".join(blocks) + "\n"


def _scan_lines(findings: Findings) -> str:
    return "\n".join(f"{f.severity.value}: {f.what.rstrip('.')}. {f.remedy}".rstrip() for f in findings.scan.findings)


def _site_lines(site: SiteFindings) -> str:
    bone = site.bone
    density = site.density
    rows = [
        ("fixture", site.placed.fixture.name if site.placed else "none planned"),
        ("ridge width", ", ".join(_at_depth(m) for m in bone.ridge_width)),
        ("crestal cortex", number(bone.crestal_cortex, 2)),
        ("second cortex at", number(bone.second_cortex_depth)),
        ("mean grey", number(bone.mean_grey, 0)),
        ("density class", _density(density.label, density.table, density.calibrated)),
    ]
    rows += [
        (c.structure, f"{number(c.distance)}, margin {c.margin.value_mm:g} mm: {c.verdict}")
        for c in site.headline_clearances
    ]
    if site.placed is not None:
        card = site.placed.preparation
        rows += [
            (f"{n}. {step.drill.name}", f"{step.shows}; its tip is then {step.tip_depth_mm:.1f} mm below it")
            for n, step in enumerate(card.steps, 1)
        ]
        rows += [("problem", problem.text) for problem in card.problems]
    wide = max(len(name) for name, _ in rows)
    return "\n".join([f"Site {site.entry.tooth}", *(f"  {name:<{wide}}  {text}" for name, text in rows)])


def _at_depth(measure: Measure) -> str:
    value = "-" if measure.value is None else f"{measure.value:.1f}"
    return f"{value} at {measure.depth_mm:g}" + (" mm" if measure.value is not None else " mm (not measured)")


def _density(label: str | None, table: str, calibrated: bool) -> str:
    if label is None:
        return "not classed"
    return f"{label} ({table}{'' if calibrated else '; grey scale not calibrated, orientation only'})"
