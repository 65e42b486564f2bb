"""All that scan, structures and the other sites say against one site of a case.

A slip in a case (an axis upside down, a number of another tooth, a forgotten canal) leaves every number plausible by
itself, so what contradicts what is asked here and said beside the site.
"""

from collections.abc import Sequence

from siteplan.anatomy.structure import Structure
from siteplan.bone import BoneFindings
from siteplan.case.directions import direction_remarks, neighbour_remarks
from siteplan.case.model import SiteEntry
from siteplan.case.soft_tissue import gum_remarks, platform_remarks
from siteplan.case.surroundings import contact_remarks, missing_structure, structure_remarks
from siteplan.placement.margins import Margins
from siteplan.scan import Scan, ScanFinding

_WITHOUT_FIXTURE_MM = 12.0
"""Depth that is looked along where no fixture is planned: a common length."""


def site_doubts(
    entry: SiteEntry,
    sites: Sequence[SiteEntry],
    structures: Sequence[Structure],
    scan: Scan,
    bone: BoneFindings,
    margins: Margins,
    *,
    length_mm: float | None,
    platform_mm: float | None,
) -> tuple[ScanFinding, ...]:
    """Warnings beside one site, the gravest contradictions first; empty for a sound one.

    Args:
        sites: all of the case; the entry itself is passed over by its tooth number.
        length_mm, platform_mm: of the planned fixture, and its platform below the bone entry; None without one.
    """
    frame = entry.frame()
    start = frame.origin_lps_mm + entry.platform_depth_mm * frame.axis
    end = start + (length_mm or _WITHOUT_FIXTURE_MM) * frame.axis
    own = direction_remarks(entry.tooth, frame, scan)
    others = neighbour_remarks(entry, [site for site in sites if site.tooth != entry.tooth])
    if any(finding.code == "buccal-against-tooth" for finding in own):
        others = [finding for finding in others if finding.code != "order-against-tooth"]  # the same slip, said once
    apex = None if length_mm is None or platform_mm is None else platform_mm + length_mm
    seen = bone.canal_roof_depth if entry.jaw == "lower" else bone.second_cortex_depth
    return (
        *own,
        *others,
        *structure_remarks(entry.tooth, start, end, structures),
        *missing_structure(entry.tooth, start, end, structures, seen=seen, apex_depth_mm=apex),
        *contact_remarks(entry.tooth, entry.planned_contacts, structures, margins),
        *gum_remarks(entry.tooth, entry.soft_tissue_mm, scan, bone),
        *([] if platform_mm is None else platform_remarks(entry.tooth, platform_mm)),
    )
