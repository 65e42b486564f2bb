"""Where a tooth's or root's axis runs, roughly, from one click on it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from siteplan.anatomy.levels import Levels
from siteplan.anatomy.sample import Box, box_around
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]
Floats = NDArray[np.float64]

REACH_MM = 26.0
"""A tooth is at most about this long: upper canine 27 mm in textbooks, from memory; a click lies within it."""

WIDEST_MM = 5.0
"""Half the widest crossing looked at; a lower molar's crown is 11.4 mm long in textbooks, its roots far less."""

SNAP_MM = 2.0
"""A click is taken to mean the dense tissue within this distance (our own)."""

PULP_MM = 1.5
"""Widest radius of a pulp that is looked past (our own; pulp chambers are 1 to 3 mm wide, from memory)."""

CORE_MM = 0.8
"""Radius of the ring around the axis that may carry a root on where a pulp runs along its axis (our own)."""

_TAIL_MM = 2.5
"""How far that smoothing reaches: five of its standard deviations."""

STEP_MM = 0.4
_TURNS = 24


@dataclass(frozen=True, eq=False)
class RoughRoot:
    """A straight axis with a radius at each height and angle.

    Attributes:
        centre_lps_mm: (3,) a point on the axis, height 0.
        axis: (3,) unit vector towards the apex where that is known, else down the longer part.
        a, b: (3,) unit vectors across it.
        height_mm: (H,) even steps; turn_rad: (A,).
        radius_mm: (H, A).
        dense: grey of the tooth's substance; edge: grey taken for its border.
    """

    centre_lps_mm: Points
    axis: Points
    a: Points
    b: Points
    height_mm: Floats
    turn_rad: Floats
    radius_mm: Floats
    dense: float
    edge: float

    def to_lps(self, height_mm: ArrayLike, turn_rad: ArrayLike, radius_mm: ArrayLike) -> Points:
        """Points (..., 3) at cylinder coordinates that broadcast."""
        h, w, r = np.broadcast_arrays(*(np.asarray(x, dtype=np.float64) for x in (height_mm, turn_rad, radius_mm)))
        out: Points = (
            self.centre_lps_mm
            + h[..., None] * self.axis
            + (r * np.cos(w))[..., None] * self.a
            + (r * np.sin(w))[..., None] * self.b
        )
        return out

    def turned(self) -> "RoughRoot":
        """The same with the axis reversed; `b` is reversed too, so that the three directions stay right-handed."""
        return replace(
            self, axis=-self.axis, b=-self.b, height_mm=-self.height_mm[::-1], radius_mm=mirrored(self.radius_mm)
        )

    def outward(self, turn_rad: ArrayLike) -> Points:
        """Unit vectors (..., 3) away from the axis."""
        w = np.asarray(turn_rad, dtype=np.float64)
        out: Points = np.cos(w)[..., None] * self.a + np.sin(w)[..., None] * self.b
        return out


@dataclass(frozen=True, eq=False)
class Ground:
    """The box in which roots are sought from one click or from several places beside it, as read and smoothed.

    Attributes:
        edge_share: how far from what lies around a root to its own grey its rough border is drawn, 0 to 1.
    """

    box: Box
    smooth: NDArray[np.float32]
    levels: Levels
    edge_share: float = 0.5


def ground_at(scan: Scan, near_lps_mm: ArrayLike, levels: Levels) -> Ground:
    """What lies around a click.

    Raises:
        GeometryError: the click lies outside the scan.
    """
    near = np.asarray(near_lps_mm, dtype=np.float64)
    if near.shape != (3,) or not scan.contains(near):
        raise GeometryError("near: the point lies outside the scan; give patient millimetres inside it.")
    spacing = max(0.3, 0.5 * max(scan.spacing_kji_mm))
    box = box_around(scan, near, REACH_MM, spacing)
    return Ground(box, ndimage.gaussian_filter(box.filled, 0.3 / spacing), levels)


def rough_root(ground: Ground, near_lps_mm: ArrayLike) -> RoughRoot:
    """Axis, length and first radii of the dense, elongated thing at a place.

    Raises:
        GeometryError: nothing dense lies there, or it has no end within reach.
    """
    near = np.asarray(near_lps_mm, dtype=np.float64)
    box, smooth, levels = ground.box, ground.smooth, ground.levels
    centre, dense = _snapped(box, smooth, near, levels)
    around = _surroundings(box, smooth, centre, levels)
    around = max(around, levels.soft)
    edge = around + ground.edge_share * (dense - around)
    axis = np.array([0.0, 0.0, 1.0])
    for _ in range(4):
        centre, axis = _straightened(box, smooth, centre, axis, edge)
    low, high = _ends(box, smooth, centre, axis, edge)
    if high - low < 3.0:
        raise GeometryError("near: nothing long enough for a root lies there; click on the middle of a root.")
    a, b = across(axis)
    height = np.arange(low, high + 1e-6, STEP_MM)
    turn = np.arange(_TURNS) * 2 * np.pi / _TURNS
    rough = RoughRoot(centre, axis, a, b, height, turn, np.zeros((len(height), _TURNS)), dense, edge)
    radius = _believable(_crossing(box, smooth, rough, edge))
    return RoughRoot(centre, axis, a, b, height, turn, radius, dense, edge)


def mirrored(table: Floats) -> Floats:
    """A table (H, A) as the reversed axis sees it: heights in reverse, angle w becomes -w."""
    return np.asarray(table[::-1][:, -np.arange(table.shape[1]) % table.shape[1]])


def across(axis: Points) -> tuple[Points, Points]:
    """Two unit vectors at right angles to `axis` and to each other."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.8 else np.array([0.0, 1.0, 0.0])
    a = np.cross(axis, helper)
    a /= np.linalg.norm(a)
    return a, np.cross(axis, a)


def _read(box: Box, grey: NDArray[np.float32], points: Points) -> Floats:
    index = box.to_index(points)
    out = ndimage.map_coordinates(grey, index.reshape(-1, 3).T, order=1, mode="constant", cval=float(grey.min()))
    return np.asarray(out.reshape(points.shape[:-1]), dtype=np.float64)


def _ball(reach_mm: float, step_mm: float) -> Points:
    line = np.arange(-reach_mm, reach_mm + 1e-9, step_mm)
    grid = np.stack(np.meshgrid(line, line, line, indexing="ij"), axis=-1).reshape(-1, 3)
    out: Points = grid[np.linalg.norm(grid, axis=1) <= reach_mm]
    return out


def _snapped(box: Box, smooth: NDArray[np.float32], near: Points, levels: Levels) -> tuple[Points, float]:
    """The click, or the dense voxel near it that is most surrounded by dense ones; and the grey of its core."""
    offsets = _ball(SNAP_MM, 0.4)
    # Only what is read is blurred: the whole box would take longer than all the rest.
    around = round((SNAP_MM + _TAIL_MM) / box.spacing_mm)
    low = np.maximum(np.array(box.nearest(near)) - around, 0)
    part = tuple(slice(int(n), int(n) + 2 * around + 1) for n in low)
    here = Box(box.values[part], box.to_lps(low), box.spacing_mm)
    grey = _read(here, ndimage.gaussian_filter(smooth[part], 0.5 / box.spacing_mm), near + offsets)
    grey = grey - 0.05 * (levels.bone - levels.soft) * np.linalg.norm(offsets, axis=1)
    best = near + offsets[int(np.argmax(grey))]
    core = _read(box, smooth, best + _ball(0.8, 0.3))
    dense = float(np.median(core))
    if dense < levels.bone_edge:
        raise GeometryError("near: nothing as dense as a tooth lies within 2 mm; click on the tooth or its root.")
    return best, dense


def _surroundings(box: Box, smooth: NDArray[np.float32], centre: Points, levels: Levels) -> float:
    """Grey of what lies beside the root at the height of the click: the darker half of a flat ring."""
    turn = np.arange(48) * 2 * np.pi / 48
    rings = [
        _read(box, smooth, centre + r * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)) for r in (3, 4, 5)
    ]
    return float(np.clip(np.percentile(np.concatenate(rings), 30), levels.soft, levels.bone))


def _straightened(
    box: Box, smooth: NDArray[np.float32], centre: Points, axis: Points, edge: float
) -> tuple[Points, Points]:
    """A better axis: the straight line through the middle of the dense disc around the axis, height by height.

    Discs that are closed in by other dense tissue (a plate, the crest) hardly count.
    """
    a, b = across(axis)
    line = np.arange(-WIDEST_MM, WIDEST_MM + 1e-9, _PIXEL_MM)
    u, v = np.meshgrid(line, line)
    heights, centres, radii, free = [], [], [], []
    for direction in (1, -1):
        at = np.zeros(2)
        for step in range(int(REACH_MM / 0.8)):
            height = direction * 0.8 * (step + (direction < 0))
            plane = centre + height * axis + (u + at[0])[..., None] * a + (v + at[1])[..., None] * b
            disc = _disc(_read(box, smooth, plane) > edge, u, v)
            if disc is None:
                break
            mean, radius, share = disc
            heights.append(height)
            centres.append(at + mean)
            radii.append(radius)
            free.append(share)
            at = at + np.clip(mean, -0.4, 0.4)
    if len(heights) < 4:
        return centre, axis
    h, c, open_share = np.array(heights), np.array(centres), np.array(free)
    usual = float(np.median(np.array(radii)[np.argsort(np.abs(h))[:5]]))
    clean = open_share**2 * (np.array(radii) < 1.4 * usual) / (1 + (h / 8.0) ** 2) + 1e-4
    weight = clean
    for _ in range(8):
        fit = [np.polyfit(h, c[:, d], 1, w=np.sqrt(weight)) for d in range(2)]
        off = np.hypot(*(c[:, d] - np.polyval(fit[d], h) for d in range(2)))
        weight = clean / (1 + (off / 0.4) ** 2)
    turned = axis + fit[0][0] * a + fit[1][0] * b
    moved = centre + fit[0][1] * a + fit[1][1] * b
    return moved, turned / np.linalg.norm(turned)


_PIXEL_MM = 0.3
_STRAY_MM = 0.9
"""How far the middle of the disc may lie from where the heights before put it (our own)."""

_THINNEST_MM = 0.45
"""A dense disc of a smaller radius is no root (our own)."""


def _disc(dense: NDArray[np.bool_], u: Floats, v: Floats) -> tuple[Floats, float, float] | None:
    """Middle (2,) and radius of the widest dense disc near the middle of the plane, and the share of its surroundings
    that is not dense; None where nothing dense lies there."""
    # The pulp is a dark hole in the dense disc and belongs to the tooth.
    dense = np.asarray(ndimage.binary_fill_holes(dense), dtype=np.bool_)
    # The rim counts as an end, or a plane that is dense all over would have no disc to measure.
    depth = ndimage.distance_transform_edt(np.pad(dense, 1))[1:-1, 1:-1] * _PIXEL_MM
    near = np.hypot(u, v)
    score = np.where(near <= _STRAY_MM, depth - 0.2 * near, -1.0)
    best = np.unravel_index(int(np.argmax(score)), score.shape)
    radius = float(depth[best])
    if radius < _THINNEST_MM:
        return None
    away = np.hypot(u - u[best], v - v[best])
    disc = dense & (away <= 1.25 * radius)
    ring = (away > 1.25 * radius) & (away <= 1.25 * radius + 0.9)
    return np.array([u[disc].mean(), v[disc].mean()]), radius, float(np.mean(~dense[ring])) if ring.any() else 0.0


def _ends(box: Box, smooth: NDArray[np.float32], centre: Points, axis: Points, edge: float) -> tuple[float, float]:
    """Heights at which the core around the axis stops being dense; a dark pulp on the axis itself is no end."""
    h = np.arange(-REACH_MM, REACH_MM + 1e-9, 0.2)
    a, b = across(axis)
    turn = np.arange(8) * np.pi / 4
    beside = CORE_MM * np.concatenate([np.zeros((1, 3)), np.outer(np.cos(turn), a) + np.outer(np.sin(turn), b)])
    around = _read(box, smooth, centre + h[:, None, None] * axis + beside)
    grey = np.maximum(around[:, 0], np.median(around[:, 1:], axis=1))
    dark = ndimage.uniform_filter1d((grey < edge).astype(float), 4) > 0.9
    up, down = h[dark & (h > 0)], h[dark & (h < 0)]
    if not up.size or not down.size:
        raise GeometryError("near: the dense thing there does not end inside the scan; click on the middle of a root.")
    high = h[(grey >= edge) & (h < up.min())].max()
    low = h[(grey >= edge) & (h > down.max())].min()
    return float(low), float(high)


def _crossing(box: Box, smooth: NDArray[np.float32], rough: RoughRoot, edge: float) -> Floats:
    """(H, A) first radius at which grey falls through the edge, a dark pulp around the axis left aside.

    `WIDEST_MM` where it never does, the least radius where nothing dense is met.
    """
    r = np.arange(0.2, WIDEST_MM, 0.1)
    grey = _read(
        box,
        smooth,
        rough.to_lps(rough.height_mm[:, None, None], rough.turn_rad[None, :, None], r[None, None, :]),
    )
    dense: NDArray[np.bool_] = grey >= edge
    # A pulp is at most about this wide; beyond it what is met first is not this root.
    core = np.asarray(dense[:, :, r <= PULP_MM].any(axis=2))
    dense = dense & (core[..., None] | (r <= PULP_MM))
    fall = ~dense & np.maximum.accumulate(dense, axis=2)
    never = np.where(dense.any(axis=2), WIDEST_MM, r[0])
    return np.where(fall.any(axis=2), r[np.argmax(fall, axis=2)], never)


def _believable(radius: Floats) -> Floats:
    """Radii with the leaks into touching bone taken back to what most directions and neighbouring heights say."""
    usual = np.percentile(radius, 40, axis=1)
    usual = ndimage.median_filter(usual, 9, mode="nearest")
    h = np.arange(len(usual))
    weight = np.ones(len(usual))
    for _ in range(6):
        fit = np.polyval(np.polyfit(h, usual, 2, w=weight), h)
        weight = 1 / (1 + (np.maximum(usual - fit, 0) / 0.3) ** 2)
    usual = np.minimum(usual, fit + 0.4)
    held = np.clip(radius, 0.6 * usual[:, None], 1.3 * usual[:, None] + 0.3)
    leaked = radius > 1.3 * usual[:, None] + 0.3
    held = np.where(leaked, usual[:, None], held)
    return np.asarray(
        ndimage.median_filter(np.pad(held, ((0, 0), (2, 2)), mode="wrap"), (5, 5), mode="nearest")[:, 2:-2]
    )
