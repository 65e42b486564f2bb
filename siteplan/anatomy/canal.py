"""The mandibular canal as a `Structure`: traced through points set by hand, corrected by dragging a point."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplan.anatomy.canal_path import STEP_MM, CanalPath, checked, find_path, join_paths
from siteplan.anatomy.curve import arc_length
from siteplan.anatomy.levels import levels_of
from siteplan.anatomy.sample import sampler
from siteplan.anatomy.side import side_of
from siteplan.anatomy.structure import Kind, MadeBy, Structure, Tube
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

SEEN = 0.5
"""Confidence from which a stretch is called seen."""

NEIGHBOURHOOD_MM = 7.0
"""How far along the canal a dragged point is felt (our own)."""


def trace_canal(
    scan: Scan, through_lps_mm: Sequence[ArrayLike], *, side: str | None = None, kind: Kind = Kind.CANAL
) -> Structure:
    """Trace a canal through two or more points set by hand.

    The points may lie up to 1.5 mm off the lumen, and the first and last a little further where a lumen is seen to go
    on beside them. `confidence` of the result says where a lumen is really seen; `note` names the stretches where none
    is.

    Raises:
        GeometryError: fewer than two points, two at one place, points out of order, or one outside the scan or in air.
    """
    points = checked(scan, through_lps_mm)
    _not_in_air(scan, points)
    path = find_path(scan, list(points))
    where = side_of(scan, path.points_lps_mm.mean(axis=0)) if side is None else side
    how = f"Traced by the computer between {len(through_lps_mm)} points set by hand."
    return canal_structure(path, how, side=where, kind=kind)


def _not_in_air(scan: Scan, points: NDArray[np.float64]) -> None:
    """A line through air would be drawn like any other.

    Raises:
        GeometryError: all that lies within `_AIR_MM` of a point is air.
    """
    levels = levels_of(scan)
    if levels.air is None:
        return
    line = np.linspace(-_AIR_MM, _AIR_MM, 5)
    ball = np.stack(np.meshgrid(line, line, line, indexing="ij"), axis=-1).reshape(-1, 3)
    ball = ball[np.linalg.norm(ball, axis=1) <= _AIR_MM]
    for number, point in enumerate(points, start=1):
        grey = sampler(scan, point[None], _AIR_MM).at(point + ball, smooth=True)
        if np.nanmax(grey) < levels.air_edge:
            raise GeometryError(f"canal: point {number} lies in air; click on the canal in the bone.")


_AIR_MM = 1.5
"""A click this far from anything but air means no canal (our own; as far as a click is taken to mean a lumen)."""


def canal_structure(path: CanalPath, how: str, *, side: str = "", kind: Kind = Kind.CANAL) -> Structure:
    """A traced path as a structure that nobody has confirmed yet."""
    return Structure(
        kind=kind,
        name={Kind.CANAL: "mandibular canal", Kind.INCISIVE_CANAL: "incisive canal"}.get(kind, "canal"),
        shape=Tube(path.points_lps_mm, path.radius_mm),
        side=side,
        made_by=MadeBy.FOUND,
        uncertainty_mm=surface_sd_mm(path),
        confidence=path.confidence,
        note=" ".join([how, blind_note(path.points_lps_mm, path.confidence), "To be confirmed by a person."]),
    )


def surface_sd_mm(path: CanalPath) -> float:
    """One standard deviation for the whole surface.

    A structure holds one number only, and a margin may rest on its ends: it is the root mean square of all points, or
    the doubt about an end at which a lumen is said to be seen, where that is more.
    """
    ends = [0, len(path.sd_mm) - 1]
    seen = [float(path.sd_mm[n]) for n in ends if path.confidence[n] >= SEEN]
    return max(float(np.sqrt(np.mean(path.sd_mm**2))), *seen, 0.0)


def blind_note(points_lps_mm: NDArray[np.float64], confidence: NDArray[np.float64]) -> str:
    """Which stretches show no lumen, in words."""
    s = arc_length(points_lps_mm)
    blind = confidence < SEEN
    if not blind.any():
        return "A lumen is seen along its whole length."
    if blind.all():
        return "No lumen can be told from the bone anywhere along it: the line is no more than a joined guess."
    edges = np.flatnonzero(np.diff(np.concatenate([[0], blind.astype(int), [0]])))
    parts = [f"{s[a]:.1f} to {s[b - 1]:.1f} mm" for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return (
        f"No lumen can be told from the bone at {', '.join(parts)} from its first point: "
        "there the line only joins what is seen on both sides."
    )


def move_point(scan: Scan, canal: Structure, index: int, to_lps_mm: ArrayLike) -> Structure:
    """The canal after a person dragged its point `index`; only its neighbourhood is solved again.

    The dragged point is kept exactly where it was put. Points further than `NEIGHBOURHOOD_MM` along the canal are
    returned unchanged, with the confidence that they had (1 where a person drew them).

    Raises:
        GeometryError: the structure is no tube, the index is out of range or the new place is outside the scan.
    """
    if not isinstance(canal.shape, Tube):
        raise GeometryError(f"{canal.name}: only a tube has points that can be moved along it.")
    points = canal.shape.points_lps_mm
    if not 0 <= index < len(points):
        raise GeometryError(f"{canal.name}: it has points 0 to {len(points) - 1}, not {index}.")
    place = np.asarray(to_lps_mm, dtype=np.float64)
    s = arc_length(points)
    first = int(np.searchsorted(s, s[index] - NEIGHBOURHOOD_MM))
    last = int(np.searchsorted(s, s[index] + NEIGHBOURHOOD_MM, side="right")) - 1
    stops = [points[first]] if s[index] - s[first] > STEP_MM else []
    stops.append(place)
    if s[last] - s[index] > STEP_MM:
        stops.append(points[last])
    if len(stops) < 2:
        raise GeometryError(f"{canal.name}: it is too short to be corrected point by point; trace it again.")
    piece = find_path(scan, stops, hold=range(len(stops)))
    whole = join_paths(_as_path(canal), first, last, piece)
    how = "Traced by the computer, then corrected by hand."
    if canal.confidence is None and canal.made_by is not MadeBy.FOUND:
        how = "Drawn by a person; traced again by the computer beside the point that was moved."
    fresh = canal_structure(whole, how, side=canal.side, kind=canal.kind)
    return replace(fresh, name=canal.name)


def _as_path(canal: Structure) -> CanalPath:
    assert isinstance(canal.shape, Tube)
    n = len(canal.shape.points_lps_mm)
    # A person who drew the canal saw it; of what was found without a word on it, nothing is known.
    unsaid = np.zeros(n) if canal.made_by is MadeBy.FOUND else np.ones(n)
    confidence = unsaid if canal.confidence is None else canal.confidence
    sd = np.full(n, canal.uncertainty_mm)
    return CanalPath(canal.shape.points_lps_mm, canal.shape.radius_mm, confidence, sd, np.full(n, np.nan), 0.0)
