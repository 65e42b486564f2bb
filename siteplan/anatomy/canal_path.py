"""The mandibular canal between given points: cheapest dark way, then its centre and radius below the voxel."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.special import expit

from siteplan.anatomy.curve import framed, resampled, smoothed
from siteplan.anatomy.lumen_fit import (
    CrossSections,
    LumenFit,
    Wall,
    best_blur,
    fit_lumen,
    fit_lumen_carefully,
    mean_where,
)
from siteplan.anatomy.path import cheapest_path
from siteplan.anatomy.sample import Box, Sampler, box_around, sampler
from siteplan.anatomy.tubularity import dark_tubularity
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]
Floats = NDArray[np.float64]

STEP_MM = 0.5
"""Distance between the points of a traced canal (our own; a third of the smallest lumen diameter)."""

REACH_MM = 8.0
"""How far from the straight lines between the points the path may wander (our own)."""

SECTION_RADIUS_MM = 3.0
SECTION_PIXEL_MM = 0.25
AVERAGE_MM = 1.0
"""Standard deviation of the averaging of neighbouring cross-sections along the canal (our own)."""

PATH_FLOOR = 0.1
"""Share of the best tubularity that any place is granted, so that a gap is crossed straight (our own)."""

CHANCE_PERCENT = 90.0
"""Tubularity below this percentile of its neighbourhood is taken for pattern and noise (our own)."""

SNAP_MM = 1.5
"""A click is taken to mean the lumen within this distance when one is seen there (our own)."""

WALL_MM = 0.5
"""Thickness assumed for the canal's wall; the radius hardly depends on it: 0.3 to 0.7 mm move it by 0.08 mm."""

Z_HALF, Z_SCALE = 5.0, 1.0
"""Contrast over its standard deviation at which a lumen is as likely as not, and how fast belief grows from there.
Set on simulated canals with and without contrast; see tests/anatomy."""

CLOSED_HALF, CLOSED_SCALE = 2.0, 0.7
"""The same for how much brighter than the lumen its surroundings are on their weakest sides."""

_FLOOR_MM = 0.04
"""Least standard deviation of position: what the shape of the model leaves even without noise (simulated canals)."""

_GUESS_MM, _GUESS_GROWTH = 0.35, 0.25
"""Standard deviation of position where nothing is seen, and its growth per mm away from where something is seen
(simulated canals)."""

_END_GUESS_MM, _END_FADE_MM = 0.8, 1.0
"""The same at the two ends of a path, which nothing beyond them holds, and over what length that fades: at the bend in
front of a simulated foramen a half-seen end was off by 0.6 mm."""


@dataclass(frozen=True, eq=False)
class CanalPath:
    """A traced canal.

    Attributes:
        points_lps_mm: (N, 3) at about `STEP_MM`.
        radius_mm: (N,) of the lumen.
        confidence: (N,) 0 to 1 that a lumen is really seen there.
        sd_mm: (N,) standard deviation of the lumen's surface position.
        contrast: (N,) grey of the bone around minus grey of the lumen.
        blur_mm: standard deviation of the scan's blur as the canal shows it.
    """

    points_lps_mm: Points
    radius_mm: Floats
    confidence: Floats
    sd_mm: Floats
    contrast: Floats
    blur_mm: float


def find_path(
    scan: Scan, through_lps_mm: Sequence[ArrayLike], *, hold: Sequence[int] = (), blur_mm: float | None = None
) -> CanalPath:
    """Trace the canal through points set by hand, in their order.

    Args:
        through_lps_mm: two or more points.
        hold: which of them (by position) must be kept exactly; the others may snap to a lumen seen nearby.
        blur_mm: the scan's blur where it is known from an earlier trace.

    Raises:
        GeometryError: fewer than two points, points outside the scan or all at one place.
    """
    points = checked(scan, through_lps_mm)
    path = _through(scan, points, hold, blur_mm)
    for end in (0, len(points) - 1):
        if end in hold:
            continue
        nearer = _on_the_lumen(path, points, end)
        if nearer is None or not scan.contains(nearer):
            continue
        moved = points.copy()
        moved[end] = nearer
        again = _through(scan, moved, hold, blur_mm)
        if _better_seen(again, path, end):
            path, points = again, moved
    return path


def _better_seen(again: CanalPath, path: CanalPath, end: int) -> bool:
    """Whether a click may be overruled: the lumen is then seen to the very end, or clearly more of it than before and
    not nothing at the end, as where a wall with gaps makes every sight of it doubtful."""
    new, old = (p.confidence if end == 0 else p.confidence[::-1] for p in (again, path))
    if new[0] >= _SEEN > old[0]:
        return True
    last = round(_END_MM / STEP_MM)
    return bool(new[0] - old[0] >= _GAIN and new[:last].mean() - old[:last].mean() >= _GAIN / 2)


def _through(scan: Scan, points: Points, hold: Sequence[int], blur_mm: float | None) -> CanalPath:
    """Trace through checked points (N, 3)."""
    box = box_around(scan, points, REACH_MM, work_spacing_mm(scan))
    tube = dark_tubularity(box.filled, box.spacing_mm)
    stops = [box.nearest(p if n in hold else _snapped(box, tube, p)) for n, p in enumerate(points)]
    cost = path_cost(box, tube, float(np.median([tube[s] for s in stops])))
    rough = box.to_lps(cheapest_path(cost, stops))
    for n, stop in enumerate(stops):
        if n in hold:
            rough[int(np.argmin(np.linalg.norm(rough - box.to_lps(stop), axis=1)))] = points[n]
    held = np.array([points[n] for n in hold]).reshape(-1, 3)
    return refine(scan, rough, held, blur_mm)


_SEEN = 0.5
_END_MM = 6.0
"""How much of an end may be blind because its click missed the lumen (our own)."""

_GAIN = 0.2
"""What the confidence at an end must gain for its click to be overruled (simulated canals whose wall has gaps)."""

_BESIDE_MM = 4.0
"""How far beside the lumen a click may lie and still mean it, where the lumen is seen to go on (our own)."""


def _on_the_lumen(path: CanalPath, points: Points, end: int) -> Points | None:
    """Where an end click would lie on the lumen, carried on straight from where it is last seen; None where the end is
    seen, nothing is, or the click lies too far away to mean it."""
    line, seen = path.points_lps_mm, path.confidence >= _SEEN
    if end != 0:
        line, seen = line[::-1], seen[::-1]
    first = int(np.argmax(seen))
    back = first + round(3.0 / STEP_MM)
    if first == 0 or not seen[first : back + 1].all() or back >= len(line) or first * STEP_MM > _END_MM:
        return None
    # The first points that are seen are already bent towards the click: the direction is taken a little behind them.
    start = line[first + round(1.0 / STEP_MM)]
    direction = start - line[back]
    direction = direction / np.linalg.norm(direction)
    ahead = float((points[end] - start) @ direction)
    foot: Points = start + max(ahead, 0.0) * direction
    return foot if np.linalg.norm(points[end] - foot) <= _BESIDE_MM else None


def work_spacing_mm(scan: Scan) -> float:
    """Spacing of the box in which the rough path is sought: fine enough for the lumen, no finer than the scan."""
    return float(np.clip(max(scan.spacing_kji_mm) * 0.75, 0.4, 0.8))


def path_cost(box: Box, tube: NDArray[np.float32], expected: float = 0.0) -> NDArray[np.float32]:
    """Cost of walking through each voxel: low in a dark tube, ten times that where there is none.

    Args:
        expected: tubularity of the canal where it is known; never less than what the best hundredth shows.
    """
    positive = tube[tube > 0]
    usual, strong = np.percentile(positive, [CHANCE_PERCENT, 99]) if positive.size else (0.0, 0.0)
    span = max(expected, float(strong)) - float(usual)
    seen = np.clip((tube - usual) / max(span, 1e-6), 0.0, 1.0)
    cost = (1.0 / (PATH_FLOOR + seen**1.5)).astype(np.float32)
    cost[~np.isfinite(box.values)] = np.inf
    return cost


def refine(scan: Scan, rough: Points, held: Points, blur_mm: float | None = None) -> CanalPath:
    """Move a rough path (N, 3) onto the lumen's centre and measure its radius; `held` (H, 3) points stay."""
    points = smoothed(resampled(rough, STEP_MM), 1.0, STEP_MM)
    source = sampler(scan, points, SECTION_RADIUS_MM + 3.0)
    voxel = float(np.mean(scan.spacing_kji_mm))
    wall = Wall(blur_mm or max(0.3, 0.6 * voxel), WALL_MM)
    for _ in range(3):
        points = resampled(points, STEP_MM)
        fit, belief = _fit(source, points, wall, held)
        curve = framed(points)
        moved = curve.to_lps(fit.shift_mm[:, 0] * belief, fit.shift_mm[:, 1] * belief)
        points = smoothed(moved, 0.8, STEP_MM, belief + 0.05)
        points = _pinned(points, held)
    if blur_mm is None:
        wall = _measured_blur(source, points, wall, voxel)
    points = resampled(points, STEP_MM)
    fit, belief = _fit(source, points, wall, held, careful=True)
    curve = framed(points)
    final = smoothed(curve.to_lps(*(fit.shift_mm * belief[:, None]).T), 0.5, STEP_MM, belief + 0.05)
    final = _pinned(final, held)
    return _path(final, fit, belief, wall)


def sections(source: Sampler, points: Points, average_mm: float = AVERAGE_MM) -> CrossSections:
    """Cross-sections at right angles to the path, neighbours averaged along it."""
    line = np.arange(-SECTION_RADIUS_MM, SECTION_RADIUS_MM + 1e-9, SECTION_PIXEL_MM)
    u, v = (a.ravel() for a in np.meshgrid(line, line))
    keep = np.hypot(u, v) <= SECTION_RADIUS_MM
    u, v = u[keep], v[keep]
    grey = source.at(framed(points).to_lps(u, v)).astype(np.float64)
    good = np.isfinite(grey).astype(np.float64)
    sigma = average_mm / STEP_MM
    top = ndimage.gaussian_filter1d(np.nan_to_num(grey), sigma, axis=0, mode="nearest", truncate=2.5)
    under = ndimage.gaussian_filter1d(good, sigma, axis=0, mode="nearest", truncate=2.5)
    with np.errstate(all="ignore"):
        grey = np.where(under > 0.3, top / under, np.nan)
    return CrossSections(grey, u, v, _cell_mm2(source), SECTION_PIXEL_MM)


def _cell_mm2(source: Sampler) -> float:
    """Area in a cross-section over which noise is one sample: at least a voxel, and the blur around it."""
    voxel = float(np.mean(source.scan.spacing_kji_mm))
    return max(0.5, 2.0 * voxel**2)


def _fit(
    source: Sampler, points: Points, wall: Wall, held: Points, *, careful: bool = False
) -> tuple[LumenFit, Floats]:
    across = sections(source, points)
    fit = fit_lumen_carefully(across, wall) if careful else fit_lumen(across, wall)
    with np.errstate(over="ignore"):
        belief = expit((fit.contrast / fit.contrast_sd - Z_HALF) / Z_SCALE)
    away = np.linalg.norm(fit.shift_mm, axis=1)
    belief = (
        belief * np.clip(2.0 - away / SNAP_MM, 0.0, 1.0) * expit((_closure(across, fit) - CLOSED_HALF) / CLOSED_SCALE)
    )
    smooth = np.minimum(belief, ndimage.gaussian_filter1d(belief, 1.0, mode="nearest"))
    return fit, smooth


def _closure(across: CrossSections, fit: LumenFit) -> Floats:
    """(N,) how much brighter than the lumen the surroundings are on their two weakest eighths, in standard errors.

    A dark corner between marrow and cortex is open to one side and scores near zero.
    """
    u, v = across.u_mm - fit.shift_mm[:, :1], across.v_mm - fit.shift_mm[:, 1:]
    rho, eighth = np.hypot(u, v), np.floor((np.arctan2(v, u) + np.pi) / (np.pi / 4)).astype(int) % 8
    r = fit.radius_mm[:, None]
    inside = mean_where(across.grey, rho < 0.7 * r)
    ring = (rho > r + 0.1) & (rho < r + 1.2)
    means = np.sort(np.stack([mean_where(across.grey, ring & (eighth == n)) for n in range(8)], axis=1), axis=1)
    area = np.pi / 8 * ((fit.radius_mm + 1.2) ** 2 - (fit.radius_mm + 0.1) ** 2)
    error = fit.residual_sd * np.sqrt(across.cell_mm2 / np.maximum(2 * area, across.cell_mm2))
    out: Floats = np.nan_to_num((means[:, :2].mean(axis=1) - inside) / error, nan=-9.0)
    return out


def _measured_blur(source: Sampler, points: Points, wall: Wall, voxel: float) -> Wall:
    thin = sections(source, points).every(max(1, len(points) // 24))
    blurs = np.clip(np.array([0.15, 0.2, 0.27, 0.35, 0.45, 0.58, 0.75, 1.0]), 0.35 * voxel, 1.2)
    return best_blur(thin, np.unique(blurs), wall.wall_mm)


def _path(points: Points, fit: LumenFit, belief: Floats, wall: Wall) -> CanalPath:
    blind = (1 - belief) * (_GUESS_MM + _GUESS_GROWTH * _away_from_seen(belief))
    sd = np.sqrt(_FLOOR_MM**2 + fit.shift_sd_mm**2 + fit.radius_sd_mm**2 + blind**2 + loose_ends_mm(belief) ** 2)
    weight = np.maximum(belief, 1e-3) / np.maximum(fit.radius_sd_mm, 0.02) ** 2
    smooth = ndimage.gaussian_filter1d(fit.radius_mm * weight, 2.0, mode="nearest") / ndimage.gaussian_filter1d(
        weight, 2.0, mode="nearest"
    )
    return CanalPath(points, smooth, belief, sd, fit.contrast, wall.blur_mm)


def loose_ends_mm(belief: Floats) -> Floats:
    """(N,) standard deviation that both ends add where they are not surely seen."""
    step = np.arange(len(belief))
    to_end = np.minimum(step, step[::-1]) * STEP_MM
    out: Floats = _END_GUESS_MM * (1 - belief) * np.exp(-to_end / _END_FADE_MM)
    return out


def _away_from_seen(belief: Floats) -> Floats:
    """(N,) mm along the path to the nearest point where a lumen is more likely seen than not; at most 10 mm."""
    seen = np.flatnonzero(belief >= 0.5)
    if not seen.size:
        return np.full(len(belief), 10.0)
    steps = np.abs(np.arange(len(belief))[:, None] - seen[None, :]).min(axis=1)
    away: Floats = np.minimum(steps * STEP_MM, 10.0)
    return away


def _pinned(points: Points, held: Points) -> Points:
    """The path bent so that it meets every held point, the bend fading within 2 mm."""
    for place in held:
        nearest = int(np.argmin(np.linalg.norm(points - place, axis=1)))
        along = (np.arange(len(points)) - nearest) * STEP_MM
        points = points + np.exp(-0.5 * along**2)[:, None] * (place - points[nearest])
    return points


def _snapped(box: Box, tube: NDArray[np.float32], point: Points) -> Points:
    """The best dark tube near a click, distance counting against it; the click itself where there is none."""
    reach = int(np.ceil(SNAP_MM / box.spacing_mm))
    centre = np.array(box.nearest(point))
    low = np.maximum(centre - reach, 0)
    high = np.minimum(centre + reach + 1, tube.shape)
    part = tube[low[0] : high[0], low[1] : high[1], low[2] : high[2]]
    index = np.moveaxis(np.indices(part.shape), 0, -1) + low
    away = np.linalg.norm(box.to_lps(index) - point, axis=-1)
    score = part * np.exp(-0.5 * (away / (0.6 * SNAP_MM)) ** 2) * (away <= SNAP_MM)
    best = np.unravel_index(int(np.argmax(score)), score.shape)
    if score[best] <= 0:
        return point
    snapped: Points = box.to_lps(index[best])
    return snapped


def checked(scan: Scan, through: Sequence[ArrayLike]) -> Points:
    """The points (N, 3) set by hand.

    Raises:
        GeometryError: fewer than two, one outside the scan, two at one place, or points out of order.
    """
    points = np.array([np.asarray(p, dtype=np.float64) for p in through])
    if points.ndim != 2 or points.shape[-1] != 3 or len(points) < 2 or not np.isfinite(points).all():
        raise GeometryError("canal: two or more points of three finite numbers are needed, in patient millimetres.")
    for number, inside in enumerate(scan.contains(points), start=1):
        if not inside:
            raise GeometryError(f"canal: point {number} lies outside the scan; give patient millimetres inside it.")
    legs = np.diff(points, axis=0)
    length = np.linalg.norm(legs, axis=1)
    if length.min() < STEP_MM:
        n = int(np.argmin(length)) + 1
        raise GeometryError(
            f"canal: points {n} and {n + 1} are closer than {STEP_MM} mm; leave one out or set them further apart."
        )
    for n in range(len(legs) - 1):
        turn = float(legs[n] @ legs[n + 1] / (length[n] * length[n + 1]))
        if turn < _BACK and min(length[n], length[n + 1]) > _LOOP_MM:
            raise GeometryError(
                f"canal: point {n + 3} leads back over the way from point {n + 1} to {n + 2}; give the points in "
                "their order along the canal."
            )
    return points


_BACK, _LOOP_MM = -0.7, 8.0
"""A turn sharper than this cosine between legs longer than this is no loop of a canal but points out of order: an
anterior loop is a few millimetres long (our own)."""


def join_paths(whole: CanalPath, first: int, last: int, piece: CanalPath) -> CanalPath:
    """`whole` with its points `first` to `last` (both included) replaced by `piece`."""

    def joined(old: Floats, new: Floats) -> Floats:
        return np.concatenate([old[:first], new, old[last + 1 :]])

    return CanalPath(
        joined(whole.points_lps_mm, piece.points_lps_mm),
        joined(whole.radius_mm, piece.radius_mm),
        joined(whole.confidence, piece.confidence),
        joined(whole.sd_mm, piece.sd_mm),
        joined(whole.contrast, piece.contrast),
        piece.blur_mm,
    )
