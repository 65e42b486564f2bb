"""A case against the scan it names: every point must lie where the scan looked."""

import numpy as np

from siteplan.case.directions import REFUSE_TILT_DEG, axis_words, tilt_deg
from siteplan.case.model import Case, StructureEntry
from siteplan.case.surroundings import OUTSIDE_REFUSE_MM, outside_scan_mm
from siteplan.errors import CaseError
from siteplan.scan import Scan


def check_against_scan(case: Case, scan: Scan) -> None:
    """Refuse crest points outside the field of view, axes that point out of the jaw, structures in another space.

    Structures may reach beyond the field (a canal runs on), but one that lies wholly or far outside is in another
    patient's space. An axis more than 120 degrees from where the roots of its jaw point is no posture but a slip.

    Raises:
        CaseError: one sentence that starts with the path inside the case file.
    """
    for number, site in enumerate(case.sites):
        if not scan.contains(site.crest_mm):
            raise CaseError(
                f"sites[{number}].crest_mm: tooth {site.tooth} is planned at {_mm(site.crest_mm)}, "
                f"outside this scan, which reaches from {field_of(scan)}; check the coordinates (LPS, mm) and the "
                "series."
            )
        angle = tilt_deg(site.frame().axis, site.tooth)
        if angle > REFUSE_TILT_DEG:
            raise CaseError(
                f"sites[{number}].axis: {axis_words(site.tooth, angle)}; turn the axis round, from the crest towards "
                "the apex, or correct the tooth number."
            )
    for number, structure in enumerate(case.structures):
        points = np.array(_points(structure))
        far = outside_scan_mm(scan, points)
        if far > OUTSIDE_REFUSE_MM and scan.contains(points).any():
            raise CaseError(
                f"structures[{number}]: {structure.name} reaches {far:.0f} mm outside this scan, which reaches from "
                f"{field_of(scan)}; check the coordinates (LPS, mm) of its points."
            )
        if not scan.contains(points).any():
            raise CaseError(
                f"structures[{number}]: {structure.name} lies wholly outside this scan, which reaches from "
                f"{field_of(scan)}; check the coordinates (LPS, mm) and the series."
            )


def _points(structure: StructureEntry) -> list[tuple[float, float, float]]:
    if structure.cone is not None:
        return [structure.cone.base_mm, structure.cone.tip_mm]
    return structure.surface.points_mm if structure.surface is not None else structure.points_mm or []


def _mm(point: tuple[float, float, float]) -> str:
    return "(" + ", ".join(f"{x:.1f}" for x in point) + ") mm"


def field_of(scan: Scan) -> str:
    """From where to where a scan reaches, for a message."""
    last = np.array(scan.shape) - 1
    corners = scan.index_to_lps([[k, j, i] for k in (0, last[0]) for j in (0, last[1]) for i in (0, last[2])])
    low, high = corners.min(axis=0), corners.max(axis=0)
    return f"({low[0]:.1f}, {low[1]:.1f}, {low[2]:.1f}) to ({high[0]:.1f}, {high[1]:.1f}, {high[2]:.1f}) mm"
