"""The site's own frame: where a depth, a buccal and a distal millimetre lie in the patient.

All points are DICOM patient coordinates (LPS), millimetres, float64 (PS3.3 C.7.6.2.1.1).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplan.errors import GeometryError

Vector = NDArray[np.float64]

_PARALLEL_SINE = 0.02
"""Axis and buccal direction closer than about 1.1 degrees to parallel do not fix a plane (our own bound)."""


def unit(vector: ArrayLike, name: str) -> Vector:
    """`vector` (3,) scaled to length one.

    Raises:
        GeometryError: it is not three finite numbers, or its length is zero.
    """
    v = np.asarray(vector, dtype=np.float64)
    if v.shape != (3,) or not np.isfinite(v).all():
        raise GeometryError(f"{name}: three finite numbers are needed, not {vector!r}.")
    length = float(np.linalg.norm(v))
    if length < 1e-9:
        raise GeometryError(f"{name}: a direction of length zero points nowhere; give the direction as x, y, z.")
    return v / length


def cross(a: Vector, b: Vector) -> Vector:
    """(3,) cross product of two single vectors; ten times as fast as NumPy's, which is made for many."""
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


@dataclass(frozen=True, eq=False)
class SiteFrame:
    """Right-angled frame of one site.

    Attributes:
        origin_lps_mm: (3,) the point at depth 0, buccal 0, distal 0.
        axis: (3,) unit vector towards the apex.
        buccal: (3,) unit vector towards cheek or lip, perpendicular to `axis`.
        distal: (3,) unit vector perpendicular to both; away from the midline when the tooth is known.
    """

    origin_lps_mm: Vector
    axis: Vector
    buccal: Vector
    distal: Vector

    def to_lps(self, depth_mm: ArrayLike, buccal_mm: ArrayLike, distal_mm: ArrayLike) -> Vector:
        """Patient points (..., 3) of positions in the frame; the three inputs broadcast."""
        d, b, m = np.broadcast_arrays(*(np.asarray(x, dtype=np.float64) for x in (depth_mm, buccal_mm, distal_mm)))
        return self.origin_lps_mm + d[..., None] * self.axis + b[..., None] * self.buccal + m[..., None] * self.distal

    def from_lps(self, points_lps_mm: ArrayLike) -> Vector:
        """(..., 3) as depth, buccal, distal of patient points (..., 3)."""
        offset = np.asarray(points_lps_mm, dtype=np.float64) - self.origin_lps_mm
        return offset @ np.stack([self.axis, self.buccal, self.distal], axis=1)

    def moved(self, depth_mm: float) -> "SiteFrame":
        """The same frame with its origin `depth_mm` further towards the apex."""
        return SiteFrame(self.origin_lps_mm + depth_mm * self.axis, self.axis, self.buccal, self.distal)


def site_frame(
    crest_lps_mm: Sequence[float] | Vector,
    axis: Sequence[float] | Vector,
    buccal: Sequence[float] | Vector,
    tooth: int | None = None,
) -> SiteFrame:
    """Frame from a crest point and two directions; `buccal` is made perpendicular to `axis`.

    Args:
        tooth: ISO 3950 number. It fixes which of the two perpendiculars is distal. Without it the one that
            points posteriorly (LPS +y), or laterally away from x = 0 where both are level, is taken.

    Raises:
        GeometryError: a direction of length zero, or the two directions are parallel.
    """
    origin = np.asarray(crest_lps_mm, dtype=np.float64)
    if origin.shape != (3,) or not np.isfinite(origin).all():
        raise GeometryError(f"crest: three finite numbers are needed, not {crest_lps_mm!r}.")
    a = unit(axis, "axis")
    b = unit(buccal, "buccal")
    across = b - (b @ a) * a
    if np.linalg.norm(across) < _PARALLEL_SINE:
        raise GeometryError("buccal: it is parallel to the axis; give a direction that points to cheek or lip.")
    across /= np.linalg.norm(across)
    along = cross(a, across)
    if tooth is not None:
        # In LPS a lower left site has axis -z and buccal +x, so axis x buccal is -y, which is mesial there;
        # quadrants 1 and 3 mirror quadrants 2 and 4.
        if (tooth // 10 - 1) % 4 + 1 in (1, 3):
            along = -along
    elif along[1] < 0 or (along[1] == 0 and along[0] * origin[0] < 0):
        along = -along
    return SiteFrame(origin, a, across, along)
