"""A canal that the axis meets: a straight tube with a thin wall, fitted to all voxels around it.

Same blurred three-level model as the outer shell (`shell_model`), with the distance from the tube's surface as
coordinate, so that the roof's place on the axis does not depend on hitting the canal in its middle.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, label

from siteplan.bone.block import SiteBlock
from siteplan.bone.floor import Below, Layer, LayerStart, edge_systematic_mm
from siteplan.bone.least_squares import levenberg
from siteplan.bone.levels import GreyLevels
from siteplan.bone.section import Section
from siteplan.bone.shell_model import ShellState, shell

Array = NDArray[np.float64]

RADIUS_MM, RADIUS_SD_MM = 1.4, 0.4
"""Canals are 2 to 4 mm wide (from memory; means of 2.55 to 3.03 mm, Do 2024, J Orthod Sci 13:45)."""
_WALL_HU, _WALL_SD_HU = 950.0, 300.0
_WALL_MM = 0.5
"""What is assumed of a canal's wall before the scan is asked (our own estimate)."""
_AROUND_MM = 1.6
"""Bone around the lumen that takes part in the fit."""
_ALONG_MM = 1.5
_MOST_OFF_MM = 1.4
_GRAZING = 0.95
"""Chords further from the centre than this share of the radius have no trustworthy depth."""
_LEAST_EXPLAINED, _LEAST_CONTRAST, _STAYS_MM, _MET_SHARE = 0.55, 12.0, 0.8, 0.93
_RADIUS_RANGE_MM = (0.6, 2.2)
"""A spot beside the axis is a canal when the tube explains this share of the variance, its lumen is darker than bone by
this many SD, its centre stays within this distance of the spot, the axis passes the centre within this share of the
radius, and it is as wide as canals are (our own bounds, from simulated jaws with and without a canal)."""
_WALLED_EXPLAINED, _WALLED_CONTRAST = 0.7, 6.0
"""The same for a tube with a wall denser than the bone around it: trabeculae hide the lumen's contrast, but do not
make rings. Spots in jaws without a canal explained at most 0.57 so, or had a dark wall or another place."""


def fit_canal(
    block: SiteBlock,
    section: Section,
    start: LayerStart,
    levels: GreyLevels,
    blur: tuple[float, float],
    slice_dir: Array,
    noise: float,
    shared: float,
    centre: tuple[float, float] | None = None,
) -> Layer | None:
    """Wall and lumen of a canal on the axis; None when no tube settles there or the axis misses it.

    Args:
        centre: depth and buccal position of a spot beside the axis that may be a canal; it then has to prove itself.
    """
    beside = centre is not None
    centre = _centre(block, section, start, levels) if centre is None else centre
    if centre is None:
        return None
    depth0, buccal0 = centre
    rows = np.flatnonzero(np.abs(block.depth_mm - depth0) < RADIUS_MM + _AROUND_MM)
    columns = np.flatnonzero(np.abs(block.buccal_mm - buccal0) < RADIUS_MM + _AROUND_MM)
    planes = np.flatnonzero(np.abs(block.distal_mm) <= _ALONG_MM + 1e-9)
    grey = block.values[np.ix_(rows, columns, planes)].astype(np.float64)
    z, b, m = np.meshgrid(block.depth_mm[rows], block.buccal_mm[columns], block.distal_mm[planes], indexing="ij")
    near = np.hypot(z - depth0, b - buccal0) < RADIUS_MM + _AROUND_MM
    grey, z, b, m = grey[near], z[near], b[near], m[near]
    if len(grey) < 200 or not np.isfinite(grey).all():
        return None
    per_hu = levels.step / 1050.0
    wall = levels.soft + (_WALL_HU - 50) * per_hu
    # depth, buccal, their slopes along m, log radius, log wall, wall grey, bone grey, lumen grey, log blur
    first = np.array([depth0, buccal0, 0, 0, np.log(RADIUS_MM), np.log(_WALL_MM), wall, start.bone, start.beyond, 0])
    sd = np.array(
        [1.0, 1.0, 0.3, 0.3, RADIUS_SD_MM / RADIUS_MM, 0.5, _WALL_SD_HU * per_hu, 150 * per_hu, 80 * per_hu, 0.02]
    )
    limit = np.array([0.3, 0.3, 0.1, 0.1, 0.2, 0.3, 300 * per_hu, 300 * per_hu, 300 * per_hu, 0.02])

    def model(p: Array) -> tuple[Array, Array]:
        return _tube(p, z, b, m, blur, slice_dir)

    p, covariance = levenberg(model, grey, first, sd, limit, noise**2 * shared)
    if np.hypot(p[0] - depth0, p[1] - buccal0) > _MOST_OFF_MM or p[8] > p[7]:
        return None
    if beside and not _proven(p, covariance, grey, model(p)[0], centre):
        return None
    return _on_axis(p, covariance, blur)


def _proven(p: Array, covariance: Array, grey: Array, model: Array, centre: tuple[float, float]) -> bool:
    """Whether a tube explains the voxels better than even bone does, is as dark and wide as a canal, and is met."""
    even = float(((grey - np.median(grey)) ** 2).sum())
    explained = 1 - float(((grey - model) ** 2).sum()) / max(even, 1e-9)
    contrast = float(p[7] - p[8]) / float(np.sqrt(covariance[8, 8]))
    radius = float(np.exp(p[4]))
    stayed = float(np.hypot(p[0] - centre[0], p[1] - centre[1])) < _STAYS_MM
    met = abs(float(p[1])) < _MET_SHARE * radius
    usual = _RADIUS_RANGE_MM[0] < radius < _RADIUS_RANGE_MM[1]
    plain = explained > _LEAST_EXPLAINED and contrast > _LEAST_CONTRAST
    walled = explained > _WALLED_EXPLAINED and contrast > _WALLED_CONTRAST and bool(p[6] > p[7])
    return (plain or walled) and stayed and met and usual


def _centre(block: SiteBlock, section: Section, start: LayerStart, levels: GreyLevels) -> tuple[float, float] | None:
    """Centre of the dark spot in the section that the axis enters at `start`."""
    grey = np.where(np.isfinite(section.grey), section.grey, levels.soft)
    dark = gaussian_filter(grey, 0.3 / block.spacing_mm) < levels.soft + 0.45 * (start.bone - levels.soft)
    axis = int(np.argmin(np.abs(block.buccal_mm)))
    row = int(np.searchsorted(block.depth_mm, start.at_mm)) + 1
    rows = slice(max(row - 2, 0), row + round(3.2 / block.spacing_mm))
    reach = round(2.6 / block.spacing_mm)
    columns = slice(max(axis - reach, 0), axis + reach + 1)
    spots, _ = label(dark[rows, columns])
    here = spots[min(2, spots.shape[0] - 1) : 6, axis - columns.start]
    here = here[here > 0]
    if len(here) == 0:
        return None
    k, j = np.nonzero(spots == here[0])
    return float(block.depth_mm[rows][k].mean()), float(block.buccal_mm[columns][j].mean())


def _tube(p: Array, z: Array, b: Array, m: Array, blur: tuple[float, float], slice_dir: Array) -> tuple[Array, Array]:
    """Model values and Jacobian of the tube."""
    dz, db = z - p[0] - p[2] * m, b - p[1] - p[3] * m
    rho = np.hypot(dz, db) + 1e-9
    nz, nb = dz / rho, db / rho
    steep = nz * p[2] + nb * p[3]
    length2 = 1 + steep**2
    across = nz * slice_dir[0] + nb * slice_dir[1] - steep * slice_dir[2]
    tau = np.sqrt(blur[0] ** 2 * (length2 - across**2) + blur[1] ** 2 * across**2) * np.exp(p[9])
    radius, t = float(np.exp(p[4])), float(np.exp(p[5]))
    n = len(z)
    state = ShellState(
        rho - radius,
        np.full(n, t),
        np.full(n, p[8]),
        np.full(n, p[7]),
        float(p[6]),
        tau,
        np.full(n, -1 / max(radius, 0.6)),
    )
    v = shell(state)
    j = np.empty((n, 10))
    j[:, 0], j[:, 1] = v.by_edge * nz, v.by_edge * nb
    j[:, 2], j[:, 3] = j[:, 0] * m, j[:, 1] * m
    j[:, 4], j[:, 5] = v.by_edge * radius, v.by_t * t
    j[:, 6], j[:, 7], j[:, 8], j[:, 9] = v.by_cortex, v.by_inside, v.by_outside, v.by_tau * tau
    return v.value, j


def _on_axis(p: Array, covariance: Array, blur: tuple[float, float]) -> Layer | None:
    """Where the axis (buccal 0, distal 0) enters the wall and the lumen from above."""
    radius, t = float(np.exp(p[4])), float(np.exp(p[5]))
    off = abs(float(p[1]))
    if off > _GRAZING * radius:
        return None
    wall, g_wall = _entry(p, off, radius + t, (radius, t))
    systematic = edge_systematic_mm(blur[0])

    def sd(g: Array, share: float) -> float:
        return float(np.hypot(np.sqrt(max(float(g @ covariance @ g), 0.0)), share * systematic))

    lumen, g_lumen = _entry(p, off, radius, (radius, 0.0))
    return Layer(
        Below.CANAL,
        wall,
        lumen,
        sd(g_wall, 1.3),
        sd(g_lumen, 1.0),
        sd(g_lumen - g_wall, 1.0),
        float(np.sqrt(covariance[5, 5])),
    )


def _entry(p: Array, off: float, reach: float, grows: tuple[float, float]) -> tuple[float, Array]:
    """Depth where the axis enters a circle of radius `reach`, and its gradient by the parameters."""
    drop = float(np.sqrt(reach**2 - off**2))
    g = np.zeros(10)
    g[0], g[1] = 1.0, p[1] / drop
    g[4], g[5] = -reach / drop * grows[0], -reach / drop * grows[1]
    return float(p[0]) - drop, g
