"""A small invented jaw in memory: a straight bar of bone with a shell, a canal and a root, and a case for it."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.assessment import with_seating
from siteplan.case.store import CaseFile, parse_case
from siteplan.findings import Findings
from siteplan.scan.findings import ScanFinding, Severity
from siteplan.scan.volume import GreyScale, Patient, Scan, SeriesFacts
from siteplan.surgery import load_kit, load_protocol
from siteplan.surgery.entries import Entry, Kind
from siteplan.surgery.record import Record, add_entry
from siteplan.surgery.seating_plan import SeatingPlan, seating_plan

AIR, SOFT, SPONGY, CORTEX = -900.0, 60.0, 500.0, 1500.0
CREST_Z, HALF_WIDTH, HEIGHT, SHELL = 0.0, 5.0, 26.0, 1.8
CENTRE_X = 30.0
SITE_36 = (CENTRE_X, 0.0, CREST_Z)
SITE_37 = (CENTRE_X, 9.0, CREST_Z)

NAME, IDENTIFIER, BORN, STUDIED = "QUENTINO^XAVERINE^ZOENIRA", "ID-77413-XQ", "19511203", "20260704"
UID = "1.2.826.0.1.3680043.8.498.777413"


def made_scan(spacing_kji: tuple[float, float, float] = (0.4, 0.4, 0.4), *, noise: float = 8.0) -> Scan:
    """Bone from z = 0 downwards around x = 30, running along y; the patient's left lower jaw."""
    k_mm, j_mm, i_mm = spacing_kji
    x = np.arange(14.0, 46.0, i_mm)
    y = np.arange(-16.0, 22.0, j_mm)
    z = np.arange(-32.0, 12.0, k_mm)
    zz, _, xx = np.meshgrid(z, y, x, indexing="ij")
    depth, aside = -zz, np.abs(xx - CENTRE_X)
    # Signed distance to the bar's outer surface, softened by a smooth step as a scanner's blur would.
    outer = np.maximum(np.maximum(-depth, depth - HEIGHT), aside - HALF_WIDTH)
    inner = outer + SHELL
    grey = np.full(xx.shape, SOFT)
    grey += (CORTEX - SOFT) * _step(-outer, 0.3) - (CORTEX - SPONGY) * _step(-inner, 0.3)
    grey += (AIR - SOFT) * _step(zz - 4.0, 0.3)
    grey += np.random.default_rng(5).normal(0, noise, grey.shape)
    affine = np.eye(4)
    affine[0, 0], affine[1, 1], affine[2, 2] = i_mm, j_mm, k_mm
    affine[:3, 3] = x[0], y[0], z[0]
    ones = np.ones(len(z))
    return Scan(
        np.round(grey).astype(np.int16),
        affine,
        ones,
        np.zeros(len(z)),
        GreyScale("", False, "no rescale type is stored", "Invented", "Model 1", 90.0, 12.0),
        Patient(NAME, IDENTIFIER, BORN, "F"),
        SeriesFacts(UID, UID + ".1", "CT", "", (), f"scan of {NAME.split('^')[0]}", STUDIED, len(z)),
        (ScanFinding("missing-slice", Severity.WARNING, "One slice is missing", f"{NAME}.dcm", "Ask for it"),),
    )


def _step(signed: np.ndarray, blur_mm: float) -> np.ndarray:
    return 1.0 / (1.0 + np.exp(-signed / (0.5 * blur_mm)))


def site(tooth: int, crest: tuple[float, float, float], **more: Any) -> dict[str, Any]:
    """One entry of `sites`."""
    return {"tooth": tooth, "crest_mm": crest, "axis": (0, 0, -1), "buccal": (1, 0, 0), **more}


def canal(**more: Any) -> dict[str, Any]:
    """A straight canal 17 mm below the crest."""
    points = [(CENTRE_X - 1.0, float(y), -17.0) for y in range(-14, 21, 2)]
    entry = {"kind": "canal", "name": "left mandibular canal", "side": "left", "points_mm": points, "radius_mm": 1.4}
    return entry | more


def root() -> dict[str, Any]:
    """A root mesial of the first site."""
    cone = {"base_mm": (CENTRE_X, -8.0, 2.0), "tip_mm": (CENTRE_X, -7.0, -12.0), "base_radius_mm": 2.5}
    return {"kind": "root", "name": "root of 35", "side": "left", "cone": cone | {"tip_radius_mm": 1.0}}


def made_case(sites: list[dict[str, Any]], structures: list[dict[str, Any]] | None = None, **more: Any) -> CaseFile:
    """A case as if it had been read from a file."""
    content = {
        "schema": "siteplan-case/1",
        "units": "mm",
        "series": "series",
        "sites": sites,
        "structures": [canal(), root()] if structures is None else structures,
    }
    raw = json.dumps(content | more).encode()
    return CaseFile(parse_case(raw), Path("case.json"), "cd34" * 16)


def made_plan(findings: Findings) -> SeatingPlan:
    """The plan for seating the fixture of the first site."""
    site = findings.sites[0]
    assert site.placed is not None
    placed = site.placed
    kit, protocol = load_kit("demo-kit"), load_protocol("demo-protocol")
    return seating_plan(placed.preparation, placed.fixture, placed.apex_depth_mm, kit, protocol, site.entry.tooth)


def with_record(findings: Findings, folder: Path, entries: list[Entry], day: str) -> Findings:
    """The findings with a seating record of the first site, one entry a minute from nine o'clock on."""
    path = folder / "case.seating.jsonl"
    record = Record(findings.sites[0].entry.tooth, ())
    for minute, entry in enumerate(entries):
        record = add_entry(path, record, entry, time=f"{day}T09:{minute:02d}:00+01:00")
    sites, remarks = with_seating(findings.sites, path)
    return replace(findings, sites=sites, remarks=remarks)


def with_talkative_record(findings: Findings, folder: Path, said: str, day: str) -> Findings:
    """The same with `said` in every field that takes text."""
    kinds = (Kind.DRILLED, Kind.FELT, Kind.LOT, Kind.NOTE)
    plan = replace(made_plan(findings), warnings=(f"canal of {said}: breaks the margin",))
    entries = [Entry(Kind.STARTED, plan=plan), *(Entry(kind, text=said) for kind in kinds)]
    entries += [Entry(Kind.TAKEN_OUT), Entry(Kind.OPENED, text=said), Entry(Kind.CORRECTION, of=4, text=f"not {said}")]
    return with_record(findings, folder, entries, day)
