"""The fit of a layer that `floor` found: the floor of a cavity or the far plate.

The shell model (`shell_model`) is turned around: "outside" is what lies below. The lower surface is a paraboloid over
a small disc around the axis, so that tilt and roundness of a sinus floor do not pull its place. Where air is near, the
layer is fitted with and without soft `lining` between the two, and each reading counts by its probability.
"""

from dataclasses import dataclass, replace

import numpy as np

from siteplan.bone.block import SiteBlock
from siteplan.bone.floor import SEEN_MM, Array, Layer, LayerStart, edge_systematic_mm
from siteplan.bone.least_squares import levenberg
from siteplan.bone.levels import GreyLevels
from siteplan.bone.lining import SEEN_SD, TRIED_MM, LiningPrior, air_step, lining_prior, log_evidence
from siteplan.bone.shell_model import ShellState, shell

Data = tuple[Array, Array, Array, Array]
"""Depth, buccal, distal and grey of voxels, each (N,)."""

_DISC_MM = 1.3
"""Radius of the disc of rays that are fitted together."""
_ABOVE_MM, _BELOW_MM = 1.9, 1.1
"""Data taken above the layer and below its end."""
_REACH_MM = 1.2
"""Data taken above the bare fit's when a lining is tried, because the bone then ends that much before the air."""
_ALONE_MM = 2.5
"""Under a lining thicker than this the air is out of reach of the data (our own)."""
_BARE = 0.8
"""Probability of a bare floor before the data (our own): where they do not say, a lining only adds to the doubt."""
_PARAMETERS = 11


@dataclass(frozen=True, eq=False)
class _Site:
    """What all fits of one layer share; variance: of a voxel, times the voxels that share one piece of noise."""

    block: SiteBlock
    levels: GreyLevels
    cortex: tuple[float, float]
    blur: tuple[float, float]
    slice_dir: Array
    variance: float


@dataclass(frozen=True, slots=True)
class _Fit:
    layer: Layer
    log_evidence: float


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
    site = _Site(block, levels, cortex, blur, slice_dir, noise**2 * shared)
    top = start.at_mm - start.thickness_mm - _ABOVE_MM
    data = _data(block, top, start.at_mm + _BELOW_MM)
    bare = None if data is None else _fit(site, start, data)
    air = start.air_mm
    if air is None or levels.air is None or start.lining_mm > _ALONE_MM:
        return None if bare is None else bare.layer
    wide = _data(block, min(top, top + air - _REACH_MM - start.at_mm), air + _BELOW_MM)
    if wide is None:
        return None if bare is None else bare.layer
    return _lined_or_bare(site, start, air, wide, bare)


def _lined_or_bare(site: _Site, start: LayerStart, air_mm: float, data: Data, own: _Fit | None) -> Layer | None:
    """The likelier of the readings with and without lining; the bare one keeps its `own` narrower surroundings."""
    air, soft = site.levels.soft - site.levels.step, site.levels.soft
    tried = ((start.lining_mm, SEEN_SD),) if start.lining_mm >= SEEN_MM else TRIED_MM
    lined = []
    for thick, log_sd in tried:
        prior = lining_prior(thick, log_sd, air, site.levels.step)
        lined.append(_fit(site, replace(start, at_mm=air_mm - thick, beyond=soft), data, prior))
    bare = _fit(site, replace(start, at_mm=air_mm, beyond=air), data)
    if bare is not None and own is not None and start.lining_mm < SEEN_MM:
        bare = replace(bare, layer=own.layer)
    return _likelier(bare, [fit for fit in lined if fit is not None], len(tried))


def _likelier(bare: _Fit | None, lined: list[_Fit], tried: int) -> Layer | None:
    """The reading without lining, or the mean of those with one, whichever is likelier; the SD hold what all say."""
    fits = [*([] if bare is None else [bare]), *lined]
    if not fits:
        return None
    prior = np.full(len(fits), (1 - _BARE) / tried)
    is_bare = np.array([fit is bare for fit in fits])
    prior[is_bare] = _BARE
    log_p = np.log(prior) + [fit.log_evidence for fit in fits]
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()
    told = np.where(is_bare == (weight[is_bare].sum() > 0.5), weight, 0.0)
    told /= told.sum()
    layers = [fit.layer for fit in fits]

    def both(values: list[float], sds: list[float]) -> tuple[float, float]:
        mean = float(told @ values)
        return mean, float(np.sqrt(weight @ (np.array(sds) ** 2 + (np.array(values) - mean) ** 2)))

    near, near_sd = both([x.near_mm for x in layers], [x.near_sd_mm for x in layers])
    far, far_sd = both([x.far_mm for x in layers], [x.far_sd_mm for x in layers])
    _, thick_sd = both([x.far_mm - x.near_mm for x in layers], [x.thickness_sd_mm for x in layers])
    log_t_sd = float(told @ [x.log_t_sd for x in layers])
    return Layer(layers[0].below, near, far, near_sd, far_sd, thick_sd, log_t_sd)


def _fit(site: _Site, start: LayerStart, data: Data, lining: LiningPrior | None = None) -> _Fit | None:
    """One fit, with a lining when a prior of one is given; None when it does not settle near the start."""
    per_hu = site.levels.step / 1050.0
    depth, b, m, grey = data
    design = np.stack([np.ones_like(b), b, m, b**2, m**2, b * m], axis=1)
    # depth, slopes b and m, half curvatures bb, mm, bm, log t, layer grey, bone grey, grey beyond, log blur
    centre = np.array(
        [start.at_mm, 0, 0, 0, 0, 0, np.log(start.thickness_mm), site.cortex[0], start.bone, start.beyond, 0.0]
    )
    prior_sd = np.array(
        [1.0, 0.4, 0.4, 0.1, 0.06, 0.06, 0.7, site.cortex[1], 150 * per_hu, 0.4 * site.levels.step, 0.02]
    )
    limit = np.array([0.3, 0.2, 0.2, 0.2, 0.1, 0.1, 0.4, *[400 * per_hu] * 3, 0.02])
    if lining is not None:
        prior_sd[9] = lining.soft_sd
        centre = np.concatenate([centre, lining.centre])
        prior_sd = np.concatenate([prior_sd, lining.prior_sd])
        limit = np.concatenate([limit, lining.limit])

    def model(p: Array) -> tuple[Array, Array]:
        return _evaluate(p, design, depth, site.blur, site.slice_dir)

    p, covariance = levenberg(model, grey, centre, prior_sd, limit, site.variance)
    if not np.isfinite(p).all() or abs(p[0] - start.at_mm) > 1.2:
        return None
    t = float(np.exp(p[6]))
    slope = float(np.hypot(p[1], p[2]))
    systematic = edge_systematic_mm(site.blur[0]) * float(np.sqrt(1 + slope**2))
    g_near = np.zeros(len(p))
    g_near[0], g_near[6] = 1, -t
    near_sd = float(np.sqrt(max(float(g_near @ covariance @ g_near), 0.0)))
    t_sd = t * float(np.sqrt(covariance[6, 6]))
    layer = Layer(
        start.below,
        float(p[0]) - t,
        float(p[0]),
        float(np.hypot(near_sd, systematic)),
        float(np.hypot(np.sqrt(covariance[0, 0]), systematic)),
        float(np.hypot(t_sd, systematic)),
        float(np.sqrt(covariance[6, 6])),
    )
    evidence = log_evidence(grey - model(p)[0], (p - centre) / prior_sd, covariance, prior_sd, site.variance)
    return _Fit(layer, evidence)


def _data(block: SiteBlock, top_mm: float, bottom_mm: float) -> Data | None:
    """Depth, buccal, distal and grey of the voxels in the fitted cylinder; None where the scan does not hold it."""
    rows = np.flatnonzero((block.depth_mm > top_mm) & (block.depth_mm < bottom_mm))
    bb, mm = np.meshgrid(block.buccal_mm, block.distal_mm, indexing="ij")
    disc = bb**2 + mm**2 <= _DISC_MM**2
    if len(rows) < 6:
        return None
    grey = block.values[rows][:, disc].astype(np.float64)
    if not np.isfinite(grey).all():
        return None
    depth = np.broadcast_to(block.depth_mm[rows][:, None], grey.shape)
    return depth.ravel(), np.tile(bb[disc], len(rows)), np.tile(mm[disc], len(rows)), grey.ravel()


def _slant(surface: Array, design: Array, blur: tuple[float, float], slice_dir: Array) -> tuple[Array, Array]:
    """At a paraboloid (1, b, m, bb, mm, bm): blur SD along the axis, and how much longer than on the axis itself a way
    through a layer of even thickness is; each (N,)."""
    b, m = design[:, 1], design[:, 2]
    slope_b = surface[1] + 2 * surface[3] * b + surface[5] * m
    slope_m = surface[2] + 2 * surface[4] * m + surface[5] * b
    length2 = 1 + slope_b**2 + slope_m**2
    across = slice_dir[0] - slope_b * slice_dir[1] - slope_m * slice_dir[2]
    tau = np.sqrt(blur[0] ** 2 * (length2 - across**2) + blur[1] ** 2 * across**2)
    return tau, np.sqrt(length2 / (1 + surface[1] ** 2 + surface[2] ** 2))


def _evaluate(
    p: Array, design: Array, depth: Array, blur: tuple[float, float], slice_dir: Array
) -> tuple[Array, Array]:
    """Model values and Jacobian."""
    tau, longer = _slant(p[:6], design, blur, slice_dir)
    tau = tau * np.exp(p[10])
    t = float(np.exp(p[6])) * longer
    n = len(depth)
    state = ShellState(
        x=design @ p[:6] - depth,
        t=t,
        outside=np.full(n, p[9]),
        inside=np.full(n, p[8]),
        cortex=float(p[7]),
        tau=tau,
        bend=np.full(n, float(np.clip(-2 * (p[3] + p[4]), -0.8, 0.8))),
    )
    v = shell(state)
    jacobian = np.zeros((n, len(p)))
    jacobian[:, :6] = -v.by_edge[:, None] * design
    jacobian[:, 6] = v.by_t * t
    jacobian[:, 7], jacobian[:, 8], jacobian[:, 9] = v.by_cortex, v.by_inside, v.by_outside
    jacobian[:, 10] = v.by_tau * tau
    if len(p) == _PARAMETERS:
        return v.value, jacobian
    own = p[_PARAMETERS:]
    surface = p[:6].copy()
    surface[1:] += own[2:]
    tau = _slant(surface, design, blur, slice_dir)[0] * np.exp(p[10])
    air = air_step(own, float(p[9]), -state.x, design, tau)
    jacobian[:, :6] -= air.by_depth[:, None] * design
    jacobian[:, 9] += air.by_soft
    jacobian[:, 10] += air.by_tau * tau
    jacobian[:, _PARAMETERS:] = air.by_own
    return v.value + air.value, jacobian
