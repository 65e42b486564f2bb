"""A narrow crest: its model against closed forms and SciPy's filter, its fit against simulated ridges."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.stats import multivariate_normal, norm

from siteplan.bone import measure_bone
from siteplan.bone.apex import Apex
from siteplan.bone.apex_model import ApexModel
from siteplan.bone.spline import Spline
from siteplan.flags import Flag
from tests.validation.harder import draw_harder

SOFT, CORTEX, INSIDE = 50.0, 1500.0, 400.0


def _model(spread: np.ndarray, m: np.ndarray, half: float = 3.0) -> tuple[ApexModel, Spline]:
    spline = Spline.spaced(2 * half, 0.05)
    fine = np.arange(-half, half + 1e-9, 0.04)
    basis = spline.basis(fine + half)
    return ApexModel(np.arange(-1.0, 2.5, 0.2), np.arange(-1.0, 1.01, 0.2), m, fine, basis, basis, spread), spline


def _coefficients(model: ApexModel, wanted: np.ndarray) -> np.ndarray:
    return np.linalg.lstsq(model.outer, wanted, rcond=None)[0]


def test_a_slanted_plate_is_the_blurred_step_of_the_textbook():
    # A straight edge under any Gaussian is a normal distribution of the distance along its normal.
    spread = np.diag([0.09, 0.06, 0.07])
    model, _ = _model(spread, np.array([-0.6, 0.0, 0.6]))
    slope, along, aside, thick = 1.3, 0.0, -0.25, 0.8
    outer = _coefficients(model, slope * model.fine_b)
    p = np.concatenate([outer, _coefficients(model, slope * model.fine_b + thick)])
    p = np.concatenate([p, [along, aside, SOFT, CORTEX, INSIDE, 0.0]])
    value, _, _ = model.evaluate(p)
    # z - slope * b - (along - slope * aside) * m is linear in place; its SD under the blur follows from that.
    gradient = np.array([1, -slope, -(along - slope * aside)])
    sd = float(np.sqrt(gradient @ spread @ gradient))
    z, b, m = np.meshgrid(model.z, model.b, model.m, indexing="ij")
    at = gradient[0] * z + gradient[1] * b + gradient[2] * m
    true = SOFT + (CORTEX - SOFT) * norm.cdf(at / sd) - (CORTEX - INSIDE) * norm.cdf((at - thick) / sd)
    np.testing.assert_allclose(value, true, atol=3.0)


def test_a_knife_edge_is_the_bivariate_normal_of_its_corner():
    # Between two planes that meet at right angles the blurred indicator is a product of two normal distributions.
    tau = 0.3
    model, _ = _model(np.diag([tau**2] * 3), np.array([0.0]))
    p = np.concatenate([_coefficients(model, np.abs(model.fine_b)), np.full(model.inner.shape[1], 50.0)])
    value, _, _ = model.evaluate(np.concatenate([p, [0, 0, 0.0, 1.0, 0.0, 0.0]]))
    corner = multivariate_normal([0, 0], np.eye(2))
    for r, z in enumerate(model.z):
        for c, b in enumerate(model.b):
            wanted = corner.cdf([(z - b) / np.sqrt(2) / tau, (z + b) / np.sqrt(2) / tau])
            assert value[r, c, 0] == pytest.approx(wanted, abs=0.006)


def test_a_wedge_of_cortex_is_what_scipys_filter_makes_of_it():
    tau_z, tau_b, step = 0.25, 0.2, 0.01
    model, _ = _model(np.diag([tau_z**2, tau_b**2, 0.04]), np.array([0.0]))
    shapes = [0.9 * model.fine_b**2, 0.7 + 1.2 * model.fine_b**2]
    p = np.concatenate([*(_coefficients(model, x) for x in shapes), [0, 0, SOFT, CORTEX, INSIDE, 0.0]])
    value, _, _ = model.evaluate(p)
    z, b = np.arange(-3, 5, step), np.arange(-3, 3, step)
    o, i = (np.interp(b, model.fine_b, x) for x in shapes)
    raster = np.where(z[:, None] < o, SOFT, np.where(z[:, None] < i, CORTEX, INSIDE))
    blurred = gaussian_filter(raster, (tau_z / step, tau_b / step))
    rows = [int(np.argmin(np.abs(z - x))) for x in model.z]
    columns = [int(np.argmin(np.abs(b - x))) for x in model.b]
    np.testing.assert_allclose(value[:, :, 0], blurred[np.ix_(rows, columns)], atol=0.02 * (CORTEX - SOFT))


def test_the_jacobian_is_that_of_the_values():
    model, _ = _model(np.diag([0.09, 0.06, 0.07]), np.array([-0.4, 0.4]))
    rng = np.random.default_rng(2)
    p = np.concatenate([_coefficients(model, model.fine_b**2), _coefficients(model, 0.9 + model.fine_b**2)])
    p = np.concatenate([p, [0.1, -0.2, SOFT, CORTEX, INSIDE, 0.02]])
    _, jacobian, _ = model.evaluate(p)
    for k in (*rng.integers(0, len(p) - 6, 6), *range(len(p) - 6, len(p))):
        step = np.zeros(len(p))
        step[k] = 1e-4 * max(abs(p[k]), 1.0)
        numeric = (model.evaluate(p + step)[0] - model.evaluate(p - step)[0]) / (2 * step[k])
        np.testing.assert_allclose(jacobian[..., k], numeric, atol=1e-3 * max(float(np.abs(numeric).max()), 1.0))


def test_a_fit_tells_the_inner_surface_only_where_it_reached():
    b = np.linspace(-2, 2, 201)
    tip = 1 + 2 * np.abs(b)
    apex = Apex(0.0, 1.0, 0.01, 0.01, 0.01, 0.0, 1.0, b, tip, tip * 0 + 0.02, tip - 1, tip * 0, (-1.0, 0.8), 5.0)
    found = apex.inner_at(2.0, 1)
    assert found is not None
    assert found == pytest.approx((0.5, 0.01), abs=1e-6)
    assert apex.inner_at(2.0, -1)[0] == pytest.approx(-0.5, abs=1e-6)
    assert apex.inner_at(0.9, 1) is None
    assert apex.outer_at(1.0, -1)[0] == pytest.approx(-0.5, abs=1e-6)
    # Below 2.6 mm the buccal flank leaves what was fitted, the lingual one below 3 mm.
    assert [apex.covers(depth, 1) for depth in (2.5, 2.7, 3.1)] == [True, False, False]
    assert [apex.covers(depth, -1) for depth in (2.5, 2.7, 3.1)] == [True, True, False]


@pytest.mark.parametrize(
    ("group", "scan", "number", "most_mm"),
    [("knife edge", "fine", 11, 0.08), ("knife edge", "coarse", 12, 0.2), ("roof", "coarse", 3, 0.2)],
)
def test_crestal_cortex_under_a_narrow_ridge_is_true(group: str, scan: str, number: int, most_mm: float):
    case = draw_harder(group, scan, np.random.default_rng(number))
    bone = measure_bone(case.scan, case.frame)
    entry = float((bone.frame.origin_lps_mm - case.truth.crest) @ case.truth.axis)
    assert abs(entry) < 0.06
    found = bone.crestal_cortex
    assert found.value == pytest.approx(case.truth.crestal_cortex, abs=most_mm)
    assert found.low <= case.truth.crestal_cortex <= found.high
    assert Flag.UNCERTAIN not in found.flags
    sides = ((case.truth.buccal_plate, bone.buccal_plate), (case.truth.lingual_plate, bone.lingual_plate))
    plates = [(true[m.depth_mm], m.value) for true, plates in sides for m in plates if true.get(m.depth_mm) is not None]
    assert len(plates) >= 6
    assert all(value == pytest.approx(true, abs=0.2) for true, value in plates)
