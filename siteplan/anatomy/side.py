"""Left or right of the patient, where the scan itself can tell."""

import numpy as np
from numpy.typing import ArrayLike

from siteplan.anatomy.levels import levels_of
from siteplan.scan.volume import Scan

WIDE_MM = 90.0
"""A field this wide holds both sides of the jaws (our own)."""

MIDLINE_MM = 8.0
"""Nearer to the middle than this, no side is named (our own)."""


def side_of(scan: Scan, point_lps_mm: ArrayLike) -> str:
    """ "left", "right", or "" where the field is too narrow to know the midline.

    The x of a small field is no help: many scanners put zero at the middle of the field, not of the patient.
    LPS x grows towards the patient's left (DICOM PS3.3 C.7.6.2.1.1).
    """
    midline = midline_mm(scan)
    away = 0.0 if midline is None else float(np.asarray(point_lps_mm, dtype=np.float64)[0]) - midline
    if abs(away) < MIDLINE_MM:
        return ""
    return "left" if away > 0 else "right"


def midline_mm(scan: Scan) -> float | None:
    """LPS x of the middle of what is not air, as the mean over all such voxels; None in a narrow field."""
    corners = scan.index_to_lps([(0, 0, 0), (scan.shape[0] - 1, scan.shape[1] - 1, scan.shape[2] - 1)])
    if abs(float(corners[1, 0] - corners[0, 0])) < WIDE_MM:
        return None
    k, j, i = (max(1, n // 60) for n in scan.shape)
    thin = (slice(None, None, k), slice(None, None, j), slice(None, None, i))
    body = scan.values(thin) > levels_of(scan).air_edge
    index = np.argwhere(body) * np.array([k, j, i])
    return float(scan.index_to_lps(index)[:, 0].mean()) if len(index) else None
