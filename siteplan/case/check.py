"""A case against the scan it names: every point must lie where the scan looked."""

import numpy as np

from siteplan.case.model import Case, StructureEntry
from siteplan.errors import CaseError
from siteplan.scan import Scan


def check_against_scan(case: Case, scan: Scan) -> None:
    """Refuse crest points outside the field of view.

    Structures may reach beyond it (a canal runs on), but one that lies wholly outside is in another patient's space.

    Raises:
        CaseError: one sentence that starts with the path inside the case file.
    """
    for number, site in enumerate(case.sites):
        if not scan.contains(site.crest_mm):
            raise CaseError(
                f"sites[{number}].crest_mm: tooth {site.tooth} is planned at {_mm(site.crest_mm)}, "
                f"outside this scan, which reaches from {_field(scan)}; check the coordinates (LPS, mm) and the series."
            )
    for number, structure in enumerate(case.structures):
        if not scan.contains(np.array(_points(structure))).any():
            raise CaseError(
                f"structures[{number}]: {structure.name} lies wholly outside this scan, which reaches from "
                f"{_field(scan)}; check the coordinates (LPS, mm) and the series."
            )


def _points(structure: StructureEntry) -> list[tuple[float, float, float]]:
    if structure.cone is not None:
        return [structure.cone.base_mm, structure.cone.tip_mm]
    return structure.surface.points_mm if structure.surface is not None else structure.points_mm or []


def _mm(point: tuple[float, float, float]) -> str:
    return "(" + ", ".join(f"{x:.1f}" for x in point) + ") mm"


def _field(scan: Scan) -> str:
    last = np.array(scan.shape) - 1
    corners = scan.index_to_lps([[k, j, i] for k in (0, last[0]) for j in (0, last[1]) for i in (0, last[2])])
    low, high = corners.min(axis=0), corners.max(axis=0)
    return f"({low[0]:.1f}, {low[1]:.1f}, {low[2]:.1f}) to ({high[0]:.1f}, {high[1]:.1f}, {high[2]:.1f}) mm"
