"""Mean grey values in regions around the axis, and the profile along it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplan.bone.block import SiteBlock
from siteplan.flags import Flag
from siteplan.measures import Measure

CYLINDER_RADIUS_MM = 1.75
CYLINDER_DEPTH_MM = 10.0
"""The standard region: radius of a common fixture, from bone entry to 10 mm below."""
_NORMAL_95 = 1.959964
_CORRELATION_MM3 = 0.5
"""Volume over which neighbouring voxels share their noise; filtered back-projection and trabeculae spread it
over several voxels (our own estimate from simulated volumes)."""
_DRIFT_SHARE = 0.02
"""SD of what scatter and hardening leave over, as a share of the distance from soft tissue to the mean
(our own estimate from simulated volumes)."""
_DRIFT_FLOOR_SHARE = 0.012
"""The same for values near soft tissue, as a share of the distance from air to soft tissue; `drift` may know more."""
_LEAST_SAMPLES = 50
_MOST_MISSING = 0.02
"""Share of a region that may lie outside the scan before the mean is flagged."""


@dataclass(frozen=True, slots=True)
class GreyContext:
    """What the interval of a mean needs to know about the scan: soft tissue level and the step from air to it."""

    soft: float
    step: float


def around_axis(block: SiteBlock, radius_mm: float, depth_mm: float) -> SiteBlock:
    """The part of a block that a cylinder from depth 0 to `depth_mm` touches, as a block of its own."""
    h = block.spacing_mm
    rows = np.flatnonzero((block.depth_mm > -h) & (block.depth_mm < depth_mm + h))
    across, along = (np.flatnonzero(np.abs(x) < radius_mm + h) for x in (block.buccal_mm, block.distal_mm))
    if not (len(rows) and len(across) and len(along)):
        return block
    d, b, m = (slice(int(x[0]), int(x[-1]) + 1) for x in (rows, across, along))
    return replace(
        block,
        values=block.values[d, b, m],
        depth_mm=block.depth_mm[d],
        buccal_mm=block.buccal_mm[b],
        distal_mm=block.distal_mm[m],
    )


def region_weights(block: SiteBlock, z_mm: ArrayLike, r_mm: ArrayLike, *, shell_mm: float = 0.0) -> NDArray[np.float32]:
    """(D, B, M) share of each block voxel inside a solid of revolution around the axis, or in a shell around it.

    Args:
        z_mm, r_mm: outline in the block's depth coordinates, z not decreasing.
        shell_mm: 0 for the solid; else the layer from the outline to `shell_mm` outside it, sideways.
    """
    z, r = np.asarray(z_mm, dtype=np.float64), np.asarray(r_mm, dtype=np.float64)
    h = block.spacing_mm
    low, high = float(z[0]), float(z[-1])
    share = np.clip((np.minimum(block.depth_mm + h / 2, high) - np.maximum(block.depth_mm - h / 2, low)) / h, 0, 1)
    radius = np.interp(block.depth_mm, z, r)
    distance = np.hypot(block.buccal_mm[:, None], block.distal_mm)
    outer = np.clip((radius[:, None, None] + shell_mm - distance) / h + 0.5, 0, 1)
    if shell_mm > 0:
        outer = outer - np.clip((radius[:, None, None] - distance) / h + 0.5, 0, 1)
    weights: NDArray[np.float32] = (outer * share[:, None, None]).astype(np.float32)
    return weights


def weighted_mean(
    block: SiteBlock,
    weights: NDArray[np.float32],
    context: GreyContext | None,
    *,
    shift: float = 0.0,
    method: str,
    flags: tuple[Flag, ...] = (),
    why_missing: Flag = Flag.EDGE_OF_VOLUME,
) -> Measure:
    """Mean grey value with SD, count and interval; `shift` is added to the mean (lost to blur at the edges)."""
    touched = weights > 1e-6
    values, w = block.values[touched].astype(np.float64), weights[touched].astype(np.float64)
    known = np.isfinite(values)
    if not known.any() or w[known].sum() <= 0:
        return Measure.absent("grey", why_missing, method=method)
    missing = 1 - w[known].sum() / w.sum()
    values, w = values[known], w[known]
    mean = float(np.average(values, weights=w))
    sd = float(np.sqrt(np.average((values - mean) ** 2, weights=w)))
    samples = int((w >= 0.5).sum())
    found = list(flags)
    if missing > (_MOST_MISSING if why_missing is Flag.EDGE_OF_VOLUME else 0):
        found.append(why_missing)
    if samples < _LEAST_SAMPLES:
        found.append(Flag.FEW_SAMPLES)
    mean += shift
    reach = _NORMAL_95 * _mean_sd(block, mean, sd, float(w.sum()), context, shift, missing)
    return Measure(mean, "grey", mean - reach, mean + reach, method, tuple(found), sd=sd, samples=samples)


def _mean_sd(
    block: SiteBlock, mean: float, sd: float, count: float, context: GreyContext | None, shift: float, missing: float
) -> float:
    """SD of a mean: noise with its correlation, scale drift, half of the blur correction, and what is missing."""
    independent = max(count * block.spacing_mm**3 / _CORRELATION_MM3, 1.0)
    noise = sd / np.sqrt(independent)
    drift = 0.0
    if context is not None:
        drift = np.hypot(_DRIFT_SHARE * abs(mean - context.soft), site_drift_sd(context))
    return float(np.sqrt((0.35 * noise) ** 2 + drift**2 + (0.5 * shift) ** 2 + (missing * sd) ** 2))


def site_drift_sd(context: GreyContext) -> float:
    """SD of the scale's drift at a site where nothing is known of it, grey."""
    return _DRIFT_FLOOR_SHARE * context.step


def profile(block: SiteBlock, radius_mm: float = 0.75) -> NDArray[np.float64]:
    """(D,) grey value along the axis, averaged over a disc of `radius_mm`; NaN where the scan ends."""
    disc = np.hypot(block.buccal_mm[:, None], block.distal_mm) <= radius_mm + 1e-9
    line: NDArray[np.float64] = block.values[:, disc].mean(axis=1).astype(np.float64)
    return line
