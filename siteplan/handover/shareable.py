"""What findings and a case say once identity is taken out, in the form in which they are handed over."""

from typing import Any

from siteplan.case import Case
from siteplan.findings import Findings
from siteplan.report.identity import Identity, initials
from siteplan.report.naming import Naming
from siteplan.report.writer import findings_json
from siteplan.scan.volume import Scan

REMOVED = "not told: identity removed"


def findings_content(findings: Findings, identity: Identity) -> dict[str, Any]:
    """The content of `findings.json`; typed text, dates and unique identifiers only where identity is as given."""
    return findings_json(findings, Naming.of(findings.structures, identity), identity)


def case_content(case: Case, scan: Scan, findings: Findings, identity: Identity) -> dict[str, Any]:
    """The content of a case file that says no more than `identity` allows.

    Without free text: no title, label, notes, no remark by hand; structures are called by what they are; no series
    UID; a calibration keeps its numbers and loses source, date and device. File names in it are left to the caller.
    """
    content = case.as_json()
    if identity.keeps_free_text:
        return content
    names = Naming.of(findings.structures, identity).names
    for key in ("title", "patient_label", "notes", "series_uid"):
        content.pop(key, None)
    if identity is Identity.INITIALS and initials(scan.patient):
        content["patient_label"] = initials(scan.patient)
    content["sites"] = [_site(site, names) for site in content["sites"]]
    content["structures"] = [_structure(entry, names) for entry in content.get("structures", [])]
    marks = [{k: v for k, v in mark.items() if k != "text"} for mark in content.get("marks", [])]
    content["marks"] = [mark for mark in marks if mark["kind"] != "note"]
    content["arches"] = [{k: v for k, v in arch.items() if k != "note"} for arch in content.get("arches", [])]
    if isinstance(content.get("calibration"), dict):
        numbers = ("slope", "intercept", "slope_interval", "intercept_interval")
        kept = {k: v for k, v in content["calibration"].items() if k in numbers}
        content["calibration"] = kept | {"source": REMOVED}
    return content


def _site(site: dict[str, Any], names: dict[str, str]) -> dict[str, Any]:
    kept = {key: value for key, value in site.items() if key != "notes"}
    if "planned_contacts" in kept:
        kept["planned_contacts"] = [names[name] for name in kept["planned_contacts"]]
    return kept


def _structure(entry: dict[str, Any], names: dict[str, str]) -> dict[str, Any]:
    return {key: value for key, value in entry.items() if key != "note"} | {"name": names[entry["name"]]}
