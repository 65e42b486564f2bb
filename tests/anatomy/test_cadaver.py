"""A real head that nobody here drew: what is found on both sides, and what is said where nothing can be told.

Its voxels are 0.94 x 0.94 x 1.9 mm: too coarse for a canal's lumen, enough for a sinus.
"""

from pathlib import Path

import numpy as np
import pytest

from siteplan.anatomy.canal_search import propose_canals
from siteplan.anatomy.foramen import find_foramen
from siteplan.anatomy.sample import sampler
from siteplan.anatomy.sinus import sinus_floor
from siteplan.anatomy.structure import MadeBy, Surface
from siteplan.errors import GeometryError
from siteplan.scan import Scan, read_scan


@pytest.fixture(scope="module")
def head(shared: Path) -> Scan:
    return read_scan(shared / "scans" / "cadaver_head")


@pytest.mark.shared
@pytest.mark.parametrize(("near", "side"), [((-37.0, -62.0, -131.0), "right"), ((9.0, -52.0, -128.0), "left")])
def test_both_sinus_floors_lie_between_air_and_tissue(head: Scan, near: tuple[float, ...], side: str) -> None:
    """A voxel and a half into the cavity it is darker than the same way into the floor, at nearly every point."""
    floor = sinus_floor(head, near).structure
    assert isinstance(floor.shape, Surface)
    assert floor.side == side
    points = floor.shape.points_lps_mm
    assert len(points) > 60
    step = 1.5 * max(head.spacing_kji_mm) * floor.shape.behind
    source = sampler(head, points, 6.0)
    above, below = source.at(points + step, smooth=True), source.at(points - step, smooth=True)
    assert np.mean(above < below) > 0.9
    assert np.median(above) < -500.0
    assert np.median(below) > 0.0
    assert "too coarse" in floor.note


@pytest.mark.shared
def test_canals_of_both_sides_are_guesses_and_say_so(head: Scan) -> None:
    """At this voxel no lumen can be told from marrow: the lines are proposed, but nothing vouches for them."""
    canals = propose_canals(head)
    assert {c.side for c in canals} == {"left", "right"}
    for canal in canals:
        assert canal.made_by is MadeBy.FOUND
        assert canal.confidence is not None
        assert np.mean(canal.confidence >= 0.5) < 0.25
        assert "No lumen can be told" in canal.note
        assert canal.uncertainty_mm > 1.0
        with pytest.raises(GeometryError, match="not seen near its front"):
            find_foramen(head, canal)
