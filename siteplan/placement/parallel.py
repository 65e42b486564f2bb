"""One way in for all abutments of a one-piece restoration, and how far a row of fixtures reaches from front to back."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from siteplan.errors import GeometryError
from siteplan.fixture.solid import Pose
from siteplan.frame import Vector
from siteplan.placement.profile import Array

MUTUAL_ANGLE_DEG = 10.0
"""Mutual angle of one-piece abutments that a cemented bridge still passes: 10 to 15 degrees in practice, from memory;
the lower end. Replace it by what the laboratory asks."""

CANTILEVER_FACTOR = 1.5
"""Longest cantilever as a multiple of the spread (English CE, 1990, Implant Soc 1:2-3)."""

CANTILEVER_NOTE = (
    "English CE, 1990, Implant Soc 1:2-3: 1.5 times; clinical pages give up to 2.5. Never validated prospectively"
    " (Walter and Greenstein, 2020, J Am Dent Assoc 151:790-795)."
)

_ROUNDING = 1e-12


@dataclass(frozen=True, eq=False)
class WayIn:
    """The common path of insertion.

    Attributes:
        direction: (3,) middle of the smallest cone that holds the axes of all abutments that take part.
        half_angle_deg: of that cone.
        angle_deg: (N,) of every abutment to `direction`.
        out: indices of the abutments that do not fit the limit; beyond_deg: by how much each is out.
    """

    direction: Vector
    half_angle_deg: float
    angle_deg: Array
    out: tuple[int, ...]
    beyond_deg: tuple[float, ...]
    limit_deg: float


def smallest_cone(axes: Array) -> tuple[Vector, float]:
    """Middle (3,) and half angle (deg) of the smallest cone that holds all unit axes (N, 3).

    Two or three of the axes lie on its edge, so all pairs and triples are tried: exact, and quick for a jaw.

    Raises:
        GeometryError: no axis, or axes that no cone narrower than a half space holds.
    """
    if len(axes) == 0:
        raise GeometryError("axes: at least one is needed for a common path.")
    middles = [axes[0]] if len(axes) == 1 else []
    middles += [a + b for a, b in combinations(axes, 2)]
    for a, b, c in combinations(axes, 3):
        normal = np.cross(b - a, c - a)
        middles.append(normal if normal @ a > 0 else -normal)
    best: tuple[float, Vector | None] = (-1.0, None)
    for middle in middles:
        length = float(np.linalg.norm(middle))
        if length < _ROUNDING:
            continue
        # The narrowest cone around a middle is decided by the axis that leans most.
        cosine = float((axes @ (middle / length)).min())
        if cosine > best[0]:
            best = (cosine, middle / length)
    if best[1] is None or best[0] <= 0.0:
        raise GeometryError("axes: they point apart by more than a half space; one of them is turned around.")
    farthest = _angles(axes, best[1]).max()
    return best[1], float(farthest)


def common_way_in(axes: Array, limit_deg: float = MUTUAL_ANGLE_DEG) -> WayIn:
    """The path of insertion of abutments with unit axes (N, 3), and which of them are out.

    While the smallest cone is wider than half the mutual limit, the abutment whose absence narrows it most is set
    aside. It is out by what its axis leans beyond the edge of the cone that the limit allows around the others' path.
    """
    taking_part = list(range(len(axes)))
    while len(taking_part) > 1 and smallest_cone(axes[taking_part])[1] > limit_deg / 2:
        without = [smallest_cone(axes[[m for m in taking_part if m != n]])[1] for n in taking_part]
        taking_part.pop(int(np.argmin(without)))
    direction, half = smallest_cone(axes[taking_part])
    angle = _angles(axes, direction)
    out = tuple(n for n in range(len(axes)) if n not in taking_part)
    return WayIn(direction, half, angle, out, tuple(float(angle[n] - limit_deg / 2) for n in out), limit_deg)


def _angles(axes: Array, direction: Vector) -> Array:
    """Angles (N,) in degrees; by the arc tangent, which keeps small angles exact."""
    sine = np.linalg.norm(np.cross(axes, direction), axis=1)
    angles: Array = np.degrees(np.arctan2(sine, axes @ direction))
    return angles


@dataclass(frozen=True, slots=True)
class Spread:
    """Reach from front to back. spread_mm: from the centre of the foremost fixture to the line through the distal
    sides of the hindmost on each side; longest_cantilever_mm: with `source`."""

    spread_mm: float
    longest_cantilever_mm: float
    factor: float
    source: str


def front_to_back(poses: Sequence[Pose], diameters_mm: Sequence[float], factor: float = CANTILEVER_FACTOR) -> Spread:
    """Antero-posterior spread of a restoration across the midline, in the plane across the mean axis.

    Raises:
        GeometryError: fewer than three fixtures, or all on one side of the midline (LPS x = 0 is not assumed to be the
            midline: the sides are parted at the middle between the outermost fixtures).
    """
    if len(poses) < 3 or len(poses) != len(diameters_mm):
        raise GeometryError("spread: at least three fixtures with one diameter each are needed.")
    centres = np.array([pose.platform_lps_mm for pose in poses])
    normal = np.mean([pose.axis for pose in poses], axis=0)
    normal /= np.linalg.norm(normal)
    back = np.array([0.0, 1.0, 0.0]) - normal[1] * normal
    back /= np.linalg.norm(back)
    side = np.cross(normal, back)
    x, y = centres @ side, centres @ back
    middle = 0.5 * (x.min() + x.max())
    left, right = np.flatnonzero(x >= middle), np.flatnonzero(x < middle)
    hind = [int(rows[y[rows].argmax()]) for rows in (left, right)]
    distal = [(x[n], y[n] + diameters_mm[n] / 2) for n in hind]
    front = int(y.argmin())
    if front in hind:
        raise GeometryError("spread: the foremost fixture is also the hindmost on its side; that is no row.")
    (x1, y1), (x2, y2) = distal
    area = abs((x2 - x1) * (y1 - y[front]) - (x1 - x[front]) * (y2 - y1))
    spread = float(area / np.hypot(x2 - x1, y2 - y1))
    return Spread(spread, factor * spread, factor, CANTILEVER_NOTE)
