"""Structures in the window: proposed without a click, decided by a person, corrected by dragging, marked by a click."""

import json
import shutil

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from siteplan.anatomy import MadeBy
from siteplan.anatomy.canal import NEIGHBOURHOOD_MM
from tests.viewer.hands import MEASURED_MS, drag, rest, settle
from viewer.texts import say
from viewer.undecided import find_structure, undecided

pytestmark = pytest.mark.display

CTRL = Qt.KeyboardModifier.ControlModifier


def _canal_truth(sample) -> np.ndarray:
    return np.array(json.loads(sample.with_name("truth.json").read_text())["canal"]["centreline_mm"])


def _gap(points, line) -> np.ndarray:
    return np.linalg.norm(np.asarray(points)[:, None] - line[None], axis=2).min(axis=1)


@pytest.fixture
def without_canal(opened, qtbot):
    """The sample as it was before anybody drew its canal."""
    session = opened.desk.session
    session.change(session.plan.without_structure("mandibular canal"), "remove")
    settle(opened, qtbot)
    return opened


def test_a_proposed_canal_is_used_by_no_verdict_before_a_person_says_so(without_canal, sample, qtbot, shoot):
    window, desk = without_canal, without_canal.desk
    QTest.keyClick(window, Qt.Key.Key_P, CTRL)
    qtbot.waitUntil(lambda: bool(desk.plan.proposals), timeout=MEASURED_MS)
    settle(window, qtbot)
    (proposal,) = desk.plan.proposals  # the field of the sample holds one side
    assert _gap(proposal.points_mm, _canal_truth(sample)).mean() < 0.4  # the bar for a traced centreline
    assert proposal.made_by is MadeBy.FOUND
    assert window.space.decision.isVisible()
    assert proposal.name in window.space.decision.text()
    assert "canal" not in {c.kind for c in desk.measured[35].clearances}
    assert proposal.name not in json.dumps(desk.plan.checked_case().as_json())
    shown = [s for s in window.space.section.cut.structures if s.proposed]
    assert [s.structure.name for s in shown] == [proposal.name]
    shoot(window, "30_proposed")
    first = desk.look.offset_mm
    QTest.keyClick(window, Qt.Key.Key_J, CTRL)
    assert desk.look.offset_mm != first
    QTest.keyClick(window, Qt.Key.Key_Return, CTRL)
    assert desk.plan.proposals == ()
    settle(window, qtbot)
    assert find_structure(desk.plan, proposal.name).made_by is MadeBy.CONFIRMED
    assert "canal" in {c.kind for c in desk.measured[35].clearances}
    assert not window.space.decision.isVisible()
    QTest.keyClick(window, Qt.Key.Key_Z, CTRL)
    assert desk.plan.proposals == (proposal,)
    QTest.mouseClick(window.space.decision.reject_button, Qt.MouseButton.LeftButton)
    assert desk.plan.proposals == ()
    assert not undecided(desk.plan)
    QTest.keyClick(window, Qt.Key.Key_Z, CTRL)
    assert desk.plan.proposals == (proposal,)


def test_escape_gives_up_what_takes_long(without_canal, qtbot):
    window, desk = without_canal, without_canal.desk
    before = desk.plan
    QTest.keyClick(window, Qt.Key.Key_P, CTRL)
    assert window.actions_.structures.proposer.busy
    QTest.keyClick(window, Qt.Key.Key_Escape)
    assert window.space.told.text() == say("app.given-up")
    qtbot.waitUntil(lambda: not window.actions_.structures.proposer.busy, timeout=MEASURED_MS)
    rest(200)
    assert desk.plan == before


def test_a_dragged_canal_point_stays_where_it_is_put_and_far_points_do_not_move(opened, qtbot, shoot):
    desk, section = opened.desk, opened.space.section
    before = find_structure(desk.plan, "mandibular canal")
    crossing = next(c for c in section.cut.crossings if c.name == "mandibular canal")
    start = section.crossing_px(crossing).toPoint()
    goal = start + QPoint(round(0.8 * section.glass().scale), 0)
    place = section.plane().to_lps(*section.glass().to_mm(goal.toPointF()))
    drag(section, start, goal)
    qtbot.waitUntil(lambda: desk.session.unsaved, timeout=MEASURED_MS)
    after = find_structure(desk.plan, "mandibular canal")
    # The hand holds the line where it crosses the picture; the point that moves is the nearest one of the line.
    assert _gap([place], after.shape.points_lps_mm)[0] < 0.1
    far = np.linalg.norm(before.shape.points_lps_mm - crossing.at_lps_mm, axis=1) > NEIGHBOURHOOD_MM + 1.0
    assert far.any()
    assert _gap(before.shape.points_lps_mm[far], after.shape.points_lps_mm).max() < 1e-3
    assert after.made_by is MadeBy.FOUND  # what was changed has to be looked at again
    settle(opened, qtbot)
    assert opened.space.decision.isVisible()
    shoot(opened, "31_corrected")
    QTest.keyClick(opened, Qt.Key.Key_Z, CTRL)
    assert np.array_equal(find_structure(desk.plan, "mandibular canal").shape.points_lps_mm, before.shape.points_lps_mm)


def test_a_root_is_marked_by_one_click(opened, sample, qtbot, shoot):
    desk, work = opened.desk, opened.actions_.structures
    truth = json.loads(sample.with_name("truth.json").read_text())
    root = truth["root"]
    desk.session.change(desk.plan.without_structure("root of 34"), "remove")
    settle(opened, qtbot)
    middle = (np.array(root["base_mm"]) + np.array(root["tip_mm"])) / 2
    offset = float(desk.look.anchor.from_lps(middle)[2])
    desk.step(round(offset * 2) / 2)
    settle(opened, qtbot)
    work.root()
    section = opened.space.section
    u, v, _ = section.plane().from_lps(middle)
    QTest.mouseClick(section, Qt.MouseButton.LeftButton, pos=section.glass().to_px(float(u), float(v)).toPoint())
    looking = say("near.tracing")
    qtbot.waitUntil(lambda: opened.space.told.text() != looking, timeout=MEASURED_MS)
    assert any(s.kind == "root" for s in desk.plan.case.structures), opened.space.told.text()
    settle(opened, qtbot)
    shoot(opened, "32_root")
    entry = next(s for s in desk.plan.case.structures if s.kind == "root")
    assert entry.made_by is MadeBy.FOUND
    cone = find_structure(desk.plan, entry.name).shape
    assert np.linalg.norm(cone.points_lps_mm - middle, axis=1).max() < 1.2 * np.linalg.norm(
        np.subtract(root["tip_mm"], root["base_mm"])
    )
    assert entry.name in opened.space.decision.text()


def test_a_sinus_floor_is_found_near_the_site(window, root, tmp_path, qtbot, shoot):
    folder = tmp_path / "upper_jaw"
    shutil.copytree(root / "sample_volumes" / "upper_jaw", folder)
    path = folder / "case.json"
    case = json.loads(path.read_text())
    case["sites"] = [site | {"planned_contacts": []} for site in case["sites"] if site["tooth"] == 16]
    case["structures"] = []
    path.write_text(json.dumps(case))
    window.open(path)
    qtbot.waitUntil(lambda: window.desk.entry is not None and window.desk.library is not None, timeout=MEASURED_MS)
    settle(window, qtbot)
    menu = window.actions_.structures.make_menu()
    next(a for a in menu.actions() if a.text() == say("near.floor")).trigger()
    qtbot.waitUntil(lambda: bool(window.desk.plan.case.structures), timeout=MEASURED_MS)
    settle(window, qtbot)
    shoot(window, "33_floor")
    (floor,) = window.desk.plan.case.structures
    assert floor.made_by is MadeBy.FOUND
    truth = json.loads((folder / "truth.json").read_text())["sinus"]
    points = np.array(floor.surface.points_mm) - truth["centre_mm"]
    shares = np.linalg.norm(points @ np.array(truth["axes"]).T / truth["semi_axes_mm"], axis=1)
    # Closed form: the floor lies on the ellipsoid of which the sample's cavity was made; 0.5 mm of its 7 mm half axis.
    assert np.median(np.abs(shares - 1.0)) < 0.5 / 7.0
    QTest.mouseClick(window.space.decision.confirm_button, Qt.MouseButton.LeftButton)
    assert window.desk.plan.case.structures[0].made_by is MadeBy.CONFIRMED
    settle(window, qtbot)
