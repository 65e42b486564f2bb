"""Values of measurements by hand: geometry of the points that a person set, and grey values that the section
shows there.

They are a ruler held to a picture, for window and report alike. Findings come from `assess`; nothing here feeds a
verdict.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates

from siteplan.flags import Flag
from siteplan.measures import Measure
from siteplan.scan import Scan

_LINE_STEP_MM = 0.1
_CIRCLE_STEP_MM = 0.15
_HALF_VOXEL = 0.5
"""Half a voxel diagonal bounds how exactly a point can be put on an edge by eye (our own bound)."""
_FEW = 30


def hand_value(kind: str, points_lps_mm: ArrayLike, scan: Scan) -> Measure | None:
    """The number of a mark of this kind (as in the case file) with its points (N, 3); None for a note."""
    points = np.array(points_lps_mm, dtype=np.float64)
    if kind == "distance":
        return distance(points, scan)
    if kind == "angle":
        return angle(points)
    if kind == "circle":
        return grey_in_circle(points[0], points[1], scan, _normal_of(points))
    if kind == "line":
        known = grey_along(points[0], points[1], scan)[1]
        known = known[np.isfinite(known)]
        return _grey(known, "mean along a line set by hand")
    return None


def distance(points_lps_mm: NDArray[np.float64], scan: Scan) -> Measure:
    """Length between two points; the interval covers where a hand can put them (half a voxel diagonal each)."""
    value = float(np.linalg.norm(points_lps_mm[1] - points_lps_mm[0]))
    reach = 1.96 * np.sqrt(2.0) * _HALF_VOXEL * float(np.linalg.norm(scan.spacing_kji_mm)) / np.sqrt(3.0)
    return Measure(value, "mm", max(0.0, value - reach), value + reach, method="between two points set by hand")


def angle(points_lps_mm: NDArray[np.float64]) -> Measure:
    """Angle at the middle of three points."""
    a, b = points_lps_mm[0] - points_lps_mm[1], points_lps_mm[2] - points_lps_mm[1]
    sizes = float(np.linalg.norm(a) * np.linalg.norm(b))
    if sizes < 1e-9:
        return Measure.absent("deg", Flag.NOT_GIVEN, method="two of the three points are the same")
    value = float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))
    return Measure(value, "deg", method="between three points set by hand")


def grey_in_circle(
    centre_lps_mm: NDArray[np.float64], rim_lps_mm: NDArray[np.float64], scan: Scan, normal: NDArray[np.float64]
) -> Measure:
    """Mean and SD of the grey value in a disc round `centre` with `rim` on its edge, perpendicular to `normal`."""
    arm = rim_lps_mm - centre_lps_mm
    radius = float(np.linalg.norm(arm))
    if radius < 1e-6:
        return Measure.absent("grey", Flag.FEW_SAMPLES, method="a circle without a radius")
    along = arm / radius
    across = np.cross(normal, along)
    steps = np.arange(-radius, radius + _CIRCLE_STEP_MM, _CIRCLE_STEP_MM)
    u, v = np.meshgrid(steps, steps)
    inside = u**2 + v**2 <= radius**2
    points = centre_lps_mm + u[inside][:, None] * along + v[inside][:, None] * across
    known = sample(scan, points)
    return _grey(known[np.isfinite(known)], "mean in a circle set by hand")


def grey_along(
    start_lps_mm: NDArray[np.float64], stop_lps_mm: NDArray[np.float64], scan: Scan
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distances from the start (mm) and the grey values there, NaN outside the scan."""
    length = float(np.linalg.norm(stop_lps_mm - start_lps_mm))
    at = np.linspace(0.0, length, max(2, int(np.ceil(length / _LINE_STEP_MM)) + 1))
    share = (at / length if length > 0 else at)[:, None]
    return at, sample(scan, start_lps_mm + share * (stop_lps_mm - start_lps_mm))


def sample(scan: Scan, points_lps_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Grey values (N,) at points (N, 3), linear between voxels; NaN outside the scan and where it holds padding."""
    index = scan.lps_to_index(points_lps_mm)
    inside = scan.contains(points_lps_mm)
    out = np.full(len(points_lps_mm), np.nan)
    if not inside.any():
        return out
    low = np.maximum(np.floor(index[inside].min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(index[inside].max(axis=0)).astype(int) + 2, scan.shape)
    box = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    region = (box[0], box[1], box[2])
    values = scan.values(region)
    if scan.padding is not None:
        values = np.where(scan.voxels[region] == scan.padding, np.nan, values)
    out[inside] = map_coordinates(values, (index[inside] - low).T, order=1, mode="nearest")
    return out


def _grey(known: NDArray[np.float64], method: str) -> Measure:
    if known.size == 0:
        return Measure.absent("grey", Flag.EDGE_OF_VOLUME, method=method)
    flags = (Flag.FEW_SAMPLES,) if known.size < _FEW else ()
    return Measure(
        float(known.mean()),
        "grey",
        method=method,
        flags=(*flags, Flag.NOT_CALIBRATED),
        sd=float(known.std()),
        samples=int(known.size),
    )


def _normal_of(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """The direction that the circle's third point gives; without one, the circle lies across the patient's x axis."""
    if len(points) > 2:
        normal = points[2] - points[0]
        size = float(np.linalg.norm(normal))
        if size > 1e-9:
            return np.asarray(normal / size)
    return np.array([1.0, 0.0, 0.0])
