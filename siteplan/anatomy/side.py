"""Left or right of the patient, where the scan itself can tell."""

import numpy as np
from numpy.typing import ArrayLike

from siteplan.scan.volume import Scan

WIDE_MM = 90.0
"""A field this wide holds both sides of the jaws, so its middle is near the midline (our own)."""

MIDLINE_MM = 8.0
"""Nearer to the middle of the field than this, no side is named (our own)."""


def side_of(scan: Scan, point_lps_mm: ArrayLike) -> str:
    """ "left", "right", or "" where the field is too narrow to know the midline.

    The x of a small field is no help: many scanners put zero at the middle of the field, not of the patient.
    LPS x grows towards the patient's left (DICOM PS3.3 C.7.6.2.1.1).
    """
    corners = scan.index_to_lps([(0, 0, 0), (scan.shape[0] - 1, scan.shape[1] - 1, scan.shape[2] - 1)])
    low, high = np.sort(corners[:, 0])
    away = float(np.asarray(point_lps_mm, dtype=np.float64)[0]) - (low + high) / 2
    if high - low < WIDE_MM or abs(away) < MIDLINE_MM:
        return ""
    return "left" if away > 0 else "right"
