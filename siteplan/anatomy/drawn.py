"""Structures placed by hand: small things that the scan shows to an eye but that are not searched for."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from siteplan.anatomy.arch import Arch
from siteplan.anatomy.structure import Kind, MadeBy, Structure, Tube
from siteplan.errors import GeometryError
from siteplan.flags import Flag
from siteplan.measures import Measure

HAND_MM = 0.5
"""Standard deviation of a surface drawn by hand on a screen (our own)."""

NAMES = {
    Kind.CANAL: "mandibular canal",
    Kind.MENTAL_FORAMEN: "mental foramen",
    Kind.INCISIVE_CANAL: "incisive canal",
    Kind.LINGUAL_FORAMEN: "lingual foramen",
    Kind.OTHER: "structure drawn by hand",
}


def drawn_tube(
    kind: Kind, points_lps_mm: Sequence[ArrayLike], radius_mm: float, *, name: str = "", side: str = "", note: str = ""
) -> Structure:
    """A ball (one point) or tube (several) of one radius: foramina, the incisive canal, a lingual undercut.

    Raises:
        GeometryError: no points, points that are no x, y, z, or a radius that is not above zero.
    """
    points = np.array([np.asarray(p, dtype=np.float64) for p in points_lps_mm])
    if points.ndim != 2 or points.shape[-1] != 3 or not np.isfinite(points).all():
        raise GeometryError("drawn: one or more points of three finite numbers are needed, in patient millimetres.")
    if not np.isfinite(radius_mm) or radius_mm <= 0:
        raise GeometryError(f"drawn: a radius above zero is needed, not {radius_mm}.")
    label = name or NAMES.get(kind, kind.value.replace("-", " "))
    words = note or "Drawn by hand."
    return Structure(
        kind, label, Tube(points, np.full(len(points), float(radius_mm))), side, MadeBy.DRAWN, HAND_MM, None, words
    )


BEND_SHARE = 0.2
"""Standard deviation of a loop's length as a share of it: a traced line cuts a tight bend (simulated loops)."""


def anterior_loop(
    canal: Structure, foramen_lps_mm: ArrayLike, arch: Arch, mesial: int, *, foramen_sd_mm: float = HAND_MM
) -> Measure:
    """How far the canal's lumen runs mesial of the mental foramen, along the arch, mm.

    Args:
        mesial: +1 where arc length grows towards the midline, -1 where it falls.
        foramen_sd_mm: standard deviation of the foramen's place.

    Raises:
        GeometryError: the structure is no tube, or `mesial` is neither 1 nor -1.
    """
    if not isinstance(canal.shape, Tube):
        raise GeometryError(f"{canal.name}: only a traced canal has a loop to measure.")
    if mesial not in (1, -1):
        raise GeometryError("mesial: 1 or -1 is needed, for the direction of the arch towards the midline.")
    along = np.array([arch.nearest(p) for p in canal.shape.points_lps_mm])
    beyond = mesial * (along - arch.nearest(foramen_lps_mm)) + canal.shape.radius_mm
    furthest = int(np.argmax(beyond))
    loop = max(float(beyond[furthest]), 0.0)
    half = 1.96 * float(np.sqrt(canal.uncertainty_mm**2 + foramen_sd_mm**2 + (BEND_SHARE * loop) ** 2))
    seen = canal.confidence is None or bool(canal.confidence[furthest] >= 0.5)
    return Measure(
        loop,
        "mm",
        max(loop - half, 0.0),
        loop + half,
        "furthest lumen mesial of the foramen, along the arch",
        () if seen else (Flag.LOW_CONTRAST,),
    )
