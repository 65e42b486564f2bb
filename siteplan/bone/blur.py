"""The scan's own blur from edges between air and soft tissue near the site: sharp, of one kind, and never thin.

A straight edge under blur is a cumulative bell curve; its SD along the edge's normal n is
tau^2 = along^2 (1 - n_k^2) + across^2 n_k^2 with n_k the share of the normal across slices. Edges of the bone itself
estimate the same again inside the joint fit (compare Pakdel 2014, Med Phys 41:011906, who estimate the blur from
bone edges alone).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter
from scipy.special import ndtr

from siteplan.bone.levels import GreyLevels, symmetric_stride
from siteplan.frame import SiteFrame
from siteplan.scan.volume import Scan

Array = NDArray[np.float64]

_REACH_MM = 26.0
"""Half edge of the box around the site in which edges are looked for: gum and skin, not the far side of the head."""
_SMOOTH_MM = 0.35
"""SD of the smoothing in which edges are looked for, about the blur of a sharp scan."""
_SLAB = 16
"""Layers that are smoothed at once."""
_HALF_PROFILE_MM = 1.5
_STEP_MM = 0.1
_PLATEAU_MM = 1.1
"""Beyond this distance from an edge both sides must be even."""
_PLATEAU_SHARE = 0.12
"""... within this share of the step from air to soft tissue."""
_MOST_PROFILES = 900
_LEAST_PROFILES = 40
_SYSTEMATIC = 0.02
"""Relative SD of a blur found here: skin and bone lie at different places of the field (our own estimate)."""
_UNALIKE = 0.2
"""Relative SD between the blur along and across slices where only one can be seen (our own estimate)."""
_SHARED_NOISE = 4.0
"""Neighbouring edge profiles share their noise: this many count as one."""
_UNKNOWN = 0.4
"""Relative SD where no such edge is found, about one voxel's size of blur being typical (our own estimate)."""


@dataclass(frozen=True, slots=True)
class Blur:
    """SD of the blur along and across slices in mm, and the SD of their logarithms; `edges` used, 0 = a guess."""

    along: float
    across: float
    along_log_sd: float
    across_log_sd: float
    edges: int

    @property
    def prior(self) -> tuple[float, float, float, float]:
        """As the joint fit takes it."""
        return self.along, self.across, self.along_log_sd, self.across_log_sd


def air_edge_blur(scan: Scan, frame: SiteFrame, levels: GreyLevels) -> Blur:
    """Blur near a site; a guess of one voxel with a wide interval where there is no usable edge."""
    k, j, i = scan.spacing_kji_mm
    guess = Blur((j + i) / 2 * 0.85, k * 0.85, _UNKNOWN, _UNKNOWN, 0)
    if levels.air is None:
        return guess
    box = _box(scan, frame)
    if box is None:
        return guess
    profiles, normals = _profiles(scan.values(box), np.array(scan.spacing_kji_mm), levels)
    if len(profiles) < _LEAST_PROFILES:
        return guess
    tau, good = _fit_edges(profiles)
    if good.sum() < _LEAST_PROFILES:
        return guess
    return _split(tau[good], normals[good, 0] ** 2, guess)


def _box(scan: Scan, frame: SiteFrame) -> tuple[slice, slice, slice] | None:
    centre = scan.lps_to_index(frame.origin_lps_mm)
    reach = _REACH_MM / np.array(scan.spacing_kji_mm)
    low = np.clip(np.floor(centre - reach).astype(int), 0, np.array(scan.shape))
    high = np.clip(np.ceil(centre + reach).astype(int) + 1, 0, np.array(scan.shape))
    if (high - low < 12).any():
        return None
    a, b, c = (slice(int(x), int(y)) for x, y in zip(low, high, strict=True))
    return a, b, c


def _profiles(grey: NDArray[np.float32], spacing: Array, levels: GreyLevels) -> tuple[Array, Array]:
    """(E, T) profiles from air into soft tissue across even edges, and (E, 3) their normals k, j, i. Uses up `grey`."""
    assert levels.air is not None
    share = grey  # in place: of a large scan this box alone takes a third of the memory that the scan takes
    share -= np.float32(levels.air)
    share /= np.float32(levels.step)
    edge = round(max(2 * _HALF_PROFILE_MM / spacing.min(), 3))
    where, slope = _halfway(share, _SMOOTH_MM / spacing, edge)
    if len(where) < _LEAST_PROFILES:
        return np.empty((0, 0)), np.empty((0, 3))
    keep = _thinned(where, share.shape)
    where, gradient = where[keep].astype(np.int64), slope[keep].astype(np.float64) / 2 / spacing
    steep = np.linalg.norm(gradient, axis=1)
    keep = steep > 0.25 / _HALF_PROFILE_MM
    where, normal = where[keep], gradient[keep] / steep[keep, None]
    offsets = np.arange(-_HALF_PROFILE_MM, _HALF_PROFILE_MM + 1e-9, _STEP_MM)
    points = where[:, None, :] + offsets[:, None] * (normal / spacing)[:, None, :]
    # Plateaus are judged on a cheap linear sample; only what passes is worth the spline.
    rough = map_coordinates(share, np.moveaxis(points, -1, 0), order=1, mode="nearest")
    even = (np.abs(rough[:, offsets < -_PLATEAU_MM].mean(axis=1)) < _PLATEAU_SHARE) & (
        np.abs(rough[:, offsets > _PLATEAU_MM].mean(axis=1) - 1) < _PLATEAU_SHARE
    )
    points, normal = points[even], normal[even]
    fine = spline_filter(share, order=3, output=share)  # in place too
    values = map_coordinates(fine, np.moveaxis(points, -1, 0), order=3, prefilter=False, mode="nearest")
    return values.astype(np.float64), normal


def _halfway(share: NDArray[np.float32], sigma: Array, edge: int) -> tuple[NDArray[np.int16], NDArray[np.float32]]:
    """(N, 3) positions halfway between air and soft tissue in the smoothed box, at least `edge` voxels inside it, and
    (N, 3) by how much its value behind a position is more than before it, along each axis.

    A slab at a time, so that no second box is needed; each slab brings all that its own layers rest on.
    """
    halo = int(4 * sigma[0] + 0.5) + 1  # as far as `gaussian_filter` reaches, and one layer for the slope
    where, slope = [np.empty((0, 3), dtype=np.int16)], [np.empty((0, 3), dtype=np.float32)]
    last = len(share) - edge
    for start in range(edge, last, _SLAB):
        first = max(start - halo, 0)
        smooth = gaussian_filter(share[first : min(start + _SLAB, last) + halo], sigma)
        inner = smooth[start - first : min(start + _SLAB, last) - first, edge:-edge, edge:-edge]
        found = np.argwhere(np.abs(inner - 0.5) < 0.12) + np.array([start - first, edge, edge])
        where.append((found + np.array([first, 0, 0])).astype(np.int16))
        slope.append(np.stack([_slope(smooth, found, axis) for axis in range(3)], axis=1))
    return np.concatenate(where), np.concatenate(slope)


def _thinned(where: NDArray[np.int16], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which positions to keep, about `_MOST_PROFILES`: the same ones when the axes are counted from their other ends.

    Kept are positions that lie on a coarse grid in at least two of the three axes: lines that cross a surface
    whichever way it faces.
    """
    stride = 1
    while 3 * len(where) / stride**2 > 3 * _MOST_PROFILES:
        stride += 2
    hits = np.zeros(len(where), dtype=np.int64)
    for axis, count in enumerate(shape):
        on_grid = np.zeros(count, dtype=np.int64)
        on_grid[symmetric_stride(count, stride)] = 1
        hits += on_grid[where[:, axis]]
    few: NDArray[np.bool_] = hits >= 2
    return few


def _slope(volume: NDArray[np.float32], where: NDArray[np.int64], axis: int) -> NDArray[np.float32]:
    step = np.zeros(3, dtype=np.int64)
    step[axis] = 1
    up, down = where + step, where - step
    result: NDArray[np.float32] = volume[tuple(up.T)] - volume[tuple(down.T)]
    return result


def _fit_edges(profiles: Array) -> tuple[Array, NDArray[np.bool_]]:
    """SD of each edge by Gauss-Newton on all profiles at once: levels, place and SD of each are free."""
    x = np.arange(profiles.shape[1]) * _STEP_MM - _HALF_PROFILE_MM
    n = len(profiles)
    p = np.tile([0.0, 1.0, 0.0, 0.3], (n, 1))
    for _ in range(12):
        u = (x - p[:, 2:3]) / p[:, 3:4]
        cdf, pdf = ndtr(u), np.exp(-0.5 * np.clip(u, -6, 6) ** 2) / np.sqrt(2 * np.pi)
        rise = (p[:, 1] - p[:, 0])[:, None]
        jacobian = np.stack([1 - cdf, cdf, -rise * pdf / p[:, 3:4], -rise * pdf * u / p[:, 3:4]], axis=2)
        residual = profiles - (p[:, :1] + rise * cdf)
        h = np.einsum("ntp,ntq->npq", jacobian, jacobian) + 1e-6 * np.eye(4)
        g = np.einsum("ntp,nt->np", jacobian, residual)
        move = np.linalg.solve(h, g[:, :, None])[:, :, 0]
        p += np.clip(move, -0.15, 0.15)
        p[:, 3] = np.clip(p[:, 3], 0.05, 1.2)
    rest = np.sqrt((residual**2).mean(axis=1))
    good = (rest < 3 * np.median(rest)) & (np.abs(p[:, 2]) < 0.8) & (p[:, 3] > 0.06) & (p[:, 3] < 1.0)
    good &= np.abs(p[:, 1] - p[:, 0] - 1) < 2 * _PLATEAU_SHARE
    return p[:, 3], good


def _split(tau: Array, share_across: Array, guess: Blur) -> Blur:
    """Regress tau^2 on the share of the normal across slices, robustly.

    Where all edges face one way the other blur is taken to be alike, within `_UNALIKE`.
    """
    keep = np.ones(len(tau), dtype=bool)
    design = np.stack([1 - share_across, share_across], axis=1)
    middle = float(np.median(tau)) ** 2
    variances, covariance = np.array([middle] * 2), np.eye(2)
    spread = 1.4826 * float(np.median(np.abs(tau**2 - middle))) + 1e-9
    alike = np.array([[1.0, -1.0], [-1.0, 1.0]]) / (2 * _UNALIKE * middle) ** 2
    for _ in range(4):
        a = design[keep]
        h = a.T @ a / (_SHARED_NOISE * spread**2) + alike
        covariance = np.linalg.inv(h).astype(np.float64)
        variances = covariance @ (a.T @ tau[keep] ** 2 / (_SHARED_NOISE * spread**2))
        rest = tau**2 - design @ variances
        spread = 1.4826 * float(np.median(np.abs(rest[keep]))) + 1e-9
        keep = np.abs(rest) < 2.5 * spread
    if (variances <= 0.03**2).any():
        return guess
    along, across = np.sqrt(variances)
    log_sd = np.sqrt(np.diag(covariance)) / (2 * variances)
    return Blur(
        float(along),
        float(across),
        float(np.hypot(log_sd[0], _SYSTEMATIC)),
        float(np.hypot(log_sd[1], _SYSTEMATIC)),
        int(keep.sum()),
    )
