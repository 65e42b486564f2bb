"""Drift of the grey scale against a field that was laid over a simulated scan, and against closed forms."""

import math

import numpy as np
import pytest

from siteplan.bone import Calibration, mean_grey_in
from siteplan.bone.drift import DRIFT_SD_HU, MOST_OFF_HU, TISSUE_SD_HU, SoftField, drift_of, without_drift
from siteplan.bone.measure import measure_bone
from siteplan.flags import Flag
from siteplan.measures import Measure
from tests.validation.drift import Field, true_range, with_field
from tests.validation.phantoms import draw_case

SCALE = Calibration(0.8, 50)
MEAN = Measure(690, "grey", 670, 710)


def soft_at(hu: float) -> SoftField:
    """Soft tissue of one level around the whole site, known without error."""
    points = np.stack([np.linspace(0, 12, 20), np.linspace(-5, 5, 20)], axis=1)
    return SoftField(np.array([SCALE.slope * hu + SCALE.intercept, 0, 0, 0]), np.zeros((4, 4)), points)


def test_drift_and_tissue_share_the_difference_by_their_variances():
    # Two independent normal variables, given their sum: the mean of one is its share of the variance.
    share = DRIFT_SD_HU**2 / (DRIFT_SD_HU**2 + TISSUE_SD_HU**2)
    found = without_drift(MEAN, SCALE, soft_at(50 + 40), own_drift_sd=0.0)
    assert found.value == pytest.approx(800 - 40 * share)
    left = DRIFT_SD_HU * TISSUE_SD_HU / math.hypot(DRIFT_SD_HU, TISSUE_SD_HU)
    assert (found.high - found.low) / 2 == pytest.approx(math.hypot(20 / 0.8, 1.959964 * left), rel=1e-6)
    assert "drift" in found.method


def test_soft_tissue_where_it_belongs_moves_nothing():
    assert without_drift(MEAN, SCALE, soft_at(50), 0.0).value == pytest.approx(SCALE.to_hu(690))
    assert without_drift(MEAN, SCALE, None, 0.0) == SCALE.apply(MEAN)


def test_soft_tissue_far_off_marks_the_scale_and_moves_nothing():
    off = MOST_OFF_HU + 60
    found = without_drift(MEAN, SCALE, soft_at(50 - off), 0.0)
    assert found.value == pytest.approx(800)
    assert Flag.SCALE_DOUBTFUL in found.flags
    assert found.low <= 800 + -off
    assert found.high >= 800 + off


def test_a_plane_has_its_own_range():
    points = np.stack([np.linspace(0, 10, 21), np.zeros(21)], axis=1)
    found = drift_of(SoftField(np.array([100.0, 3.0, 0, 0]), np.zeros((4, 4)), points))
    assert found.value == pytest.approx(30)
    assert drift_of(None).value is None


@pytest.fixture(scope="module")
def drifted():
    """A jaw with cancellous bone of known value under a field of 2.7 HU/mm and a bowl whose middle is 15 mm away."""
    case = draw_case("fine lower", np.random.default_rng(3), hardening=0.0)
    field = Field(case.truth.crest + np.array([15.0, 0, 0]), np.array([-1.5, 1.0, 2.0]), 0.15)
    scale = Calibration(case.scanner.slope, case.scanner.intercept)
    return case, field, measure_bone(with_field(case, field), case.frame, calibration=scale)


def test_reported_drift_is_that_of_the_field(drifted):
    case, field, bone = drifted
    low, value, high = (x / case.scanner.slope for x in (bone.drift.low, bone.drift.value, bone.drift.high))
    assert low <= true_range(case, field) <= high
    assert value == pytest.approx(true_range(case, field), abs=15)


def test_means_are_robust_to_the_drift(drifted):
    case, field, bone = drifted
    off = float(field.at(case.truth.crest + 5 * case.truth.axis))
    scale = bone.calibration
    assert abs(off) > 30, "the field must matter here"
    assert scale.to_hu(bone.mean_grey.value) - case.truth.mean_hu == pytest.approx(off, abs=15)
    for truth, found in ((case.truth.mean_hu, bone.mean_hu), (case.truth.trabecular_hu, bone.trabecular_hu)):
        assert abs(found.value - truth) < max(30, 0.05 * truth)
        assert found.low <= truth <= found.high


def test_a_fixtures_own_bone_is_read_on_the_same_scale(drifted):
    _, _, bone = drifted
    same = mean_grey_in(bone, [0, 10], [1.75, 1.75], calibration=bone.calibration)
    assert same.value == pytest.approx(bone.mean_hu.value, abs=1)


def test_a_table_without_cortex_classes_the_bone_without_cortex(drifted):
    case, _, bone = drifted
    by_table = {d.table: d for d in bone.density}
    assert case.truth.mean_hu > case.truth.trabecular_hu + 100
    # de Oliveira 2008 (density.de_oliveira, confirmed): trabecular bone alone, type 1 from 400 HU, type 2/3 from 200.
    true = "type 1" if case.truth.trabecular_hu >= 400 else "type 2/3"
    assert by_table["trabecular-types"].probabilities[true] > 0.3
    shares = by_table["five-class"].probabilities
    assert sum(shares.values()) == pytest.approx(1)
