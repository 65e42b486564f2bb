"""Drift of the grey scale at a site, read from the soft tissue along the bone's outer surface.

Scatter, hardening and a field that cuts the head bend a cone-beam scan's scale across the field by tens of HU. The
joint fit knows the soft tissue's level all along the surface; a smooth field in depth and buccal position is put
through it. Its range is the reported drift. What it says at the cylinder, against where soft tissue should lie on the
scale, is taken off the mean, as far as soft tissue itself is known: drift and tissue share the difference by their
variances (the mean of two independent normal variables given their sum, a closed form).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.calibration import SOFT_TISSUE_HU, Calibration
from siteplan.bone.grey import CYLINDER_DEPTH_MM
from siteplan.bone.levels import GreyLevels
from siteplan.bone.shell_fit import ShellFit
from siteplan.flags import Flag
from siteplan.measures import Measure

Array = NDArray[np.float64]

_NORMAL_95 = 1.959964
_RANGE_95 = 2.4477
"""Root of the 95 % point of chi-square with two degrees: a range of a plane without slope is above zero by chance."""
_LEAST_POINTS = 12
_SOFT_SHARE = 0.2
"""Levels further from soft tissue than this share of the step from air to it (about 210 HU) are something else: air
beyond thin gum, a root (our own bound)."""
DRIFT_SD_HU = 40.0
"""SD of the drift at a site before the scan is asked (our own estimate; cone-beam scans show tens of HU)."""
TISSUE_SD_HU = 12.0
"""SD of gum and muscle beside a site about `SOFT_TISSUE_HU`: textbooks give 35 to 70 (from memory), and a uniform
distribution over 35 HU has an SD of 10; some fat."""
MOST_OFF_HU = 100.0
"""Soft tissue that reads further off than this is not explained by drift: the scale may not fit the scan (about 2.4 of
the two SD together, our own bound)."""


@dataclass(frozen=True, slots=True)
class SoftField:
    """Soft tissue's grey value as a + b depth + c buccal + d depth^2 (mm, grey); (4,) and (4, 4).

    No buccal^2: across a ridge it is next to nothing, and it would cost the value on the axis its precision.

    points: (N, 2) depth and buccal position of the surface it was read from.
    """

    coefficients: Array
    covariance: Array
    points: Array

    def at(self, depth_mm: Array, buccal_mm: Array) -> tuple[Array, Array]:
        """Grey values and the rows (N, 4) that make them of the coefficients."""
        rows = _terms(np.asarray(depth_mm, dtype=np.float64), np.asarray(buccal_mm, dtype=np.float64))
        return rows @ self.coefficients, rows

    def along_axis(self) -> tuple[float, float]:
        """Mean over the standard cylinder's axis, as far down as the surface was read, and its SD."""
        depth = np.linspace(0.0, min(CYLINDER_DEPTH_MM, float(self.points[:, 0].max())), 11)
        value, rows = self.at(depth, np.zeros_like(depth))
        row = rows.mean(axis=0)
        return float(value.mean()), math.sqrt(max(float(row @ self.covariance @ row), 0.0))


def _terms(depth: Array, buccal: Array) -> Array:
    return np.stack([np.ones_like(depth), depth, buccal, depth**2], axis=-1)


def soft_field(fit: ShellFit | None, entry_mm: float, levels: GreyLevels) -> SoftField | None:
    """The field from the crest to the foot of the standard cylinder; None without a fit or with too little surface."""
    if fit is None:
        return None
    part = fit.layout.slices()[4]
    basis = fit.layout.outside.basis(fit.curve.s_mm)
    level = basis @ fit.theta[part]
    depth, buccal = fit.curve.points_mm[:, 0] - entry_mm, fit.curve.points_mm[:, 1]
    near = (depth <= CYLINDER_DEPTH_MM) & (np.abs(level - levels.soft) < _SOFT_SHARE * levels.step)
    if near.sum() < _LEAST_POINTS:
        return None
    terms = _terms(depth[near], buccal[near])
    # Least squares of the levels: a linear map of the fit's own coefficients, so their covariance goes along.
    share = np.linalg.pinv(terms, rcond=1e-6) @ basis[near]
    covariance = share @ fit.covariance[part, part] @ share.T
    return SoftField(share @ fit.theta[part], covariance, np.stack([depth[near], buccal[near]], axis=1))


def drift_of(field: SoftField | None) -> Measure:
    """Greatest difference of the soft tissue's grey value along the outer surface, crest to 10 mm below."""
    what = f"range of soft tissue along the bone surface, crest to {CYLINDER_DEPTH_MM:g} mm"
    if field is None:
        return Measure.absent("grey", Flag.NO_EDGE_FOUND, method=what)
    level, rows = field.at(field.points[:, 0], field.points[:, 1])
    row = rows[int(np.argmax(level))] - rows[int(np.argmin(level))]
    value, sd = float(np.ptp(level)), math.sqrt(max(float(row @ field.covariance @ row), 0.0))
    return Measure(value, "grey", max(value - _RANGE_95 * sd, 0.0), value + _NORMAL_95 * sd, what)


def without_drift(mean: Measure, calibration: Calibration, field: SoftField | None, own_drift_sd: float) -> Measure:
    """A mean in HU with the drift at the site taken off as far as it is known.

    Args:
        mean: grey. own_drift_sd: the part of its SD that stands for an unknown drift, grey; replaced by what is left.
    """
    plain = calibration.apply(mean)
    if field is None or mean.value is None or plain.value is None or plain.low is None or plain.high is None:
        return plain
    soft, soft_sd = field.along_axis()
    off, off_sd = calibration.to_hu(soft) - SOFT_TISSUE_HU, soft_sd / abs(calibration.slope)
    if abs(off) > MOST_OFF_HU:
        reach = max(plain.high - plain.value, abs(off))
        flags = tuple(dict.fromkeys((*plain.flags, Flag.SCALE_DOUBTFUL)))
        return replace(plain, low=plain.value - reach, high=plain.value + reach, flags=flags)
    tissue = TISSUE_SD_HU**2 + off_sd**2
    share = DRIFT_SD_HU**2 / (DRIFT_SD_HU**2 + tissue)
    shift, left = -share * off, share * tissue
    own = ((plain.high - plain.value) / _NORMAL_95) ** 2 - (own_drift_sd / calibration.slope) ** 2
    value, reach = plain.value + shift, _NORMAL_95 * math.sqrt(max(own, 0.0) + left)
    method = f"{plain.method}; {shift:+.0f} HU for the drift that soft tissue at the site shows"
    return replace(plain, value=value, low=value - reach, high=value + reach, method=method)
