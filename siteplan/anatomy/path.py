"""The cheapest way through a box of costs, point by point."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from siteplan.errors import GeometryError

Index = tuple[int, int, int]


def cheapest_path(cost: NDArray[np.float32], stops: Sequence[Index]) -> NDArray[np.int64]:
    """Voxel indices (N, 3) of the cheapest path through `stops` in their order, each voxel once.

    The cost of a step is its length times the mean cost of its two ends (26 neighbours), as in
    `skimage.graph.MCP_Geometric`. A cost of infinity is a wall.

    Raises:
        GeometryError: fewer than two stops, or a wall separates two of them.
    """
    if len(stops) < 2:
        raise GeometryError("path: at least two points are needed.")
    pieces: list[NDArray[np.int64]] = []
    for start, end in pairwise(stops):
        search = MCP_Geometric(cost)
        _, trace = search.find_costs([start], [end])
        if trace[end] == -2 and start != end:  # scikit-image marks what it never reached by -2
            raise GeometryError(
                "path: no way inside the scanned bone joins the given points; add a point between them."
            )
        piece = np.array(search.traceback(end), dtype=np.int64)
        pieces.append(piece if not pieces else piece[1:])
    return np.concatenate(pieces)
