"""Does the typed thickness of the gum agree with the gum that the scan shows, and the platform's depth with use?"""

import numpy as np

from siteplan.bone import BoneFindings
from siteplan.scan import Scan, ScanFinding, Severity

_STEP_MM = 0.1
_REACH_MM = 16.0
"""A case may say up to 15 mm of gum."""
_RING_MM = 0.4
TOO_MUCH_MM = 1.5
TOO_LITTLE_MM = 2.5
"""Typed less than seen may also be cheek or tongue that lies on the gum, so more is allowed there (our own bounds)."""

HIGH_PLATFORM_MM = 2.0
DEEP_PLATFORM_MM = 3.0
"""Rims are set within about 2 mm above and 3 mm below the bone (common practice, no source)."""


def gum_seen_mm(scan: Scan, bone: BoneFindings) -> float | None:
    """Distance along the axis from the bone entry back to air (mm), or None where no air is met or no bone is found.

    Five lines are read: the axis and four around it. Air begins where their mean falls below halfway between air and
    soft tissue.
    """
    if bone.crest_offset.value is None or not bone.context.step > 0:
        return None
    depth = -np.arange(0.0, _REACH_MM, _STEP_MM)
    around = np.array([(0, 0), (_RING_MM, 0), (-_RING_MM, 0), (0, _RING_MM), (0, -_RING_MM)], dtype=np.float64)
    points = bone.frame.to_lps(depth[:, None], around[:, 0], around[:, 1])
    inside = scan.contains(points).all(axis=1)
    k, j, i = np.moveaxis(np.round(scan.lps_to_index(points[inside])).astype(int), -1, 0)
    stored = scan.voxels[k, j, i]
    grey = (stored * scan.slope[k] + scan.intercept[k]).mean(axis=1)
    if scan.padding is not None and (stored == scan.padding).any():
        grey = grey[: int(np.argmax((stored == scan.padding).any(axis=1)))]
    air = np.flatnonzero(grey < bone.context.soft - bone.context.step / 2)
    return float(-depth[inside][air[0]]) if len(air) else None


def gum_remarks(tooth: int, typed_mm: float | None, scan: Scan, bone: BoneFindings) -> list[ScanFinding]:
    """A warning where the typed thickness of the gum and the one that the scan shows differ much."""
    seen = None if typed_mm is None else gum_seen_mm(scan, bone)
    if typed_mm is None or seen is None:
        return []
    coarse = 2 * max(scan.spacing_kji_mm)
    difference = typed_mm - seen
    if -max(TOO_LITTLE_MM, coarse) <= difference <= max(TOO_MUCH_MM, coarse):
        return []
    other = "" if difference > 0 else ", or cheek or tongue lies on it there"
    return [
        ScanFinding(
            "gum-against-scan",
            Severity.WARNING,
            f"The case says {typed_mm:.1f} mm of gum at tooth {tooth}, but the scan shows {seen:.1f} mm between bone "
            f"and air on the axis{other}; drill marks counted from the gum would be wrong by the difference",
            f"tooth {tooth}",
            "Measure the gum with a probe and correct the case.",
        )
    ]


def platform_remarks(tooth: int, platform_depth_mm: float) -> list[ScanFinding]:
    """A warning where the platform lies unusually high above or deep below the measured bone entry."""
    if -HIGH_PLATFORM_MM <= platform_depth_mm <= DEEP_PLATFORM_MM:
        return []
    lies = f"{abs(platform_depth_mm):.1f} mm {'above' if platform_depth_mm < 0 else 'below'} the bone"
    return [
        ScanFinding(
            "platform-depth",
            Severity.WARNING,
            f"The platform of the fixture at tooth {tooth} lies {lies}, which is unusual",
            f"tooth {tooth}",
            "Check the planned crest point and the platform's depth; follow the fixture maker's instructions.",
        )
    ]
