"""The cheapest path against scikit-image's own on small grids, and against a wall."""

from itertools import pairwise

import numpy as np
import pytest
from skimage.graph import route_through_array

from siteplan.anatomy.path import cheapest_path
from siteplan.errors import GeometryError


@pytest.mark.parametrize("seed", range(5))
def test_costs_no_more_than_scikit_image_finds(seed: int) -> None:
    cost = np.random.default_rng(seed).uniform(0.5, 10, (7, 8, 9)).astype(np.float32)
    stops = [(0, 0, 0), (3, 7, 2), (6, 1, 8)]
    expected: list[tuple[int, ...]] = []
    for start, end in pairwise(stops):
        piece, _ = route_through_array(cost, start, end, fully_connected=True, geometric=True)
        expected += [tuple(p) for p in (piece if not expected else piece[1:])]
    assert [tuple(p) for p in cheapest_path(cost, stops)] == expected


def test_says_when_a_wall_stands_between() -> None:
    cost = np.ones((5, 5, 5), dtype=np.float32)
    cost[2] = np.inf
    with pytest.raises(GeometryError, match="add a point between"):
        cheapest_path(cost, [(0, 0, 0), (4, 4, 4)])
