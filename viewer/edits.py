"""What a hand does to a site, as functions from one `SiteEntry` to the next. All points LPS, mm.

Each returns the entry unchanged where the result would break a rule of the case (platform further than 10 mm
from the crest
point, axis parallel to the buccal direction): a drag then stops instead of jumping.
"""

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import ValidationError

from siteplan.case import SiteEntry
from siteplan.frame import SiteFrame, site_frame

Vector = NDArray[np.float64]

SHORTEST_AXIS_MM = 2.0
"""Tip and platform dragged closer than this no longer say where the axis points."""


_frame = lru_cache(maxsize=64)(site_frame)
"""Kept for the last few places, because each picture of a drag asks for the ends of the fixture many times."""


def _frame_of(entry: SiteEntry) -> SiteFrame:
    """`SiteEntry.frame`, to be read only."""
    return _frame(entry.crest_mm, entry.axis, entry.buccal, entry.tooth)


def platform_of(entry: SiteEntry) -> Vector:
    """(3,) centre of the platform."""
    frame = _frame_of(entry)
    return np.asarray(frame.origin_lps_mm + entry.platform_depth_mm * frame.axis)


def tip_of(entry: SiteEntry, length_mm: float) -> Vector:
    """(3,) end of a fixture of this length."""
    return np.asarray(platform_of(entry) + length_mm * _frame_of(entry).axis)


def moved(entry: SiteEntry, delta_lps_mm: ArrayLike) -> SiteEntry:
    """The site shifted: across the axis the crest point goes along, along it the platform sinks or rises."""
    frame = entry.frame()
    delta = np.asarray(delta_lps_mm, dtype=np.float64)
    along = float(delta @ frame.axis)
    return _with(
        entry,
        crest_mm=_point(frame.origin_lps_mm + delta - along * frame.axis),
        platform_depth_mm=entry.platform_depth_mm + along,
    )


def with_tip_at(entry: SiteEntry, tip_lps_mm: ArrayLike) -> SiteEntry:
    """The site tilted round its platform until the axis points at `tip_lps_mm`."""
    axis = np.asarray(tip_lps_mm, dtype=np.float64) - platform_of(entry)
    return entry if np.linalg.norm(axis) < SHORTEST_AXIS_MM else _tilted(entry, platform_of(entry), axis)


def with_platform_at(entry: SiteEntry, platform_lps_mm: ArrayLike, length_mm: float) -> SiteEntry:
    """The site tilted round its tip until the axis passes through `platform_lps_mm`."""
    tip = tip_of(entry, length_mm)
    axis = tip - np.asarray(platform_lps_mm, dtype=np.float64)
    size = float(np.linalg.norm(axis))
    if size < SHORTEST_AXIS_MM:
        return entry
    return _tilted(entry, tip - length_mm * axis / size, axis)


def tilted_by(entry: SiteEntry, towards_lps: ArrayLike, angle_deg: float) -> SiteEntry:
    """The site tilted round its platform by an angle, the tip moving in the direction `towards_lps`."""
    axis = entry.frame().axis
    side = np.asarray(towards_lps, dtype=np.float64)
    side = side - (side @ axis) * axis
    size = float(np.linalg.norm(side))
    if size < 1e-9:
        return entry
    angle = np.radians(angle_deg)
    return _tilted(entry, platform_of(entry), np.cos(angle) * axis + np.sin(angle) * side / size)


def with_fixture(entry: SiteEntry, name: str | None) -> SiteEntry:
    """The site with another fixture in the same place."""
    return _with(entry, fixture=name)


def with_notes(entry: SiteEntry, notes: str) -> SiteEntry:
    """The site with other notes."""
    return _with(entry, notes=notes)


def _tilted(entry: SiteEntry, platform: Vector, axis: Vector) -> SiteEntry:
    axis = axis / np.linalg.norm(axis)
    old = entry.frame()
    buccal = old.buccal - (old.buccal @ axis) * axis
    if float(np.linalg.norm(buccal)) < 0.1:
        return entry
    buccal /= np.linalg.norm(buccal)
    crest = platform - entry.platform_depth_mm * axis
    return _with(entry, crest_mm=_point(crest), axis=_point(axis, 7), buccal=_point(buccal, 7))


def _with(entry: SiteEntry, **changes: Any) -> SiteEntry:
    content = {name: getattr(entry, name) for name in SiteEntry.model_fields} | changes
    try:
        return SiteEntry(**content)
    except ValidationError:
        return entry


def _point(vector: Vector, digits: int = 4) -> tuple[float, float, float]:
    x, y, z = (round(float(v), digits) for v in vector)
    return x, y, z
