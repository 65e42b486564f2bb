"""The site's frame against hand-worked cases in DICOM patient coordinates (PS3.3 C.7.6.2.1.1: +x left, +y back)."""

import numpy as np
import pytest

from siteplan.errors import GeometryError
from siteplan.frame import site_frame


@pytest.mark.parametrize(
    ("tooth", "axis", "buccal", "distal"),
    [
        (36, (0, 0, -1), (1, 0, 0), (0, 1, 0)),
        (46, (0, 0, -1), (-1, 0, 0), (0, 1, 0)),
        (26, (0, 0, 1), (1, 0, 0), (0, 1, 0)),
        (16, (0, 0, 1), (-1, 0, 0), (0, 1, 0)),
        (31, (0, 0, -1), (0, -1, 0), (1, 0, 0)),
        (41, (0, 0, -1), (0, -1, 0), (-1, 0, 0)),
        (11, (0, 0, 1), (0, -1, 0), (-1, 0, 0)),
        (21, (0, 0, 1), (0, -1, 0), (1, 0, 0)),
        (75, (0, 0, -1), (1, 0, 0), (0, 1, 0)),
    ],
)
def test_distal_points_away_from_the_midline_in_every_quadrant(tooth, axis, buccal, distal):
    # ISO 3950:2016 quadrants: 1 upper right, 2 upper left, 3 lower left, 4 lower right (5 to 8 deciduous).
    assert site_frame((0, 0, 0), axis, buccal, tooth).distal == pytest.approx(distal)


def test_there_and_back():
    frame = site_frame((3, -40, 12), (0.1, -0.2, -1), (1, 0.3, 0.1), 36)
    points = np.random.default_rng(1).uniform(-20, 20, (50, 3))
    assert frame.to_lps(*frame.from_lps(points).T) == pytest.approx(points)
    assert np.linalg.norm(frame.from_lps(points), axis=1) == pytest.approx(
        np.linalg.norm(points - frame.origin_lps_mm, axis=1)
    )


@pytest.mark.parametrize(
    ("axis", "buccal", "says"),
    [
        ((0, 0, 0), (1, 0, 0), "length zero"),
        ((0, 0, 1), (0, 0, -2), "parallel"),
        ((0, 0, float("nan")), (1, 0, 0), "finite"),
    ],
)
def test_directions_that_fix_no_plane_are_refused(axis, buccal, says):
    with pytest.raises(GeometryError, match=says):
        site_frame((0, 0, 0), axis, buccal)
