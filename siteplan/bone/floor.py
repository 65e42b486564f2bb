"""What the axis meets below the crest: the floor of a cavity or the far plate.

It is a layer between cancellous bone above and air or soft tissue below. It is found on the smoothed
profile along the axis and then fitted with the shell model (`shell_model`), turned around: "outside" is what lies
below. The lower surface is a paraboloid over a small disc around the axis, so that tilt and roundness of a
sinus floor do not pull its place. Canals are found here too and fitted in `canal`.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from siteplan.bone.block import SiteBlock
from siteplan.bone.grey import profile
from siteplan.bone.least_squares import levenberg
from siteplan.bone.levels import GreyLevels
from siteplan.bone.section import Section
from siteplan.bone.shell_model import ShellState, shell

Array = NDArray[np.float64]

_SMOOTH_MM = 0.35
_PROFILE_RADIUS_MM = 0.75
_DISC_MM = 1.3
"""Radius of the disc of rays that are fitted together."""
_ABOVE_MM, _BELOW_MM = 1.9, 1.1
_CANAL_LENGTH_MM = (1.0, 5.0)
"""A dark run on the axis of this length with bone behind it is a canal (diameters 2 to 4 mm, from memory)."""
_LEAST_BONE_HU = 120.0
"""Cancellous bone must stand out from soft tissue by this much before a dark run in it can be called a canal."""
_AIR_SHARE = 0.35
"""Air is darker than soft tissue by at least this share of the step between the two, after blur."""
_PARAMETERS = 11
EDGE_SYSTEMATIC_MM = 0.012
EDGE_SYSTEMATIC_BLUR_SHARE = 0.08
"""SD of what the model leaves out: a constant and a share of the blur SD (our own estimate, from simulated volumes)."""


class Below(StrEnum):
    """What lies below a layer."""

    CANAL = "canal"
    CAVITY = "cavity"
    OUTSIDE = "outside"


@dataclass(frozen=True, slots=True)
class Layer:
    """A fitted layer on the axis.

    Attributes:
        near_mm, far_mm: depths where it begins and ends. near_sd_mm, far_sd_mm, thickness_sd_mm: their SD.
        log_t_sd: SD of log thickness. below: what follows.
    """

    below: Below
    near_mm: float
    far_mm: float
    near_sd_mm: float
    far_sd_mm: float
    thickness_sd_mm: float
    log_t_sd: float


@dataclass(frozen=True, slots=True)
class LayerStart:
    """Where a layer was seen on the profile: depth of its lower surface, and the grey levels around it."""

    below: Below
    at_mm: float
    bone: float
    beyond: float
    thickness_mm: float = 0.7


def find_layers(block: SiteBlock, section: Section, levels: GreyLevels, crest_end_mm: float) -> list[LayerStart]:
    """Layers on the axis from the crest downwards: canals until the first cavity or end of the bone, and that."""
    line = profile(block, _PROFILE_RADIUS_MM)
    known = np.isfinite(line)
    smooth = gaussian_filter1d(np.where(known, line, levels.soft), _SMOOTH_MM / block.spacing_mm)
    z = block.depth_mm
    axis = int(np.argmin(np.abs(block.buccal_mm)))
    start = int(np.searchsorted(z, crest_end_mm + 0.6))
    if start >= len(z) - 8:
        return []
    air = smooth < levels.soft - _AIR_SHARE * levels.step
    outside = ~section.bone[:, axis] | air
    ends = np.flatnonzero(outside[start:])
    stop = start + int(ends[0]) if len(ends) else len(z)
    near = smooth[
        start : min(start + round(6.0 / block.spacing_mm), max(stop - round(0.8 / block.spacing_mm), start + 4))
    ]
    bone = float(np.median(near))
    found = _canals(z, smooth, start, stop, bone, levels)
    if stop < len(z) - 2 and known[: stop + 2].all():
        at = z[stop]
        thick = _rough_thickness(smooth, stop, bone, block.spacing_mm)
        if air[stop]:
            level = levels.soft - 0.5 * levels.step
            step = smooth[stop] - smooth[stop - 1]
            at = z[stop - 1] + (level - smooth[stop - 1]) / step * block.spacing_mm if abs(step) > 1e-6 else at
            at = float(np.clip(at, z[stop] - 0.5, z[stop] + 0.5))
            found.append(LayerStart(Below.CAVITY, at, bone, levels.soft - levels.step, thick))
        else:
            found.append(LayerStart(Below.OUTSIDE, float(at) - 0.2, bone, levels.soft, thick))
    return found


def _rough_thickness(smooth: Array, stop: int, bone: float, spacing_mm: float) -> float:
    """Thickness of the layer that ends at index `stop`, by the half-maximum rule on the smoothed profile."""
    top = max(stop - round(1.0 / spacing_mm), 1) + int(
        np.argmax(smooth[max(stop - round(1.0 / spacing_mm), 1) : stop + 1])
    )
    i = top
    while i > 1 and smooth[i] > (smooth[top] + bone) / 2:
        i -= 1
    return float(np.clip((stop - i) * spacing_mm, 0.5, 4.0))


def _canals(z: Array, smooth: Array, start: int, stop: int, bone: float, levels: GreyLevels) -> list[LayerStart]:
    per_hu = levels.step / 1050.0
    if bone - levels.soft < _LEAST_BONE_HU * per_hu:
        return []
    dark = smooth[start:stop] < levels.soft + 0.4 * (bone - levels.soft)
    edges = np.diff(np.concatenate([[False], dark, [False]]).astype(np.int8))
    out = []
    for a, b in zip(np.flatnonzero(edges == 1) + start, np.flatnonzero(edges == -1) + start, strict=True):
        length = float(z[b - 1] - z[a])
        if _CANAL_LENGTH_MM[0] <= length <= _CANAL_LENGTH_MM[1] and b < stop - 2:
            inside = float(smooth[a:b].min())
            if inside > levels.soft - _AIR_SHARE * levels.step:
                out.append(LayerStart(Below.CANAL, float(z[a]), bone, levels.soft))
    return out


def fit_layer(
    block: SiteBlock,
    start: LayerStart,
    levels: GreyLevels,
    cortex: tuple[float, float],
    blur: tuple[float, float],
    slice_dir: Array,
    noise: float,
    shared: float,
) -> Layer | None:
    """Fit one layer; None when its surroundings are not in the scan or the fit does not settle near the start.

    Args:
        cortex: grey level of dense cortex and its SD. blur: SD along and across slices. slice_dir: (3,) slice
        normal in block directions. noise: SD of a voxel; shared: voxels that share one piece of noise.
    """
    per_hu = levels.step / 1050.0
    data = _data(block, start, _DISC_MM)
    if data is None:
        return None
    depth, b, m, grey = data
    design = np.stack([np.ones_like(b), b, m, b**2, m**2, b * m], axis=1)
    # depth, slopes b and m, half curvatures bb, mm, bm, log t, layer grey, bone grey, grey beyond, log blur
    centre = np.array(
        [start.at_mm, 0, 0, 0, 0, 0, np.log(start.thickness_mm), cortex[0], start.bone, start.beyond, 0.0]
    )
    prior_sd = np.array([1.0, 0.4, 0.4, 0.1, 0.06, 0.06, 0.7, cortex[1], 150 * per_hu, 0.4 * levels.step, 0.02])
    limit = np.array([0.3, 0.2, 0.2, 0.2, 0.1, 0.1, 0.4, *[400 * per_hu] * 3, 0.02])

    def model(p: Array) -> tuple[Array, Array]:
        return _evaluate(p, design, depth, b, m, blur, slice_dir)

    p, covariance = levenberg(model, grey, centre, prior_sd, limit, noise**2 * shared)
    if not np.isfinite(p).all() or abs(p[0] - start.at_mm) > 1.2:
        return None
    t = float(np.exp(p[6]))
    slope = float(np.hypot(p[1], p[2]))
    systematic = (EDGE_SYSTEMATIC_MM + EDGE_SYSTEMATIC_BLUR_SHARE * blur[0]) * float(np.sqrt(1 + slope**2))
    g_near = np.zeros(_PARAMETERS)
    g_near[0], g_near[6] = 1, -t
    near_sd = float(np.sqrt(max(float(g_near @ covariance @ g_near), 0.0)))
    t_sd = t * float(np.sqrt(covariance[6, 6]))
    return Layer(
        start.below,
        float(p[0]) - t,
        float(p[0]),
        float(np.hypot(near_sd, systematic)),
        float(np.hypot(np.sqrt(covariance[0, 0]), systematic)),
        float(np.hypot(t_sd, systematic)),
        float(np.sqrt(covariance[6, 6])),
    )


def _data(block: SiteBlock, start: LayerStart, across_mm: float) -> tuple[Array, Array, Array, Array] | None:
    """Depth, buccal, distal and grey of the voxels in the fitted cylinder."""
    rows = np.flatnonzero(
        (block.depth_mm > start.at_mm - start.thickness_mm - _ABOVE_MM) & (block.depth_mm < start.at_mm + _BELOW_MM)
    )
    bb, mm = np.meshgrid(block.buccal_mm, block.distal_mm, indexing="ij")
    disc = (bb / across_mm) ** 2 + (mm / _DISC_MM) ** 2 <= 1
    if len(rows) < 6:
        return None
    grey = block.values[rows][:, disc].astype(np.float64)
    if not np.isfinite(grey).all():
        return None
    depth = np.broadcast_to(block.depth_mm[rows][:, None], grey.shape)
    return depth.ravel(), np.tile(bb[disc], len(rows)), np.tile(mm[disc], len(rows)), grey.ravel()


def _evaluate(
    p: Array, design: Array, depth: Array, b: Array, m: Array, blur: tuple[float, float], slice_dir: Array
) -> tuple[Array, Array]:
    """Model values and Jacobian."""
    slope_b = p[1] + 2 * p[3] * b + p[5] * m
    slope_m = p[2] + 2 * p[4] * m + p[5] * b
    length2 = 1 + slope_b**2 + slope_m**2
    across = slice_dir[0] - slope_b * slice_dir[1] - slope_m * slice_dir[2]
    tau = np.sqrt(blur[0] ** 2 * (length2 - across**2) + blur[1] ** 2 * across**2) * np.exp(p[10])
    t = float(np.exp(p[6]))
    n = len(depth)
    state = ShellState(
        x=design @ p[:6] - depth,
        t=np.full(n, t),
        outside=np.full(n, p[9]),
        inside=np.full(n, p[8]),
        cortex=float(p[7]),
        tau=tau,
        bend=np.full(n, float(np.clip(-2 * (p[3] + p[4]), -0.8, 0.8))),
    )
    v = shell(state)
    jacobian = np.empty((n, _PARAMETERS))
    jacobian[:, :6] = -v.by_edge[:, None] * design
    jacobian[:, 6] = v.by_t * t
    jacobian[:, 7], jacobian[:, 8], jacobian[:, 9] = v.by_cortex, v.by_inside, v.by_outside
    jacobian[:, 10] = v.by_tau * tau
    return v.value, jacobian
