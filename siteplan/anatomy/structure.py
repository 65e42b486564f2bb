"""`Structure`: something that lies near a site, with its shape, who made it and how sure its place is.

Shapes are exact geometry in patient space (LPS, mm): distances are computed to them, never to voxels.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from siteplan.errors import GeometryError

Points = NDArray[np.float64]


class Kind(StrEnum):
    """What a structure is. Margins are looked up by it."""

    CANAL = "canal"
    MENTAL_FORAMEN = "mental-foramen"
    INCISIVE_CANAL = "incisive-canal"
    LINGUAL_FORAMEN = "lingual-foramen"
    SINUS_FLOOR = "sinus-floor"
    NASAL_FLOOR = "nasal-floor"
    ROOT = "root"
    CROWN = "crown"
    EXISTING_FIXTURE = "existing-fixture"
    OTHER = "other"


class MadeBy(StrEnum):
    """Who says that the structure is there. A verdict never rests on FOUND alone without saying so."""

    DRAWN = "drawn"
    FOUND = "found"
    CONFIRMED = "confirmed"


@dataclass(frozen=True, eq=False)
class Tube:
    """All points within `radius_mm` of a polyline; the radius changes linearly along each stretch.

    points_lps_mm: (N, 3), N >= 1 (one point is a ball). radius_mm: (N,) >= 0.
    """

    points_lps_mm: Points
    radius_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.points_lps_mm.ndim != 2 or self.points_lps_mm.shape[1] != 3 or len(self.points_lps_mm) < 1:
            raise GeometryError("tube: its points must be a list of x, y, z.")
        if self.radius_mm.shape != (len(self.points_lps_mm),) or not (self.radius_mm >= 0).all():
            raise GeometryError("tube: one radius per point is needed, none below zero.")


@dataclass(frozen=True, eq=False)
class Cone:
    """A solid cone or cone stump with flat ends, for a tooth root: `base_lps_mm` is its wide, coronal end."""

    base_lps_mm: Points
    tip_lps_mm: Points
    base_radius_mm: float
    tip_radius_mm: float

    def __post_init__(self) -> None:
        if np.linalg.norm(self.tip_lps_mm - self.base_lps_mm) < 1e-6:
            raise GeometryError("cone: base and tip are the same point.")
        if min(self.base_radius_mm, self.tip_radius_mm) < 0:
            raise GeometryError("cone: a radius below zero.")


@dataclass(frozen=True, eq=False)
class Surface:
    """A triangle mesh: an open floor (sinus, nose) or a closed solid.

    points_lps_mm: (N, 3). triangles: (T, 3) indices. behind: (3,) unit vector to the forbidden side of an open
    surface (into the air cavity); ignored when `closed`, where the inside is the forbidden side.
    """

    points_lps_mm: Points
    triangles: NDArray[np.int64]
    behind: NDArray[np.float64]
    closed: bool = False


Shape = Tube | Cone | Surface


@dataclass(frozen=True, eq=False)
class Structure:
    """One named structure.

    Attributes:
        side: "left", "right" or "" (midline or not known).
        uncertainty_mm: standard deviation of its surface position.
        confidence: (N,) 0 to 1 for each point of a found path, or None.
    """

    kind: Kind
    name: str
    shape: Shape
    side: str = ""
    made_by: MadeBy = MadeBy.DRAWN
    uncertainty_mm: float = 0.3
    confidence: NDArray[np.float64] | None = None
    note: str = ""
