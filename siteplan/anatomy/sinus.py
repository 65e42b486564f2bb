"""The bony floor of the maxillary sinus (or of the nose) above a site, below the voxel.

The air cavity's surface is found first; along its normals the profile bone - plate - lining - air is fitted, so that
a thickened lining is not taken for bone and a thin plate keeps its place.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from siteplan.anatomy.cavity import RoughFloor, rough_floor
from siteplan.anatomy.layers import Layer, LayerFit, fit_layers
from siteplan.anatomy.levels import Levels, levels_of
from siteplan.anatomy.sample import Sampler, sampler
from siteplan.anatomy.side import side_of
from siteplan.anatomy.structure import Kind, MadeBy, Structure, Surface
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]
Floats = NDArray[np.float64]

RADIUS_MM = 12.0
"""How far to the sides of the given point the floor is described (our own)."""

MESH_MM = 0.8
"""Spacing of the floor's points; a floor of 8 mm radius bulges 0.01 mm between them."""

DEEP_MM, SHALLOW_MM, STEP_MM = 12.0, 2.5, 0.1
"""How far below and above the air's edge a profile is read, and how finely."""

AVERAGE_MM = 0.6
"""Profiles are averaged over a disc of this radius (our own)."""

LINING_MM = 2.0
"""Lining thicker than this is called thickened (convention in the literature, from memory)."""

SEPTUM_MM = 2.5
"""A ridge of the floor higher than this is called a septum: Underwood AS 1910 as cited in later works, from memory."""

_FLOOR_MM = 0.03
"""Least standard deviation of the floor's position (simulated floors)."""

_LINING_DOUBT_MM = 0.06
"""What is left open where a lining is too thin to be told from blur: about half its thickness is the floor's place, and
thickness is good to 0.12 mm (simulated floors with linings of 0 to 0.6 mm)."""

_BLUR_SHARE = 0.75
"""Its growth with the square of the blur, 1/mm: a blurred thin plate trades thickness for place (simulated floors)."""


@dataclass(frozen=True, eq=False)
class Floor:
    """What is known of the floor.

    Attributes:
        structure: the bony floor at its air side.
        plate_mm, lining_mm: (N,) thickness of the floor plate and of soft tissue on it, at each point.
        septum_mm: height of the highest ridge within the patch, 0 where there is none; septum_lps_mm: its top.
        blur_mm: blur of the scan as the floor shows it.
    """

    structure: Structure
    plate_mm: Floats
    lining_mm: Floats
    septum_mm: float
    septum_lps_mm: Points | None
    blur_mm: float


def sinus_floor(
    scan: Scan,
    near_lps_mm: ArrayLike,
    *,
    kind: Kind = Kind.SINUS_FLOOR,
    side: str | None = None,
    up: ArrayLike = (0.0, 0.0, 1.0),
    radius_mm: float = RADIUS_MM,
) -> Floor:
    """Bony floor of the air cavity above `near_lps_mm`, a point in the cavity or in the bone below it.

    Args:
        kind: `Kind.SINUS_FLOOR` or `Kind.NASAL_FLOOR`.
        up: from the floor into the cavity; in a patient lying or standing as usual that is towards the head.

    Raises:
        GeometryError: no cavity near the point.
    """
    near, above = np.asarray(near_lps_mm, dtype=np.float64), np.asarray(up, dtype=np.float64)
    above = above / np.linalg.norm(above)
    levels = levels_of(scan)
    rough = rough_floor(scan, near, levels, above, radius_mm, max(MESH_MM, 0.6 * max(scan.spacing_kji_mm)))
    source = sampler(scan, rough.points_lps_mm, DEEP_MM + 1.0)
    start, lining = _bone_below(source, rough, levels)
    fit, blur = _fitted(source, rough, start, lining, levels)
    edge = _agreed(rough.points_lps_mm, start + fit.edge_mm, fit.edge_sd_mm)
    points = rough.points_lps_mm + edge[:, None] * rough.normal
    doubt = np.where(lining > 0, 0.0, _LINING_DOUBT_MM)
    own = _FLOOR_MM**2 + (_BLUR_SHARE * blur**2) ** 2
    sd = np.sqrt(own + doubt**2 + fit.edge_sd_mm**2 + (fit.edge_mm + start - edge) ** 2)
    lining = np.maximum(-edge, 0.0) * (lining > 0)
    septum, top = _septum(points, rough, above)
    surface = Surface(points, rough.triangles, above)
    where = side_of(scan, near) if side is None else side
    note = _note(kind, fit.thick_mm[:, 0], lining, septum, rough.open_to_border, scan)
    names = {Kind.SINUS_FLOOR: "floor of the maxillary sinus", Kind.NASAL_FLOOR: "floor of the nasal cavity"}
    structure = Structure(
        kind, names.get(kind, "floor"), surface, where, MadeBy.FOUND, float(np.sqrt(np.mean(sd**2))), None, note
    )
    return Floor(structure, fit.thick_mm[:, 0], lining, septum, top, blur)


def _bone_below(source: Sampler, rough: RoughFloor, levels: Levels) -> tuple[Floats, Floats]:
    """(N,) offset along the normal at which bone begins going down from the air, and (N,) thickness of what is between.

    Both come from the first place at which grey passes one third of the way from soft tissue to dense bone.
    """
    t = np.arange(-DEEP_MM, SHALLOW_MM, STEP_MM)
    grey = _profiles(source, rough.points_lps_mm, rough.normal, t, smooth=True)
    bony = grey > levels.soft + (levels.bone - levels.soft) / 3
    down = bony[:, ::-1]
    found = down.any(axis=1)
    offset = np.where(found, t[::-1][np.argmax(down, axis=1)], 0.0)
    offset = _median_around(rough.points_lps_mm, offset)
    lining = np.where(offset < -_THIN_LINING_MM, -offset, 0.0)
    return offset, lining


_THIN_LINING_MM = 0.8
"""Bone this close to the air's edge counts as bare: a healthy lining is too thin to be told from blur (our own)."""


THIN_MM = (0.02, 0.15, 0.3, 0.45, 0.6, 0.8)
"""Thicknesses tried for a lining too thin to be seen by itself: a healthy one is 0.3 to 0.8 mm (from memory). One is
chosen for the whole floor, because a single profile cannot tell it from blur."""

_THIN_SD_MM = 0.05
"""How much that lining may differ from place to place (our own)."""


def _fitted(
    source: Sampler, rough: RoughFloor, start: Floats, lining: Floats, levels: Levels
) -> tuple[LayerFit, float]:
    """Layer fits around the rough edge, with the blur and the thin lining that explain the profiles best."""
    t = np.arange(-3.0, SHALLOW_MM, STEP_MM)
    points = rough.points_lps_mm + start[:, None] * rough.normal
    profiles = _profiles(source, points, rough.normal, t)
    voxel = float(np.mean(source.scan.spacing_kji_mm))
    blurs = np.clip(np.array([0.15, 0.2, 0.27, 0.35, 0.45, 0.58, 0.75, 1.0]), 0.35 * voxel, 1.5)
    blurs = np.unique(blurs)
    few = slice(None, None, max(1, len(points) // 100))

    def cost(blur: float, thin: float) -> float:
        return _layers(t, profiles[few], lining[few], blur, thin, levels, voxel).cost

    widest = int(np.argmin([cost(b, THIN_MM[0]) for b in blurs]))
    blurs = blurs[max(0, widest - 3) : widest + 1]  # what a lining explains is no blur
    costs = np.array([[cost(b, thin) for b in blurs] for thin in THIN_MM])
    blur = float(blurs[int(np.argmin(costs.min(axis=0)))])
    thin = _lowest(np.array(THIN_MM), costs.min(axis=1))
    return _layers(t, profiles, lining, blur, thin, levels, voxel), blur


def _lowest(x: Floats, cost: Floats) -> float:
    """Where a parabola through the lowest cost and its two neighbours is lowest."""
    best = int(np.argmin(cost))
    if best in (0, len(x) - 1):
        return float(x[best])
    a, b, _ = np.polyfit(x[best - 1 : best + 2], cost[best - 1 : best + 2], 2)
    return float(np.clip(-b / (2 * a), x[best - 1], x[best + 1]))


def _layers(
    t: Floats, profiles: Floats, lining: Floats, blur: float, thin: float, levels: Levels, voxel: float
) -> LayerFit:
    """Fits of bare and of lined profiles; `thin` is the thickness of a lining too thin to be seen by itself."""
    air = levels.air if levels.air is not None else levels.soft
    contrast = levels.bone - levels.soft
    under = Layer(levels.soft + 0.15 * contrast, 0.3 * contrast)
    plate = Layer(levels.bone * 0.95, 0.15 * contrast, 1.0, 1.0, (0.1, 6.0))
    soft = Layer(levels.soft, 0.03 * contrast, 0.1, 0.3, (0.0, 12.0))
    top = Layer(air, 0.05 * (levels.soft - air))
    bare = lining <= 0
    parts: list[tuple[NDArray[np.bool_], LayerFit]] = []
    for which, thick, thick_sd in (
        (bare, thin, _THIN_SD_MM),
        (~bare, float(np.median(lining[~bare])) if (~bare).any() else 0.0, 2.0),
    ):
        if not which.any():
            continue
        lined = Layer(soft.level, soft.level_sd, thick, thick_sd, soft.thick_range_mm)
        layers = (under, plate, lined, top)
        independent = max(0.3, voxel)
        parts.append((which, fit_layers(t, profiles[which], layers, 1, blur, independent_mm=independent)))
    return _merged(parts, len(profiles))


def _merged(parts: list[tuple[NDArray[np.bool_], LayerFit]], n: int) -> LayerFit:
    """One fit out of the fits of disjoint sets of profiles."""
    if len(parts) == 1:
        return parts[0][1]

    def whole(name: str) -> Floats:
        first: Floats = getattr(parts[0][1], name)
        out = np.empty((n, *first.shape[1:]))
        for which, fit in parts:
            out[which] = getattr(fit, name)
        return out

    names = ("edge_mm", "edge_sd_mm", "thick_mm", "thick_sd_mm", "level", "level_sd", "noise", "costs")
    return LayerFit(**{name: whole(name) for name in names})


def _profiles(source: Sampler, points: Points, normal: Points, t: Floats, *, smooth: bool = False) -> Floats:
    """(N, P) grey along the normals, averaged over a small disc across them."""
    helper = np.where(np.abs(normal[:, :1]) < 0.8, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    a = np.cross(normal, helper)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(normal, a)
    line = points[:, None, :] + t[None, :, None] * normal[:, None, :]
    turns = np.arange(6) * np.pi / 3
    offsets = [np.zeros_like(a)] + [AVERAGE_MM * (np.cos(w) * a + np.sin(w) * b) for w in turns]
    total = sum(source.at(line + o[:, None, :], smooth=smooth).astype(np.float64) for o in offsets)
    return np.asarray(total) / len(offsets)


def _median_around(points: Points, value: Floats, reach_mm: float = 1.6) -> Floats:
    near = cKDTree(points).query_ball_point(points, reach_mm)
    return np.array([np.median(value[n]) for n in near])


def _agreed(points: Points, edge: Floats, sd: Floats, reach_mm: float = 1.2) -> Floats:
    """Each edge pulled to its neighbours' weighted mean: a floor is smooth on the scale of a voxel."""
    tree = cKDTree(points)
    out = np.empty_like(edge)
    middle = _median_around(points, edge)
    for n, near in enumerate(tree.query_ball_point(points, reach_mm)):
        away = np.linalg.norm(points[near] - points[n], axis=1)
        odd = np.abs(edge[near] - middle[n])
        weight = (
            np.exp(-0.5 * (away / (0.5 * reach_mm)) ** 2) / np.maximum(sd[near], 0.03) ** 2 / (1 + (odd / 0.3) ** 4)
        )
        out[n] = (weight * edge[near]).sum() / weight.sum()
    return out


def _septum(points: Points, rough: RoughFloor, up: Points) -> tuple[float, Points | None]:
    """Height and top of the highest ridge: how far the floor falls on both sides of a place within 6 mm.

    For opposite directions the lower of the two falls counts, and the best direction wins, so that a slope is no ridge.
    """
    height = points @ up
    beside = points - height[:, None] * up
    a = np.cross(up, [1.0, 0.0, 0.0] if abs(up[0]) < 0.8 else [0.0, 1.0, 0.0])
    a /= np.linalg.norm(a)
    flat = np.stack([beside @ a, beside @ np.cross(up, a)], axis=1)
    tree = cKDTree(flat)
    best = np.zeros(len(points))
    for turn in np.arange(6) * np.pi / 6:
        way = np.array([np.cos(turn), np.sin(turn)])
        falls = [np.full(len(points), -np.inf) for _ in range(2)]
        for which, sign in enumerate((1, -1)):
            for reach in (2.0, 3.0, 4.0, 5.0, 6.0):
                away, at = tree.query(flat + sign * reach * way)
                fall = np.where(away < 1.0, height - height[np.minimum(at, len(height) - 1)], -np.inf)
                falls[which] = np.maximum(falls[which], fall)
        best = np.maximum(best, np.minimum(*falls))
    top = int(np.argmax(best))
    return (float(best[top]), points[top]) if best[top] >= SEPTUM_MM else (0.0, None)


def _note(kind: Kind, plate: Floats, lining: Floats, septum: float, leaves: bool, scan: Scan) -> str:
    words = [f"Found by the computer; floor plate about {np.median(plate):.1f} mm."]
    if kind is Kind.SINUS_FLOOR:
        thick = float(np.percentile(lining, 90)) if len(lining) else 0.0
        if thick > LINING_MM:
            words.append(f"Lining thickened to about {thick:.0f} mm; the bone below it was traced.")
        if septum:
            words.append(
                f"A ridge that rises at least {septum:.0f} mm over the floor on both its sides, a septum or the wall "
                "to the nose, is near the site; beside its foot the floor may be drawn up to 0.6 mm off."
            )
    if leaves:
        words.append("The cavity runs out of the scan.")
    if max(scan.spacing_kji_mm) > 0.6:
        words.append("The voxel is too coarse for a plate thinner than a millimetre.")
    return " ".join([*words, "To be confirmed by a person."])
