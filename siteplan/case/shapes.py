"""From entries of the case file to exact shapes."""

import numpy as np
from scipy.spatial import Delaunay, QhullError

from siteplan.anatomy import Cone, Structure, Surface, Tube
from siteplan.case.model import StructureEntry, SurfaceShape
from siteplan.errors import CaseError, GeometryError
from siteplan.frame import unit


def structure_of(entry: StructureEntry, where: str = "structure") -> Structure:
    """The structure that an entry describes.

    Raises:
        CaseError: the shape cannot be built (points on one line, cone of length zero); starts with `where`.
    """
    try:
        shape = _shape(entry)
    except (GeometryError, QhullError) as error:
        reason = str(error).splitlines()[0] if isinstance(error, GeometryError) else "its points span no surface"
        raise CaseError(f"{where} ({entry.name}): {reason}") from error
    confidence = None if entry.confidence is None else np.asarray(entry.confidence, dtype=np.float64)
    return Structure(
        entry.kind, entry.name, shape, entry.side, entry.made_by, entry.uncertainty_mm, confidence, entry.note
    )


def _shape(entry: StructureEntry) -> Tube | Cone | Surface:
    if entry.cone is not None:
        c = entry.cone
        return Cone(np.array(c.base_mm), np.array(c.tip_mm), c.base_radius_mm, c.tip_radius_mm)
    if entry.surface is not None:
        return _surface(entry.surface)
    points = np.array(entry.points_mm, dtype=np.float64)
    return Tube(points, np.broadcast_to(np.asarray(entry.radius_mm, dtype=np.float64), (len(points),)).copy())


def _surface(entry: SurfaceShape) -> Surface:
    points = np.array(entry.points_mm, dtype=np.float64)
    behind = unit(entry.behind, "behind")
    if entry.triangles is not None:
        return Surface(points, np.array(entry.triangles, dtype=np.int64).reshape(-1, 3), behind, entry.closed)
    helper = np.eye(3)[int(np.argmin(np.abs(behind)))]
    across = unit(np.cross(behind, helper), "across")
    flat = np.stack([points @ across, points @ np.cross(behind, across)], axis=1)
    return Surface(points, Delaunay(flat).simplices.astype(np.int64), behind)
