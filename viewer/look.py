"""`Look`: which section of a site is on the screen, as one frozen value, and how grey becomes brightness."""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.levels import levels_of
from siteplan.bone.sample import sample_block
from siteplan.errors import GeometryError
from siteplan.frame import SiteFrame, Vector, cross
from siteplan.report.plane import Plane, Section, across_plane, block_section
from siteplan.scan import Scan
from viewer.panorama import Course

DEPTH_RANGE_MM = (-16.0, 34.0)
"""What the large section shows above and below the anchor: abutment to the far border of most jaws."""
REACH_MM = 24.0
"""Half width of the large section."""
SIDES_MM = 20.0
"""Further than this from the site the arch has turned too far for its words (buccal, mesial) to name the sides; where
the section turns with the arch, cheek and tongue stay where they are, but mesial may have become distal."""
ON_ARCH_MM = 12.0
"""An arch further than this from a site is not the way along which its neighbours stand (own choice: a jaw's width)."""
_SAMPLE = 300_000
"""Voxels that the windows of a scan are read from: enough for a histogram of 256 bins, and 20 ms of work."""
OFF_PLANE_MM = 0.02
"""An axis within this of the picture's plane counts as lying in it (a tenth of a fine voxel)."""
OFF_PLANE_SINE = 0.002


@dataclass(frozen=True, eq=False)
class Look:
    """A plane tied to a site.

    Attributes:
        anchor: the site's frame when the look was made; it stays while the fixture moves inside the plane, so the
            picture stands still under the hand.
        offset_mm: distance of the section from the axis along the arch, distal positive.
        turn_deg: turn of the section round the axis; 0 is buccolingual, 90 mesiodistal.
        course: the arch along which the section is shifted, and with which it turns; None shifts it straight on.
    """

    anchor: SiteFrame
    offset_mm: float = 0.0
    turn_deg: float = 0.0
    course: Course | None = None

    def frame(self) -> SiteFrame:
        """The anchor shifted and turned, so that its buccal direction lies in the picture."""
        a = self._along_arch()
        angle = np.radians(self.turn_deg)
        buccal = np.cos(angle) * a.buccal + np.sin(angle) * a.distal
        distal = -np.sin(angle) * a.buccal + np.cos(angle) * a.distal
        return SiteFrame(a.origin_lps_mm, a.axis, buccal, distal)

    def _along_arch(self) -> SiteFrame:
        """The anchor at the present distance. Along an arch it keeps its place beside it, and turns round its own axis
        by as much as the arch has turned; depths along the axis stay what they are at the site."""
        a = self.anchor
        if self.course is None or self.offset_mm == 0.0:
            return SiteFrame(a.origin_lps_mm + self.offset_mm * a.distal, a.axis, a.buccal, a.distal)
        here, _ = self.course.place(a.origin_lps_mm)
        start, ahead = self.course.way(here)
        point, onwards = self.course.way(here + self._sense(ahead) * self.offset_mm)
        first, last = (_level(v, a.axis) for v in (ahead, onwards))
        angle = np.arctan2(float(a.axis @ cross(first, last)), float(first @ last))

        def turned(v: Vector) -> Vector:
            """Round the axis (for vectors at right angles to it)."""
            return np.asarray(np.cos(angle) * v + np.sin(angle) * cross(a.axis, v))

        beside = _level(a.origin_lps_mm - start, a.axis, unit=False)
        moved = _level(point - start, a.axis, unit=False) - beside + turned(beside)
        return SiteFrame(a.origin_lps_mm + moved, a.axis, turned(a.buccal), turned(a.distal))

    def _sense(self, ahead: Vector) -> float:
        """1 where the arch's distance grows towards distal, else -1."""
        return 1.0 if float(ahead @ self.anchor.distal) > 0 else -1.0

    def offsets_to(self, points_lps_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N,) offsets at which the section at turn 0 meets points (N, 3)."""
        if self.course is None:
            return np.asarray(self.anchor.from_lps(points_lps_mm)[:, 2], dtype=np.float64)
        here, _ = self.course.place(self.anchor.origin_lps_mm)
        sense = self._sense(self.course.way(here)[1])
        return np.array([sense * (self.course.place(point)[0] - here) for point in points_lps_mm])

    def plane(self) -> Plane:
        """The picture's plane. The viewer's side is chosen at turn 0 and turned along, so nothing flips on the way."""
        start, frame = across_plane(self.anchor), self.frame()
        side = 1.0 if float(start.right @ self.anchor.buccal) > 0 else -1.0
        return Plane(frame.origin_lps_mm, side * frame.buccal, start.up)

    def holds(self, site: SiteFrame) -> bool:
        """Whether a site's axis still lies in the plane from which this look was offset and turned."""
        plane = replace(self, offset_mm=0.0).plane()
        height = float(plane.from_lps(site.origin_lps_mm)[2])
        return abs(height) < OFF_PLANE_MM and abs(float(site.axis @ plane.toward)) < OFF_PLANE_SINE

    def same_as(self, other: "Look") -> bool:
        """Whether both show the same plane."""
        same_way = self.course is other.course or self.offset_mm == 0.0
        placed = self.offset_mm == other.offset_mm and self.turn_deg == other.turn_deg
        return self.anchor is other.anchor and placed and same_way

    def along(self, course: Course | None) -> "Look":
        """This look, shifted along another arch."""
        return self if self.course is course else replace(self, course=course)

    def follow(self, site: SiteFrame) -> "Look":
        """This look, or one anchored anew where the site has left its plane."""
        return self if self.holds(site) else replace(self, anchor=site)


def _level(vector: Vector, axis: Vector, *, unit: bool = True) -> Vector:
    """The part of a vector at right angles to an axis."""
    flat = vector - (vector @ axis) * axis
    return np.asarray(flat / np.linalg.norm(flat) if unit else flat)


def cut(
    scan: Scan,
    look: Look,
    *,
    smooth: bool,
    spacing_mm: float | None = None,
    depth_range_mm: tuple[float, float] = DEPTH_RANGE_MM,
    reach_mm: float = REACH_MM,
) -> Section | None:
    """The section of a look, sampled by the same code as every measurement; None where the scan holds nothing."""
    try:
        block = sample_block(
            scan,
            look.frame(),
            depth_range_mm=depth_range_mm,
            buccal_reach_mm=reach_mm,
            distal_reach_mm=0.0,
            spacing_mm=spacing_mm,
            smooth=smooth,
        )
    except GeometryError:
        return None
    return block_section(block, look.plane())


class Tissue(StrEnum):
    """What a window preset is for."""

    BONE = "bone"
    SOFT = "soft"
    AIR = "air"
    METAL = "metal"


@dataclass(frozen=True)
class Window:
    """Grey values between `low` and `high` spread over black to white."""

    low: float
    high: float

    def dragged(self, right: float, up: float) -> "Window":
        """The window after a drag, in shares of the picture: right widens it, up brightens (lowers) it."""
        width = max(self.high - self.low, 1.0)
        middle = (self.high + self.low) / 2 - up * width
        width = max(1.0, width * float(np.exp(right)))
        return Window(middle - width / 2, middle + width / 2)

    def bytes(self, grey: NDArray[np.float32]) -> NDArray[np.uint8]:
        """(V, U) 0..255; NaN becomes 0."""
        scaled = (grey - self.low) * (255.0 / max(self.high - self.low, 1e-6))
        out: NDArray[np.uint8] = np.nan_to_num(np.clip(scaled, 0, 255), nan=0.0).astype(np.uint8)
        return out


def presets(soft: float, step: float) -> dict[Tissue, Window]:
    """Windows for tissues, because grey scales of scanners differ.

    Args:
        soft: grey value of soft tissue. step: distance from air to soft tissue, as `siteplan.bone.levels` finds them.

    The shares are our own, for display only: with soft tissue at 0 and air at -1000 they show bone from -400 to 1900,
    soft tissue from -250 to 400, air cavities from -1100 to 500 and metal from 500 to 6000.
    """
    shares = {
        Tissue.BONE: (-0.4, 1.9),
        Tissue.SOFT: (-0.25, 0.4),
        Tissue.AIR: (-1.1, 0.5),
        Tissue.METAL: (0.5, 6.0),
    }
    return {tissue: Window(soft + low * step, soft + high * step) for tissue, (low, high) in shares.items()}


def presets_of(scan: Scan) -> dict[Tissue, Window]:
    """The windows of a scan, from its own levels of air and soft tissue; for the eye a thin sample is enough."""
    thin = max(1, round((scan.voxels.size / _SAMPLE) ** (1 / 3)))
    levels = levels_of(scan.values((slice(None, None, thin),) * 3).ravel().astype(np.float64))
    return presets(levels.soft, levels.step)
