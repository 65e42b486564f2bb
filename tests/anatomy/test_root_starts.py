"""Answers of several starts on one root, as closed forms, and two clicks on an invented jaw of known geometry."""

from dataclasses import replace

import numpy as np
import pytest
from jaw_phantom import Quality, as_scan, root_phantom
from numpy.typing import ArrayLike, NDArray

from siteplan.anatomy import root_starts
from siteplan.anatomy.fit_many import Known, fit_many
from siteplan.anatomy.levels import Levels
from siteplan.anatomy.root import trace_root
from siteplan.anatomy.root_crown import crown_is_last, crown_told
from siteplan.anatomy.root_rough import Ground, RoughRoot
from siteplan.anatomy.root_starts import MOST_SD_MM, Answers, answers_of
from siteplan.anatomy.sample import sampler
from siteplan.errors import GeometryError

GROUND = Ground(None, np.zeros(0, dtype=np.float32), Levels(-1000.0, 50.0, 1500.0))  # type: ignore[arg-type]


def rough(length_mm: float, lean_deg: float = 0.0) -> RoughRoot:
    """From the crest at z = 0 downwards, leaning in x."""
    lean = np.radians(lean_deg)
    axis = np.array([np.sin(lean), 0.0, -np.cos(lean)])
    a = np.array([np.cos(lean), 0.0, np.sin(lean)])
    height = np.arange(0.0, length_mm + 0.01, 0.4)
    return RoughRoot(
        np.zeros(3),
        axis,
        a,
        np.cross(axis, a),
        height,
        np.arange(4) * np.pi / 2,
        np.full((len(height), 4), 2.0),
        1.0,
        0.5,
    )


def asked(monkeypatch: pytest.MonkeyPatch, first: RoughRoot, others: list[RoughRoot], over: float = 99.0) -> Answers:
    """Answers when the other starts give `others`; those longer than `over` mm have run on into a plate."""
    waiting = list(others)

    def next_one(ground: Ground, near: ArrayLike) -> RoughRoot:
        return waiting.pop(0)

    monkeypatch.setattr(root_starts, "rough_root", next_one)
    return answers_of(GROUND, first, (), lambda r: max(0.0, float(r.height_mm[-1]) - over))


def test_starts_that_agree_say_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    found = asked(monkeypatch, rough(12.0), [rough(12.8), rough(11.2, 5.0), rough(12.0).turned()])
    assert (found.agree, found.asked, found.words, found.sd_mm) == (3, 3, "", 0.0)


def test_the_interval_spans_both_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """8 mm deeper: 1.96 standard deviations reach there, by the normal distribution's table."""
    found = asked(monkeypatch, rough(12.0), [rough(12.0), rough(20.0), rough(12.4)])
    assert (found.agree, found.asked) == (2, 3)
    assert 1.96 * found.sd_mm == pytest.approx(8.0, abs=0.01)
    assert "8 mm deeper" in found.words


def test_an_answer_in_a_plate_is_not_chosen_though_most_give_it(monkeypatch: pytest.MonkeyPatch) -> None:
    found = asked(monkeypatch, rough(20.0), [rough(20.0), rough(20.4), rough(12.0)], over=16.0)
    assert found.rough.height_mm[-1] == pytest.approx(12.0)
    assert found.deeper_mm == pytest.approx(8.4)


def test_an_axis_that_leans_another_way_is_another_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    found = asked(monkeypatch, rough(4.0), [rough(4.0, 25.0), rough(4.0), rough(4.0)])
    assert found.lean_deg == pytest.approx(25.0)
    assert found.apart_mm >= root_starts.APART_MM
    assert found.words


def test_no_interval_is_wider_than_a_case_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    found = asked(monkeypatch, rough(12.0), [rough(12.0), rough(30.0), rough(12.0)])
    assert found.sd_mm == MOST_SD_MM
    assert "18 mm deeper" in found.words


def test_clicks_on_one_root_are_compared_and_on_two_are_refused() -> None:
    phantom = root_phantom(1, Quality(0.5, 0.3, 30.0))
    along = phantom.tip_lps_mm - phantom.base_lps_mm
    clicks = phantom.base_lps_mm + np.array([[0.4], [0.7]]) * along
    root = trace_root(phantom.scan, clicks)
    assert np.linalg.norm(root.apex_lps_mm - phantom.tip_lps_mm) < 0.8
    assert "from 2 clicks" in root.structure.note
    assert "another root" not in root.structure.note
    beside = np.cross(along, [0.0, 0.0, 1.0]) + np.array([6.0, 0.0, 0.0])
    with pytest.raises(GeometryError, match=r"point 2 lies \d mm beside"):
        trace_root(phantom.scan, np.stack([clicks[0], clicks[0] + 6.0 * beside / np.linalg.norm(beside)]))


@pytest.mark.parametrize("crown_last", [False, True])
def test_enamel_tells_the_crown_where_neighbours_leave_no_air(crown_last: bool) -> None:
    """A rod of dentine, a third of it twice as bright, bone all around: enamel holds about twice dentine's mineral."""
    line = np.arange(-12.0, 12.01, 0.5)
    z, y, x = np.meshgrid(line, line, line, indexing="ij")
    grey = np.where(np.hypot(x, y) < 2.0, 1500.0, 600.0)
    bright = z < -3.0 if crown_last else z > 3.0
    grey = np.where((np.hypot(x, y) < 2.0) & bright, 2600.0, grey).astype(np.float32)
    scan = as_scan(grey, 0.5, np.full(3, line[0]))
    middle = rough(18.0)
    here = RoughRoot(
        np.array([0.0, 0.0, 9.0]),
        middle.axis,
        middle.a,
        middle.b,
        middle.height_mm,
        middle.turn_rad,
        middle.radius_mm,
        1500.0,
        1000.0,
    )
    source = sampler(scan, np.array([[0.0, 0.0, 9.0], [0.0, 0.0, -9.0]]), 6.0)
    assert crown_told(source, here, Levels(None, 50.0, 1500.0)) is crown_last


def test_fewer_data_than_unknowns_leave_what_was_known() -> None:
    """A straight line through one point of a thousand times the noise: no data, so the prior and its own spread."""
    t = np.array([0.0, 1.0, 2.0, 3.0])
    data = np.array([[1.0, 3.0, 5.0, 7.0], [9e5, 0.0, 0.0, 0.0]])
    good = np.array([[True] * 4, [True, False, False, False]])

    def model(x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        return data - (x[:, :1] + x[:, 1:] * t), np.stack([np.ones((2, 4)), np.broadcast_to(t, (2, 4))], axis=-1)

    known = Known(np.zeros((2, 2)), np.full((2, 2), 3.0))
    bound = np.full(2, np.inf)
    fitted = fit_many(model, np.zeros((2, 2)), known, good, independent=1.0, low=-bound, high=bound)
    assert fitted.x[0] == pytest.approx([1.0, 2.0], abs=0.01)
    assert fitted.x[1] == pytest.approx([0.0, 0.0])
    assert fitted.sd[1] == pytest.approx([3.0, 3.0])


@pytest.mark.parametrize(("open_above_mm", "last", "sure"), [(3.0, False, False), (99.0, True, True)])
def test_a_narrow_crown_in_soft_tissue_is_no_tip(open_above_mm: float, last: bool, sure: bool) -> None:
    """A rod that narrows upwards, as an incisor seen from its side: with its top out of the bone that is its crown.

    Width and place disagree then, which is not sure. In bone all round only the width tells.
    """
    line = np.arange(-12.0, 12.01, 0.5)
    z, y, x = np.meshgrid(line, line, line, indexing="ij")
    grey = np.where(z > open_above_mm, 50.0, 600.0)
    grey = np.where(np.hypot(x, y) < 2.0 - 0.02 * z, 1500.0, grey).astype(np.float32)
    scan = as_scan(grey, 0.5, np.full(3, line[0]))
    height = rough(18.0).height_mm
    radius = np.repeat((2.0 - 0.02 * (9.0 - height))[:, None], 4, axis=1)
    here = replace(rough(18.0), centre_lps_mm=np.array([0.0, 0.0, 9.0]), radius_mm=radius)
    source = sampler(scan, np.array([[0.0, 0.0, 9.0], [0.0, 0.0, -9.0]]), 6.0)
    assert crown_is_last(source, here, radius, Levels(None, 50.0, 1500.0)) == (last, sure)


def test_dentine_is_no_metal_where_a_field_holds_little_dense_bone() -> None:
    """Dentine is 1500 to 1900 HU and titanium beyond 3000 (from memory); air is -1000 HU by definition."""
    little = Levels(-1000.0, 50.0, 1100.0)
    assert 1900.0 < little.metal_edge < 3000.0
