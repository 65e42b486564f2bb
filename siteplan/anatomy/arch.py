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
from scipy.interpolate import CubicSpline

from siteplan.anatomy.curve import arc_length
from siteplan.anatomy.jaw import Jaw, Mask, find_jaw
from siteplan.anatomy.ridge_line import RidgeLine, ridge_line
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]

CONTROL_MM = 8.0
"""Distance between control points of a found arch: about a tooth (our own)."""

SLAB_MM = 3.0
"""Half the height of the slab around the crest whose middle the arch follows (our own)."""

SLAB_SHARE = 0.35
"""Bone in this share of the slab's planes counts as ridge (our own)."""

WIDEST_MM = 17.0
"""A ridge is at most about this wide (from memory)."""

THINNEST_MM = 3.5
"""One plate of a ridge is 1 to 3 mm thick, a ridge hardly less than 4 mm (from memory)."""

MOST_TURN_DEG, BACK_DEG, TURN_STEPS = 240.0, 25.0, 12
"""A horseshoe turns by about 180 degrees, and to one side only; bends are read over 12 mm (our own)."""

DEPTHS_MM = (SLAB_MM, 6.0, 9.0, 12.0)
"""How far in from the end of the jaw's bone or teeth a line is tried (our own)."""

EVEN_SHARE = 0.6
"""In a wide field an arch reaches about as far back on both sides (our own)."""

MIDLINE_SHARE = 0.15
"""The foremost point of an arch lies at least this share of its length from either end (our own)."""


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
        near_lps_mm: a point on the crest, whose height is used; without it a few heights below the top of the lower
            (or above the bottom of the upper) jaw's arch are tried.

    Raises:
        GeometryError: the point lies outside the scan, no jaw, or too little of it for a curve.
    """
    if near_lps_mm is not None and not scan.contains(np.asarray(near_lps_mm, dtype=np.float64)):
        raise GeometryError("near: the point lies outside the scan; give patient millimetres inside it.")
    near = None if near_lps_mm is None else np.asarray(near_lps_mm, dtype=np.float64)
    jaw = find_jaw(scan, upper=upper, height_mm=None if near is None else float(near[2]))
    if near is not None:
        line, doubts = _at_height(jaw, float(near[2]), near)
    else:
        line, doubts = _longest(scan, jaw, upper)
    s = arc_length(line)
    count = max(4, round(float(s[-1]) / CONTROL_MM) + 1)
    at = np.linspace(0, s[-1], count)
    arch = Arch(np.stack([np.interp(at, s, line[:, d]) for d in range(3)], axis=1))
    middle = None if jaw.midline_mm is None else _front_mm(arch)
    if jaw.midline_mm is not None and middle is None:
        doubts.append("in this wide field its front does not show in it, so no midline is given")
    elif middle is not None:
        shorter, longer = sorted((middle, arch.length_mm - middle))
        if shorter < EVEN_SHARE * longer:
            doubts.append(f"it reaches {longer:.0f} mm from its front to one side and {shorter:.0f} mm to the other")
    doubt = f"Doubt it: {'; '.join(doubts)}. Check it against the scan. " if doubts else ""
    how = "Found by the computer from bone and teeth; its control points can be moved."
    return Arch(arch.control_lps_mm, middle, f"{doubt}{jaw.note}{how}")


def _at_height(jaw: Jaw, height_mm: float, near: Points | None) -> tuple[Points, list[str]]:
    """Middle line (N, 3) in the slab around a height, and what makes it doubtful."""
    mask, metal = _slab(jaw, height_mm)
    start = None if near is None else jaw.box.to_index(near)[1:] * jaw.box.spacing_mm
    ridge = ridge_line(mask, jaw.box.spacing_mm, start)
    line = ridge.points[:, ::-1] + jaw.box.origin_lps_mm[:2]
    line = _directed(np.column_stack([line, np.full(len(line), height_mm)]), jaw)
    return line, _doubts(ridge, line, metal)


def _longest(scan: Scan, jaw: Jaw, upper: bool) -> tuple[Points, list[str]]:
    """The longest line of which nothing is doubted, of a few heights below the jaw's end: where teeth stand apart, the
    ridge hangs together deeper down."""
    bone = jaw.box.to_lps(np.argwhere(jaw.bone))
    z = bone[:, 2]
    whole = find_jaw(scan, height_mm=float(z.mean()))
    found = []
    problem: GeometryError | None = None
    for depth in DEPTHS_MM:
        height = float(z.min() + depth if upper else z.max() - depth)
        here = bone[np.abs(z - height) <= SLAB_MM]
        try:
            # The jaw tells where its front is; what belongs to it beyond a gap is sought in all bone.
            found.append(_at_height(whole, height, here[int(np.argmin(here[:, 1]))] if len(here) else None))
        except GeometryError as error:
            problem = problem or error
    if not found:
        assert problem is not None
        raise problem
    return max(found, key=lambda each: (not each[1], float(arc_length(each[0])[-1])))


def _front_mm(arch: Arch) -> float | None:
    """Arc length of the foremost place (LPS -y), None where that is an end: the front is then not in it."""
    s = np.linspace(0, arch.length_mm, 400)
    middle = float(s[int(np.argmin(arch.at(s)[:, 1]))])
    return middle if MIDLINE_SHARE < middle / arch.length_mm < 1 - MIDLINE_SHARE else None


def _slab(jaw: Jaw, height_mm: float) -> tuple[Mask, float]:
    """(J, I) where bone lies in the slab around a height, and the share of the slab's planes left out for metal."""
    z = jaw.box.to_lps(np.stack([np.arange(len(jaw.bone)), *[np.zeros(len(jaw.bone))] * 2], axis=1))[:, 2]
    planes = np.flatnonzero(np.abs(z - height_mm) <= SLAB_MM)
    if not len(planes):
        raise GeometryError("arch: no jaw bone lies at that height; give a point on the crest.")
    metal = jaw.metal[planes]
    clear = planes[~metal] if not metal.all() else planes
    return np.asarray(jaw.bone[clear].mean(axis=0) >= SLAB_SHARE), float(metal.mean())


def _directed(line: Points, jaw: Jaw) -> Points:
    """From the patient's right to left where both ends lie about as far back, else front to back."""
    step = line[-1] - line[0]
    across = jaw.wide or abs(step[0]) > abs(step[1])
    return line if (step[0] > 0 if across else step[1] > 0) else line[::-1]


def _doubts(ridge: RidgeLine, line: Points, metal: float) -> list[str]:
    """What makes the line doubtful, in words."""
    said = []
    if metal > 0:
        said.append(f"metal takes up {metal:.0%} of its height" + (", all that there is" if metal == 1 else ""))
    wide = float(np.percentile(2 * ridge.half_mm, 80))
    if wide > WIDEST_MM:
        said.append(f"the bone that it follows is {wide:.0f} mm wide, more than a ridge")
    if float(np.median(2 * ridge.half_mm)) < THINNEST_MM:
        said.append("the bone that it follows is as thin as a plate, not a ridge")
    tangent = np.gradient(line, axis=0)
    turn = np.degrees(np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0])))
    if np.ptp(turn) > MOST_TURN_DEG:
        said.append("it turns round further than a jaw does")
    if len(turn) > 2 * TURN_STEPS:
        bend = turn[TURN_STEPS:] - turn[:-TURN_STEPS]
        if bend.max() > BACK_DEG and bend.min() < -BACK_DEG:
            said.append("it bends to both sides")
    return said


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
