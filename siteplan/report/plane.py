"""A picture plane in the patient, and the grey section that lies in it."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplan.bone.block import SiteBlock
from siteplan.frame import SiteFrame, Vector, cross

_LETTER_SHARE = 0.38
"""A second orientation letter is printed when its direction cosine exceeds this (22 degrees off; own bound)."""


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane as a viewer sees it.

    Attributes:
        origin_lps_mm: (3,) the point u = v = 0.
        right, up: (3,) unit vectors at right angles: where the picture's right and top point in the patient.
    """

    origin_lps_mm: Vector
    right: Vector
    up: Vector

    @cached_property
    def toward(self) -> Vector:
        """(3,) unit vector from the plane to the viewer."""
        return cross(np.asarray(self.right), np.asarray(self.up))

    @cached_property
    def _turn(self) -> NDArray[np.float64]:
        """(3, 3) right, up and toward as columns."""
        return np.stack([self.right, self.up, self.toward], axis=1)

    def to_lps(self, u_mm: ArrayLike, v_mm: ArrayLike) -> Vector:
        """(..., 3) patient points of picture positions; the two inputs broadcast."""
        u, v = np.broadcast_arrays(np.asarray(u_mm, dtype=np.float64), np.asarray(v_mm, dtype=np.float64))
        return self.origin_lps_mm + u[..., None] * self.right + v[..., None] * self.up

    def from_lps(self, points_lps_mm: ArrayLike) -> Vector:
        """(..., 3) as u, v and the height above the plane (towards the viewer) of patient points (..., 3)."""
        offset = np.asarray(points_lps_mm, dtype=np.float64) - self.origin_lps_mm
        out: Vector = offset @ self._turn
        return out


@dataclass(frozen=True, eq=False)
class Section:
    """Grey values in a plane.

    Attributes:
        plane: where it lies.
        grey: (V, U) float32, row 0 at the bottom (smallest v); NaN outside the scan.
        u_mm, v_mm: (U,), (V,) positions of the sample centres, equally spaced, increasing.
    """

    plane: Plane
    grey: NDArray[np.float32]
    u_mm: NDArray[np.float64]
    v_mm: NDArray[np.float64]

    @property
    def extent_mm(self) -> tuple[float, float, float, float]:
        """Left, right, bottom, top edge of the outermost samples' cells."""
        hu, hv = _half_step(self.u_mm), _half_step(self.v_mm)
        return self.u_mm[0] - hu, self.u_mm[-1] + hu, self.v_mm[0] - hv, self.v_mm[-1] + hv


def _half_step(positions: NDArray[np.float64]) -> float:
    return float(positions[1] - positions[0]) / 2 if len(positions) > 1 else 0.5


def across_plane(frame: SiteFrame) -> Plane:
    """The buccolingual plane of a site, seen from the front (from the patient's left where that is undecided)."""
    towards = frame.distal if _front_or_left(frame.distal) else -frame.distal
    return _upright(frame, towards)


def along_plane(frame: SiteFrame) -> Plane:
    """The mesiodistal plane of a site, seen from the cheek or lip."""
    return _upright(frame, frame.buccal)


def flat_plane(origin_lps_mm: Vector) -> Plane:
    """The axial plane through a point, seen from the feet: the patient's right lies on the picture's left."""
    return Plane(np.asarray(origin_lps_mm, dtype=np.float64), np.array([1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0]))


def _upright(frame: SiteFrame, towards: Vector) -> Plane:
    """The plane through the axis that faces `towards`, with the patient's head up."""
    up = frame.axis if frame.axis[2] > 0 else -frame.axis
    return Plane(frame.origin_lps_mm, cross(up, towards), up)


def _front_or_left(direction: Vector) -> bool:
    # LPS: +x is the patient's left, +y the back.
    return bool(direction[1] < 0) if abs(direction[1]) >= abs(direction[0]) else bool(direction[0] > 0)


def block_section(block: SiteBlock, plane: Plane) -> Section:
    """The layer of a block that lies in a plane through its axis (`across_plane` or `along_plane` of its frame).

    No value is interpolated: the section holds the block's own numbers.
    """
    frame = block.frame
    buccal_side = float(plane.right @ frame.buccal)
    if abs(buccal_side) > 0.5:
        layer, positions, sign = block.values[:, :, _zero(block.distal_mm)], block.buccal_mm, np.sign(buccal_side)
    else:
        sign = np.sign(float(plane.right @ frame.distal))
        layer, positions = block.values[:, _zero(block.buccal_mm), :], block.distal_mm
    u, v = sign * positions, np.sign(float(plane.up @ frame.axis)) * block.depth_mm
    grey = layer if u[-1] >= u[0] else layer[:, ::-1]
    grey = grey if v[-1] >= v[0] else grey[::-1]
    return Section(Plane(frame.origin_lps_mm, plane.right, plane.up), grey, np.sort(u), np.sort(v))


def _zero(positions: NDArray[np.float64]) -> int:
    return int(np.argmin(np.abs(positions)))


def letters(direction: Vector) -> str:
    """One or two patient letters for a direction: R L (right, left), A P (front, back), H F (head, feet).

    The letters are those of Patient Orientation (0020,0020), DICOM PS3.3 C.7.6.1.1.1, strongest first.
    """
    names = (("L", "R"), ("P", "A"), ("H", "F"))
    order = np.argsort(-np.abs(direction), kind="stable")
    out = names[order[0]][0 if direction[order[0]] > 0 else 1]
    second = order[1]
    if abs(direction[second]) > _LETTER_SHARE:
        out += names[second][0 if direction[second] > 0 else 1]
    return out
