"""Makes an export and keeps what it was made from."""

from dataclasses import dataclass, replace
from pathlib import Path

import siteplan
from siteplan.findings import Findings
from siteplan.objects import ObjectKind, write_objects
from siteplan.report import Identity

QUICK = (ObjectKind.MEASUREMENTS, ObjectKind.SEGMENTATION, ObjectKind.SURFACES, ObjectKind.FIXTURES)
"""The kinds that draw nothing."""


@dataclass(frozen=True)
class Export:
    """One export: what it was made from and its files by name."""

    findings: Findings
    series: Path
    identity: Identity
    files: dict[str, Path]


def exported(
    case_path: Path, out: Path, identity: Identity, kinds: tuple[ObjectKind, ...], *, calibrated: bool = True
) -> Export:
    case = siteplan.load_case(case_path)
    if not calibrated:
        case = replace(case, case=case.case.model_copy(update={"calibration": None}))
    findings = siteplan.assess(siteplan.read_scan(case.series_path), case)
    files = write_objects(findings, findings.scan, case, out, identity=identity, kinds=kinds)
    return Export(findings, case.series_path, identity, {path.name: path for path in files})
