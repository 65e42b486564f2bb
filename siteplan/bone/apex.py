"""Bone entry and crestal cortex on a narrow crest, from a fit of the whole wedge at once (`apex_model`)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplan.bone.apex_model import GLOBALS, ApexModel, Array
from siteplan.bone.block import SiteBlock
from siteplan.bone.least_squares import levenberg
from siteplan.bone.shell_surface import Shell
from siteplan.bone.spline import Spline

NARROW_PER_MM = 0.5
NARROW_SHARE = 0.5
"""A crest is narrow where its curvature exceeds the first, or curvature times cortex thickness the second: the points
at cortex thickness below the surface then crowd together (our own bounds; below them both fits agree)."""
_HALF_MM, _DROP_MM = 1.8, 2.6
"""The wedge is fitted this far to both sides of the axis, less where the surface falls away by more than the second."""
_ABOVE_MM, _BELOW_MM = 3.5, 1.8
"""How far the voxels reach above the entry and below where the cortex ends."""
_PLANES_MM = 1.0
_OUTER_KNOTS_MM, _INNER_KNOTS_MM = 0.5, 0.6
_BEND_PER_MM = 1.5
"""SD of the second derivative of both surfaces: a radius of two thirds of a millimetre is nothing unusual."""
_FINE_STEP_MM = 0.06
_BLURS_BEYOND = 3.0
_OUTSIDE_BLURS, _OUTSIDE_MM = 3.2, (0.8, 1.6)
_SLOPE_SD, _SOFT_SD_HU, _CORTEX_SD_HU, _INSIDE_SD_HU, _BLUR_LOG_SD = 0.3, 60.0, 30.0, 150.0, 0.03
"""How far slopes, grey levels and blur may leave what the site's fit found."""
_DEEPEST_MM = 6.0
_ITERATIONS = 14
_LEAST_VOXELS = 150
_MOST_MOVED_MM, _MOST_MISFIT = 0.5, 2.0
"""A fit that moves the entry further or leaves larger residuals, in units of the noise, is not believed."""
_COLUMN_MM = 0.1
_MARGIN_MM = 0.3
"""Of the voxels' depth, which the inner surface must stay away from to be told."""
_LEAST_STEEP = 0.3


@dataclass(frozen=True, eq=False)
class Apex:
    """What the axis meets on the crest, as the scan shows it: without the shift of averaged intensities.

    Attributes:
        entry_mm, end_mm: depths of the outer and the inner surface. entry_sd_mm, end_sd_mm, thickness_sd_mm: of noise.
        slope: change of the outer surface's depth per mm buccally. misfit: mean squared residual over the noise.
        buccal_mm: (J,) positions, and there inner_mm, inner_sd_mm, outer_mm, outer_sd_mm: (J,) depths of both surfaces
            and their SD.
        reach_mm: (low, high) buccal positions, and bottom_mm the depth, as far as which voxels took part.
    """

    entry_mm: float
    end_mm: float
    entry_sd_mm: float
    end_sd_mm: float
    thickness_sd_mm: float
    slope: float
    misfit: float
    buccal_mm: Array
    inner_mm: Array
    inner_sd_mm: Array
    outer_mm: Array
    outer_sd_mm: Array
    reach_mm: tuple[float, float]
    bottom_mm: float

    def covers(self, depth_mm: float, sign: int, *, outer: bool = False) -> bool:
        """Whether the inner (or outer) surface at this depth, on the side of `sign`, lies within what was fitted."""
        inside = np.flatnonzero((self.buccal_mm >= self.reach_mm[0]) & (self.buccal_mm <= self.reach_mm[1]))
        at_edge = float((self.outer_mm if outer else self.inner_mm)[inside[-1 if sign > 0 else 0]])
        return at_edge > depth_mm and depth_mm < self.bottom_mm - _MARGIN_MM

    def inner_at(self, depth_mm: float, sign: int) -> tuple[float, float] | None:
        """Buccal position of the inner surface on the line at a depth, on the side of `sign`, and its SD.

        None where the line passes above the tip of the spongy bone: all of it is cortex there.
        """
        return self._crossing(self.inner_mm, self.inner_sd_mm, depth_mm, sign)

    def outer_at(self, depth_mm: float, sign: int) -> tuple[float, float] | None:
        """The same of the outer surface; None where the line passes above the crest."""
        return self._crossing(self.outer_mm, self.outer_sd_mm, depth_mm, sign)

    def _crossing(self, surface: Array, sd: Array, depth_mm: float, sign: int) -> tuple[float, float] | None:
        below = np.flatnonzero(surface <= depth_mm)
        inside = below[(self.buccal_mm[below] >= self.reach_mm[0]) & (self.buccal_mm[below] <= self.reach_mm[1])]
        if len(inside) == 0:
            return None
        k = int(inside[-1] if sign > 0 else inside[0])
        other = int(np.clip(k + sign, 0, len(surface) - 1))
        rise = float(surface[other] - surface[k])
        share = (depth_mm - float(surface[k])) / rise if rise > 1e-9 else 0.5
        step = abs(float(self.buccal_mm[1] - self.buccal_mm[0]))
        steep = max(rise / step, _LEAST_STEEP)
        return float(self.buccal_mm[k]) + sign * float(np.clip(share, 0, 1)) * step, float(sd[k]) / steep


def is_narrow(shell: Shell) -> bool:
    """Whether the crest where the axis enters is too narrow for the shell model."""
    outer = shell.cross(False, 1, 0.0, "min")
    if outer is None:
        return False
    curve = shell.fit.curve
    bend = float(np.interp(outer.s_mm, curve.s_mm, curve.curvature))
    return bend > NARROW_PER_MM or bend * float(np.interp(outer.s_mm, curve.s_mm, shell.t)) > NARROW_SHARE


def fit_apex(block: SiteBlock, shell: Shell, slice_dir: Array) -> Apex | None:
    """Fit the wedge of a crest.

    Args:
        slice_dir: (3,) slice normal of the scan in block directions.

    Returns:
        None when the axis misses the shell, voxels are missing or the fit does not settle near the shell's entry.
    """
    outer = shell.cross(False, 1, 0.0, "min")
    if outer is None:
        return None
    entry = outer.at_mm + shell.edge_gradient_mm[0]
    heights = _heights(shell, entry)
    if heights is None:
        return None
    column, o, i = heights
    low, high = (_reach(column, o, entry, sign) for sign in (-1, 1))
    if high - low < _HALF_MM:
        return None
    along, across = np.exp(shell.fit.theta[shell.fit.layout.slices()[7]])
    pad = _BLURS_BEYOND * float(max(along, across))
    splines = tuple(Spline.spaced(high - low + 2 * pad, k) for k in (_OUTER_KNOTS_MM, _INNER_KNOTS_MM))
    fine = np.arange(low - pad, high + pad + 1e-9, _FINE_STEP_MM)
    bases = [spline.basis(fine - fine[0]) for spline in splines]
    rows = np.flatnonzero(
        (block.depth_mm >= entry - _ABOVE_MM) & (block.depth_mm <= float(np.interp(0, column, i)) + _BELOW_MM)
    )
    columns = np.flatnonzero((block.buccal_mm >= low - 1e-9) & (block.buccal_mm <= high + 1e-9))
    planes = np.flatnonzero(np.abs(block.distal_mm) <= _PLANES_MM + 1e-9)
    spread = along**2 * np.eye(3) + (across**2 - along**2) * np.outer(slice_dir, slice_dir)
    model = ApexModel(
        block.depth_mm[rows], block.buccal_mm[columns], block.distal_mm[planes], fine, bases[0], bases[1], spread
    )
    grey = block.values[np.ix_(rows, columns, planes)].astype(np.float64)
    use = _in_band(model, shell, column, o, float(max(along, across)))[:, :, None] & np.isfinite(grey)
    if use.sum() < _LEAST_VOXELS:
        return None
    start = np.concatenate(
        [_coefficients(b, s, np.interp(fine, column, y)) for b, s, y in zip(bases, splines, (o, i), strict=True)]
    )
    return _solved(model, splines, shell, outer.s_mm, grey, use, start, entry)


def _solved(
    model: ApexModel,
    splines: tuple[Spline, ...],
    shell: Shell,
    s_mm: float,
    grey: Array,
    use: NDArray[np.bool_],
    surfaces: Array,
    entry_mm: float,
) -> Apex | None:
    fit = shell.fit
    of_outer, of_inner, first = model.parts
    centre, prior_sd = _prior(shell, s_mm, first)
    penalty = np.zeros((len(centre), len(centre)))
    for part, spline in zip((of_outer, of_inner), splines, strict=True):
        d = spline.bending() * np.sqrt(spline.spacing) / _BEND_PER_MM
        penalty[part, part] = d.T @ d
    start = centre.copy()
    start[:first] = surfaces
    within = model.evaluate(start)[2][use]
    sd = fit.noise_outside + (fit.noise_inside - fit.noise_outside) * within
    shared = fit.spread_outside + (fit.spread_inside - fit.spread_outside) * within

    def values(p: Array) -> tuple[Array, Array]:
        value, jacobian, _ = model.evaluate(p)
        return value[use], jacobian[use]

    limit = np.full(len(centre), np.inf)
    limit[:first], limit[first : first + 2], limit[-1] = 0.4, 0.2, 0.05
    p, covariance = levenberg(
        values, grey[use], centre, prior_sd, limit, sd**2 * shared, _ITERATIONS, start=start, penalty=penalty
    )
    misfit = float((((grey[use] - values(p)[0]) / sd) ** 2).mean())
    zero = -float(model.fine_b[0])
    at = np.zeros((2, len(p)))
    at[0, of_outer] = splines[0].basis(np.array([zero]))[0]
    at[1, of_inner] = splines[1].basis(np.array([zero]))[0]
    sides = splines[0].basis(np.array([zero - _COLUMN_MM, zero + _COLUMN_MM])) @ p[of_outer]
    outer, inner = at @ p
    if not np.isfinite(p).all() or misfit > _MOST_MISFIT or abs(outer - entry_mm) > _MOST_MOVED_MM:
        return None
    if not outer < inner < float(model.z[-1]):
        return None
    own = at @ covariance @ at.T
    return Apex(
        float(outer),
        float(inner),
        float(np.sqrt(own[0, 0])),
        float(np.sqrt(own[1, 1])),
        float(np.sqrt(max(own[0, 0] + own[1, 1] - 2 * own[0, 1], 0.0))),
        float(sides[1] - sides[0]) / (2 * _COLUMN_MM),
        misfit,
        model.fine_b,
        model.inner @ p[of_inner],
        np.sqrt(np.einsum("ji,ik,jk->j", model.inner, covariance[of_inner, of_inner], model.inner)),
        model.outer @ p[of_outer],
        np.sqrt(np.einsum("ji,ik,jk->j", model.outer, covariance[of_outer, of_outer], model.outer)),
        (float(model.b[0]), float(model.b[-1])),
        float(model.z[-1]),
    )


def _prior(shell: Shell, s_mm: float, first: int) -> tuple[Array, Array]:
    """Mean and SD of all parameters; the surfaces are free but for their bending."""
    fit, lay, theta = shell.fit, shell.fit.layout, shell.fit.theta
    parts, one, per_hu = lay.slices(), np.array([s_mm]), fit.prior.per_hu
    slope = float((lay.tilt.basis(one) @ theta[parts[1]])[0])
    normal = fit.curve.normal[int(np.clip(round(s_mm / float(fit.curve.s_mm[1])), 0, len(fit.curve.s_mm) - 1))]
    cortex_sd = np.hypot(np.sqrt(fit.covariance[parts[6], parts[6]][0, 0]), _CORTEX_SD_HU * per_hu)
    centre, sd = np.zeros(first + GLOBALS), np.full(first + GLOBALS, np.inf)
    centre[first:] = (
        slope * normal[0],
        slope * normal[1],
        (lay.outside.basis(one) @ theta[parts[4]])[0],
        theta[parts[6]][0] + (lay.cortex.basis(one) @ theta[parts[8]])[0],
        (lay.inside.basis(one) @ theta[parts[5]])[0],
        0.0,
    )
    sd[first:] = _SLOPE_SD, _SLOPE_SD, _SOFT_SD_HU * per_hu, cortex_sd, _INSIDE_SD_HU * per_hu, _BLUR_LOG_SD
    return centre, sd


def _heights(shell: Shell, entry_mm: float) -> tuple[Array, Array, Array] | None:
    """Buccal positions, and there the depth of the outer surface as seen and of the end of cortex by the shell."""
    points = shell.outer + shell.edge_gradient_mm[0] * shell.fit.curve.normal
    reach = _HALF_MM + _OUTSIDE_MM[1]
    count = round(reach / _COLUMN_MM)
    column = _COLUMN_MM * np.arange(-count, count + 1).astype(np.float64)
    at = points[:-1, 1] - column[:, None]
    step = np.diff(points[:, 1])
    share = np.where(np.abs(step) > 1e-9, -at / np.where(np.abs(step) > 1e-9, step, 1.0), np.inf)
    depth = np.where((share >= 0) & (share < 1), points[:-1, 0] + share * np.diff(points[:, 0]), np.inf).min(axis=1)
    seen = np.isfinite(depth)
    if not seen[len(column) // 2]:
        return None
    outer = np.interp(column, column[seen], depth[seen])
    z = entry_mm + np.arange(0.0, _DEEPEST_MM, _COLUMN_MM / 2)
    grid = np.stack(np.meshgrid(column, z, indexing="ij"), axis=-1)[:, :, None, :]
    beyond = (np.hypot(*np.moveaxis(grid - points[:, ::-1], -1, 0)) - shell.t).min(axis=2)
    free = (beyond >= 0) & (z > outer[:, None])
    inner = np.where(free.any(axis=1), z[np.argmax(free, axis=1)], z[-1])
    return column, outer, inner


def _reach(column: Array, outer: Array, entry_mm: float, sign: int) -> float:
    """How far the wedge goes to one side before the surface falls away too steeply."""
    middle = len(column) // 2
    side = outer[middle::sign]
    away = np.flatnonzero(np.abs(side - entry_mm) > _DROP_MM)
    last = len(side) - 1 if len(away) == 0 else max(int(away[0]) - 1, 0)
    return sign * min(last * _COLUMN_MM, _HALF_MM)


def _in_band(model: ApexModel, shell: Shell, column: Array, outer: Array, blur_mm: float) -> NDArray[np.bool_]:
    """(R, C) which cells lie inside the bone or close enough to it: further off, air or teeth may begin."""
    points = shell.outer + shell.edge_gradient_mm[0] * shell.fit.curve.normal
    cells = np.stack(np.meshgrid(model.z, model.b, indexing="ij"), axis=-1)
    distance, _ = cKDTree(points).query(cells)
    band: NDArray[np.bool_] = distance < float(np.clip(_OUTSIDE_BLURS * blur_mm, *_OUTSIDE_MM))
    return band | (model.z[:, None] > np.interp(model.b, column, outer))


def _coefficients(basis: Array, spline: Spline, wanted: Array) -> Array:
    """Coefficients of a smooth spline through values (J,) at the fine positions."""
    bend = 0.02 * spline.bending()
    found = np.linalg.lstsq(np.vstack([basis, bend]), np.concatenate([wanted, np.zeros(len(bend))]), rcond=None)[0]
    return np.asarray(found, dtype=np.float64)
