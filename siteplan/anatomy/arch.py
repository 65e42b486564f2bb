"""The arch curve of a jaw: found from bone and teeth, smooth, editable by control points, with arc length.

Tooth places along it are estimates from published mean crown widths and are shown as estimates.
"""

import tomllib
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from siteplan.anatomy.curve import arc_length
from siteplan.anatomy.jaw import Jaw, find_jaw
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]

CONTROL_MM = 8.0
"""Distance between control points of a found arch: about a tooth (our own)."""

SLAB_MM = 3.0
"""Half the height of the slab around the crest whose middle the arch follows (our own)."""

BINS_MM = 1.0

ROUNDS = 8
"""Turns in which the curve and the directions across it settle (simulated jaws)."""

DEGREE = 2
"""A piece of jaw in a narrow field is short enough for a parabola (our own)."""

_LEAST_BINS = 8


@dataclass(frozen=True, eq=False)
class Arch:
    """A smooth curve through control points.

    Attributes:
        control_lps_mm: (C, 3), C >= 4; from the patient's right to left in a wide field, front to back in a narrow one.
        midline_mm: arc length at the midline, None where the scan does not show it.
        note: how it came about.
    """

    control_lps_mm: Points
    midline_mm: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        shape = self.control_lps_mm.shape
        if len(shape) != 2 or shape[1] != 3 or shape[0] < 4 or not np.isfinite(self.control_lps_mm).all():
            raise GeometryError("arch: four or more control points of three finite numbers are needed.")
        if np.linalg.norm(np.diff(self.control_lps_mm, axis=0), axis=1).min() < 0.5:
            raise GeometryError("arch: two neighbouring control points are closer than 0.5 mm; move them apart.")

    @cached_property
    def _spline(self) -> tuple[CubicSpline, NDArray[np.float64], NDArray[np.float64]]:
        chord = arc_length(self.control_lps_mm)
        spline = CubicSpline(chord, self.control_lps_mm, axis=0)
        fine = np.linspace(0, chord[-1], 40 * len(chord))
        return spline, fine, arc_length(spline(fine))

    @property
    def length_mm(self) -> float:
        """Arc length from the first to the last control point."""
        return float(self._spline[2][-1])

    def at(self, s_mm: ArrayLike) -> Points:
        """Points (..., 3) at arc lengths, kept between both ends."""
        spline, fine, s = self._spline
        out: Points = spline(np.interp(np.asarray(s_mm, dtype=np.float64), s, fine))
        return out

    def tangent(self, s_mm: ArrayLike) -> Points:
        """Unit vectors (..., 3) along the arch."""
        spline, fine, s = self._spline
        out = spline(np.interp(np.asarray(s_mm, dtype=np.float64), s, fine), 1)
        unit: Points = out / np.linalg.norm(out, axis=-1, keepdims=True)
        return unit

    def nearest(self, point_lps_mm: ArrayLike) -> float:
        """Arc length of the place on the arch nearest to a point."""
        spline, fine, s = self._spline
        away = np.linalg.norm(spline(fine) - np.asarray(point_lps_mm, dtype=np.float64), axis=1)
        return float(s[int(np.argmin(away))])

    def moved(self, index: int, to_lps_mm: ArrayLike) -> "Arch":
        """The arch with one control point put elsewhere by hand."""
        if not 0 <= index < len(self.control_lps_mm):
            raise GeometryError(f"arch: it has control points 0 to {len(self.control_lps_mm) - 1}, not {index}.")
        middle = None if self.midline_mm is None else self.at(self.midline_mm)
        control = self.control_lps_mm.copy()
        control[index] = np.asarray(to_lps_mm, dtype=np.float64)
        fresh = Arch(control, None, self.note)
        return fresh if middle is None else Arch(control, fresh.nearest(middle), self.note)


@dataclass(frozen=True, slots=True)
class ToothPlace:
    """Where a tooth's middle is expected, `sd_mm` along the arch; `estimated` is False for a tooth that was given."""

    tooth: int
    s_mm: float
    sd_mm: float
    estimated: bool = True


def find_arch(scan: Scan, near_lps_mm: ArrayLike | None = None, *, upper: bool = False) -> Arch:
    """The middle line of the jaw in a slab around the crest.

    Args:
        near_lps_mm: a point on the crest, whose height is used; without it the top of the lower (or the bottom of the
            upper) jaw's arch is taken.

    Raises:
        GeometryError: the point lies outside the scan, no jaw, or too little of it for a curve.
    """
    if near_lps_mm is not None and not scan.contains(np.asarray(near_lps_mm, dtype=np.float64)):
        raise GeometryError("near: the point lies outside the scan; give patient millimetres inside it.")
    jaw = find_jaw(scan, upper=upper)
    points = jaw.box.to_lps(np.argwhere(jaw.bone))
    if near_lps_mm is not None:
        height = float(np.asarray(near_lps_mm, dtype=np.float64)[2])
    else:
        height = float(points[:, 2].min() + SLAB_MM if upper else points[:, 2].max() - SLAB_MM)
    slab = points[np.abs(points[:, 2] - height) <= SLAB_MM]
    if len(slab) < 50:
        raise GeometryError("arch: no jaw bone lies at that height; give a point on the crest.")
    line = _around(slab, jaw) if jaw.wide else _along(slab)
    line = np.column_stack([line, np.full(len(line), height)])
    s = arc_length(line)
    count = max(4, round(float(s[-1]) / CONTROL_MM) + 1)
    at = np.linspace(0, s[-1], count)
    control = np.stack([np.interp(at, s, line[:, d]) for d in range(3)], axis=1)
    note = "Found by the computer from bone and teeth; its control points can be moved."
    arch = Arch(control, None, note)
    if jaw.midline_mm is None:
        return arch
    front = arch.at(np.linspace(0, arch.length_mm, 400))
    middle = int(np.argmin(front[:, 1]))
    return Arch(control, float(np.linspace(0, arch.length_mm, 400)[middle]), note)


def _along(slab: Points) -> Points:
    """Middle line (N, 2) of a piece of jaw, bin by bin along its longest direction, front end first."""
    flat = slab[:, :2]
    centre = flat.mean(axis=0)
    direction = np.linalg.svd(flat[:: max(1, len(flat) // 5000)] - centre, full_matrices=False)[2][0]
    direction = -direction if direction[1] < 0 else direction
    side = np.array([-direction[1], direction[0]])
    t, u = (flat - centre) @ direction, (flat - centre) @ side
    place, middle = _binned(t, u, BINS_MM)
    middle = np.asarray(np.polyval(np.polyfit(place, middle, DEGREE), place), dtype=np.float64)
    for _ in range(ROUNDS):
        place, middle = _recentred(t, u, place, middle)
    return np.asarray(centre + place[:, None] * direction + middle[:, None] * side)


def _recentred(t: Points, u: Points, place: Points, middle: Points) -> tuple[Points, Points]:
    """The curve (place, middle) moved to the mean offset of the voxels at right angles to it, as a parabola."""
    line = np.stack([place, middle], axis=1)
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    points = np.stack([t, u], axis=1)
    foot = cKDTree(line).query(points)[1]
    inside = np.abs(((points - line[foot]) * tangent[foot]).sum(axis=1)) <= BINS_MM
    offset = ((points - line[foot]) * normal[foot]).sum(axis=1)[inside]
    count = np.bincount(foot[inside], minlength=len(line))
    mean = np.bincount(foot[inside], weights=offset, minlength=len(line)) / np.maximum(count, 1)
    good = count >= max(3, 0.3 * float(np.median(count)))
    moved = (line + mean[:, None] * normal)[good]
    fit = np.polyfit(moved[:, 0], moved[:, 1], DEGREE)
    fresh = np.linspace(moved[0, 0], moved[-1, 0], max(_LEAST_BINS, len(moved)))
    return fresh, np.asarray(np.polyval(fit, fresh), dtype=np.float64)


def _around(slab: Points, jaw: Jaw) -> Points:
    """Middle line (N, 2) of a horseshoe, bin by bin around a centre behind the front teeth, right end first."""
    assert jaw.midline_mm is not None
    x = 0.5 * (slab[:, 0].min() + slab[:, 0].max())
    depth = slab[:, 1].max() - slab[:, 1].min()
    centre = np.array([x, slab[:, 1].min() + 0.75 * depth])
    offset = slab[:, :2] - centre
    angle = np.arctan2(offset[:, 0], -offset[:, 1])  # 0 straight ahead, growing to the patient's left
    keep = np.abs(angle) < np.radians(115)
    place, radius = _binned(angle[keep], np.linalg.norm(offset[keep], axis=1), np.radians(2.5))
    return np.asarray(centre + radius[:, None] * np.stack([np.sin(place), -np.cos(place)], axis=1))


def _binned(along: Points, value: Points, width: float) -> tuple[Points, Points]:
    """Middles of bins and the mean value in each, smoothed; bins with few voxels are bridged."""
    number = np.floor((along - along.min()) / width).astype(int)
    count = np.bincount(number)
    mean = np.bincount(number, weights=value) / np.maximum(count, 1)
    good = np.flatnonzero(count >= max(3, 0.15 * float(np.median(count))))
    if len(good) < _LEAST_BINS:
        raise GeometryError("arch: too little of the jaw lies in the scan for a curve; draw it by hand.")
    bins = np.arange(good[0], good[-1] + 1)
    filled = np.interp(bins, good, mean[good])
    return along.min() + (bins + 0.5) * width, ndimage.gaussian_filter1d(filled, 3.0, mode="nearest")


def crown_widths() -> dict[str, Any]:
    """Published mean crown widths with their sources: tables `upper`, `lower` and `spread`."""
    return tomllib.loads(files("siteplan.anatomy").joinpath("tooth_widths.toml").read_text(encoding="utf-8"))


def tooth_places(arch: Arch, upper: bool, known: dict[int, float] | None = None) -> list[ToothPlace]:
    """Where the teeth of a jaw are expected along the arch.

    Args:
        known: arc length of teeth whose place is given (ISO 3950 number to mm). Others are counted from the nearest of
            them by mean crown widths; without any, from the midline.

    Raises:
        GeometryError: neither a midline nor a known tooth.
    """
    table = crown_widths()
    widths, spread = table["upper" if upper else "lower"]["mm"], float(table["spread"]["share"])
    quadrants = (1, 2) if upper else (4, 3)
    middles = np.cumsum(widths) - 0.5 * np.array(widths)
    teeth = [(quadrants[0] * 10 + n, -float(middles[n - 1])) for n in range(8, 0, -1)]
    teeth += [(quadrants[1] * 10 + n, float(middles[n - 1])) for n in range(1, 9)]
    ideal = dict(teeth)
    anchors = {t: s for t, s in (known or {}).items() if t in ideal}
    if not anchors and arch.midline_mm is None:
        raise GeometryError("arch: the midline is not in the scan; give the place of one tooth to count from.")
    out = []
    for tooth, place in teeth:
        if tooth in anchors:
            out.append(ToothPlace(tooth, anchors[tooth], 0.0, estimated=False))
            continue
        if anchors:
            nearest = min(anchors, key=lambda t: abs(ideal[t] - place))
            start, base = ideal[nearest], anchors[nearest]
        else:
            start, base = 0.0, float(arch.midline_mm or 0.0)
        between = [widths[t % 10 - 1] for t, p in teeth if min(start, place) < p < max(start, place)]
        sd = spread * float(np.sqrt(sum(w**2 for w in between) + (0.5 * widths[tooth % 10 - 1]) ** 2)) + 0.5
        s = base + place - start
        if 0 <= s <= arch.length_mm:
            out.append(ToothPlace(tooth, s, sd))
    return out


def arch_json(arch: Arch, places: list[ToothPlace], jaw: str | None = None) -> dict[str, Any]:
    """Plain lists and numbers for printing. `arches` is what stands in a case file; empty where the jaw is not said."""
    control = np.round(arch.control_lps_mm, 3).tolist()
    return {
        "arches": [] if jaw is None else [{"jaw": jaw, "control_points_mm": control, "note": arch.note}],
        "control_points_mm": control,
        "length_mm": round(arch.length_mm, 2),
        "midline_s_mm": None if arch.midline_mm is None else round(arch.midline_mm, 2),
        "points_mm": np.round(arch.at(np.arange(0, arch.length_mm, 1.0)), 3).tolist(),
        "teeth": [
            {
                "tooth": p.tooth,
                "s_mm": round(p.s_mm, 2),
                "at_mm": np.round(arch.at(p.s_mm), 2).tolist(),
                "sd_mm": round(p.sd_mm, 2),
                "estimated": p.estimated,
            }
            for p in places
        ],
        "tooth_width_source": crown_widths()["upper"]["source"],
        "note": arch.note,
    }
