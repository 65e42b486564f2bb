"""The course of the arch for the strip: from the scan where the library finds it, else through the planned sites."""

from collections.abc import Sequence
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.case import SiteEntry
from siteplan.case.tooth import jaw_of
from siteplan.errors import SiteplanError
from siteplan.scan import Scan

REACH_MM = 14.0
"""How far beyond the first and last planned site the strip goes on straight."""


def found_arch(scan: Scan, sites: Sequence[SiteEntry], *, upper: bool = False) -> NDArray[np.float64]:
    """Control points (N, 3) of the arch; (0, 3) where neither the scan nor the sites tell.

    Args:
        upper: which jaw to look in while no site says it.
    """
    try:
        points = _from_scan(scan, sites, upper)
    except (ImportError, AttributeError, SiteplanError):
        points = np.zeros((0, 3))
    return points if len(points) >= 3 else through_sites(sites)


def through_sites(sites: Sequence[SiteEntry]) -> NDArray[np.float64]:
    """Control points through the crests of the sites of the jaw with more of them, longer at both ends."""
    lower = [s for s in sites if jaw_of(s.tooth) == "lower"]
    upper = [s for s in sites if jaw_of(s.tooth) == "upper"]
    chosen = lower if len(lower) >= len(upper) else upper
    if not chosen:
        return np.zeros((0, 3))
    ordered = sorted(chosen, key=lambda s: _place_on_arch(s.tooth))
    crests = [np.array(s.crest_mm) for s in ordered]
    first, last = _outwards(ordered[0], crests, 0), _outwards(ordered[-1], crests, -1)
    ends = [crests[0] + REACH_MM * first, *crests, crests[-1] + REACH_MM * last]
    middle = [crests[0] + 0.5 * REACH_MM * first] if len(crests) == 1 else []
    return np.array([ends[0], *middle, *ends[1:]])


def _place_on_arch(tooth: int) -> int:
    """From the patient's right to the left: -8 to 8."""
    quadrant, position = divmod(tooth, 10)
    return -position if quadrant in (1, 4, 5, 8) else position


def _outwards(site: SiteEntry, crests: list[NDArray[np.float64]], end: int) -> NDArray[np.float64]:
    """Unit direction along the arch away from the other sites (for one site: mesial at the start, distal at
    the end)."""
    distal = site.frame().distal.copy()
    distal[2] = 0.0
    distal /= np.linalg.norm(distal)
    if len(crests) == 1:
        away = -distal if end == 0 else distal
    else:
        way = crests[end] - crests[1 if end == 0 else -2]
        away = distal if float(distal @ way) > 0 else -distal
    return np.asarray(away)


def _from_scan(scan: Scan, sites: Sequence[SiteEntry], upper: bool) -> NDArray[np.float64]:
    """What the library finds in the scan itself."""
    room: Any = import_module("siteplan.anatomy.arch")
    near = np.array(sites[0].crest_mm) if sites else None
    upper = jaw_of(sites[0].tooth) == "upper" if sites else upper
    return np.asarray(room.find_arch(scan, near, upper=upper).control_lps_mm, dtype=np.float64)
