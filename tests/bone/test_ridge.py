"""Undercuts against closed-form outlines, ridge divisions against the published bounds, metal."""

import numpy as np
import pytest

from siteplan.bone.block import SiteBlock
from siteplan.bone.levels import GreyLevels
from siteplan.bone.lines import _width
from siteplan.bone.metal import metal_mask
from siteplan.bone.reading import Edge, Plate
from siteplan.bone.ridge import find_undercuts, ridge_form
from siteplan.flags import Flag
from siteplan.frame import site_frame
from siteplan.measures import Measure

Z = np.arange(0, 16, 0.25)


def test_concavity_has_its_depth_place_and_angle():
    lingual = -(5.0 - 1.5 * np.exp(-(((Z - 8) / 2) ** 2)))
    (found,) = find_undercuts(Z, np.full(len(Z), 5.0), lingual, 0.05)
    assert found.side == "lingual"
    assert found.depth.value == pytest.approx(1.5, abs=0.05)
    assert found.position.value == pytest.approx(8, abs=0.3)
    # Steepest slope of 1.5 exp(-(x/2)^2) is 1.5 / 2 * sqrt(2/e) = 0.643.
    assert found.angle.value == pytest.approx(np.degrees(np.arctan(0.643)), abs=3)
    assert found.path_leaves_bone_at.value is None


@pytest.mark.parametrize("tip", [8.0, 8.05, 8.1, 8.2])
def test_a_sharp_bottom_between_two_rows_lies_within_its_interval(tip: float):
    # Closed form: a notch with straight flanks, its tip at a depth that the rows pass by.
    lingual = -(5.0 - np.maximum(1.5 - np.abs(Z - tip), 0.0))
    (found,) = find_undercuts(Z, np.full(len(Z), 5.0), lingual, 0.02)
    assert found.position.low < tip < found.position.high


def test_straight_path_that_leaves_the_bone_is_called_out():
    lingual = -(2.0 - 3.5 * np.exp(-(((Z - 9) / 2) ** 2)))
    (found,) = find_undercuts(Z, np.full(len(Z), 6.0), lingual, 0.05)
    first = Z[lingual >= 0][0]
    assert found.path_leaves_bone_at.value == pytest.approx(first)


def test_convex_ridges_have_no_undercut():
    round_ridge = 5 * np.sqrt(1 - ((Z - 8) / 8.5) ** 2)
    assert find_undercuts(Z, round_ridge, -round_ridge, 0.05) == ()


@pytest.mark.parametrize("last", [[1.2, 1.1, 2.0], [9.0], [4.0, 3.4]])
def test_stray_edges_where_the_scan_ends_are_no_undercut(last):
    # The last lines of a convex outline lie partly outside the scan and read something within or beyond the bone.
    buccal = 5 * np.sqrt(1 - ((Z - 8) / 8.5) ** 2)
    buccal[-len(last) :] = last
    assert find_undercuts(Z, buccal, np.full(len(Z), -5.0), 0.05) == ()


def test_parts_that_both_edges_share_add_up_in_a_width():
    def plate(sd: float, shared: float) -> Plate:
        none = Edge(None, None, (Flag.NO_EDGE_FOUND,))
        return Plate(Edge(4.0, sd, shared_sd_mm=shared), none, none)

    # Errors with correlation 1 have the SD of their sum, 2 x 0.1; independent ones root two times 0.1 (closed form).
    together = _width(plate(0.1, 0.1), plate(0.1, 0.1), 3.0, "", False, 0.0)
    apart = _width(plate(0.1, 0.0), plate(0.1, 0.0), 3.0, "", False, 0.0)
    assert (together.high - together.low) / (2 * 1.959964) == pytest.approx(0.2)
    assert (apart.high - apart.low) / (2 * 1.959964) == pytest.approx(0.1 * np.sqrt(2))


@pytest.mark.parametrize(
    ("height", "width", "label"), [(14, 7, "A"), (14, 4, "B"), (8, 2, "C"), (8, 6, None), (14, 2, None)]
)
def test_divisions_follow_the_published_bounds(height, width, label):
    # Misch and Judy, available-bone divisions (density.misch_quantity_a, confirmed).
    form = ridge_form(Measure(height, "mm"), (Measure(width, "mm", depth_mm=3.0),), 0.0)
    assert form.label == label
    assert form.source


def test_height_that_nothing_bounds_counts_only_as_far_as_bone_was_seen():
    none = Measure.absent("mm", Flag.NO_SECOND_CORTEX)
    width = (Measure(7.0, "mm", depth_mm=3.0),)
    assert ridge_form(none, width, 15.0).label == "A"
    assert ridge_form(none, width, 6.0).label is None


def block_of(values: np.ndarray) -> SiteBlock:
    d, b, m = values.shape
    h = 0.25
    return SiteBlock(
        values.astype(np.float32),
        site_frame([0, 0, 0], [0, 0, -1], [1, 0, 0]),
        np.arange(d) * h - 3,
        (np.arange(b) - b // 2) * h,
        (np.arange(m) - m // 2) * h,
        h,
        (h, h, h),
    )


def test_metal_and_its_streaks_are_found_and_dense_bone_is_not():
    rng = np.random.default_rng(0)
    levels = GreyLevels(-1000.0, 50.0, 30.0, 30.0, 1050.0)
    values = rng.normal(50, 40, (60, 60, 40))
    values[20:40, 20:40] = rng.normal(1600, 40, (20, 20, 40))
    assert metal_mask(block_of(values), levels) is None
    values[10:18, 5:12, 10:20] = 6000
    values[10:18, 12:50, 10:20] += rng.choice([-1200, 900], (8, 38, 10))
    mask = metal_mask(block_of(values), levels)
    assert mask[12, 8, 15]
    assert mask[12:16, 14:40, 12:18].mean() > 0.8
    assert mask[45:].mean() < 0.02
