"""Hand-placed structures, the anterior loop on a known course, and the JSON that a case file takes."""

import json

import numpy as np
import pytest

from siteplan.anatomy.arch import Arch
from siteplan.anatomy.drawn import anterior_loop, drawn_tube
from siteplan.anatomy.structure import Cone, Kind, MadeBy, Structure, Surface
from siteplan.anatomy.to_json import structure_json
from siteplan.errors import GeometryError
from siteplan.flags import Flag


def straight_arch() -> Arch:
    return Arch(np.stack([np.zeros(6), np.linspace(0, 50, 6), np.zeros(6)], axis=1))


@pytest.mark.parametrize("loop_mm", [0.0, 2.5])
def test_loop_of_a_known_course(loop_mm: float) -> None:
    """Canal from the back to y = 20 - loop + radius, foramen at y = 20; y falls towards the midline."""
    radius = 1.2
    end = 20 - loop_mm + radius
    canal = drawn_tube(Kind.CANAL, [(0, y, -10) for y in np.linspace(45, end, 40)], radius)
    measure = anterior_loop(canal, (2, 20, -8), straight_arch(), mesial=-1)
    assert measure.value == pytest.approx(loop_mm, abs=0.2)
    assert measure.low is not None
    assert measure.high is not None
    assert measure.low <= loop_mm + 0.01 <= measure.high + 0.02


def test_a_loop_that_is_not_seen_is_flagged() -> None:
    from dataclasses import replace

    canal = drawn_tube(Kind.CANAL, [(0, y, -10) for y in np.linspace(45, 15, 30)], 1.2)
    guessed = replace(canal, confidence=np.zeros(30))
    assert Flag.LOW_CONTRAST in anterior_loop(guessed, (0, 20, -10), straight_arch(), -1).flags


def test_refuses_nonsense() -> None:
    with pytest.raises(GeometryError, match="radius above zero"):
        drawn_tube(Kind.LINGUAL_FORAMEN, [(0, 0, 0)], 0.0)
    with pytest.raises(GeometryError, match="one or more points"):
        drawn_tube(Kind.LINGUAL_FORAMEN, [], 1.0)


def test_json_of_each_shape() -> None:
    tube = drawn_tube(Kind.INCISIVE_CANAL, [(1, 2, 3), (4, 5, 6)], 0.8, side="left")
    cone = Structure(Kind.ROOT, "root", Cone(np.zeros(3), np.array([0, 0, -10.0]), 2.0, 0.8))
    triangle = Surface(np.eye(3), np.array([[0, 1, 2]]), np.array([0, 0, 1.0]))
    floor = Structure(Kind.SINUS_FLOOR, "floor", triangle, made_by=MadeBy.CONFIRMED, confidence=np.array([0.5]))
    made = [json.loads(json.dumps(structure_json(s))) for s in (tube, cone, floor)]
    assert made[0]["points_mm"] == [[1, 2, 3], [4, 5, 6]]
    assert made[0]["radius_mm"] == [0.8, 0.8]
    assert (made[0]["kind"], made[0]["side"], made[0]["made_by"]) == ("incisive-canal", "left", "drawn")
    assert made[1]["cone"] == {"base_mm": [0, 0, 0], "tip_mm": [0, 0, -10], "base_radius_mm": 2, "tip_radius_mm": 0.8}
    assert made[2]["surface"]["triangles"] == [[0, 1, 2]]
    assert made[2]["surface"]["behind"] == [0, 0, 1]
    assert made[2]["confidence"] == [0.5]


def test_the_case_file_takes_it_back() -> None:
    from siteplan.anatomy.structure import Tube
    from siteplan.case.model import StructureEntry
    from siteplan.case.shapes import structure_of

    tube = drawn_tube(Kind.CANAL, [(1.25, 2, 3), (4, 5, 6)], 1.3, side="right")
    back = structure_of(StructureEntry.model_validate(json.loads(json.dumps(structure_json(tube)))))
    assert isinstance(back.shape, Tube)
    assert isinstance(tube.shape, Tube)
    assert back.shape.points_lps_mm == pytest.approx(tube.shape.points_lps_mm)
    assert (back.kind, back.side, back.made_by) == (tube.kind, tube.side, tube.made_by)
