"""What the window no longer needs it lets go: old scans, numbers of sites that are gone, itself at the end."""

import gc
import os
import shutil
import subprocess
import sys
import tracemalloc
import weakref
from pathlib import Path

import numpy as np
import pytest

from siteplan.case import StructureEntry
from viewer import edits
from viewer.session import Session, read_plan

CHANGES = 400
MOST_BYTES = 6_000
"""Of memory for one step of the history (our own bar): ten thousand changes then take as much as one small scan."""


def test_a_step_of_the_history_keeps_what_changed_and_nothing_else(root):
    """As Python's own count of memory says, beside a surface of a megabyte that all steps share."""
    plan, _file = read_plan(root / "sample_volumes" / "lower_jaw" / "case.json")
    points = [(float(x), float(y), 0.0) for x in range(60) for y in range(60)]
    triangles = [(60 * x + y, 60 * x + y + 1, 60 * x + y + 60) for x in range(59) for y in range(59)]
    floor = {"name": "floor", "kind": "sinus-floor", "made_by": "drawn", "uncertainty_mm": 0.3,
             "surface": {"points_mm": points, "triangles": triangles}}  # fmt: skip
    plan = plan.with_structure(StructureEntry.model_validate(floor))
    session = Session(None, plan, Path())
    entry = plan.sites[0]
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    for _ in range(CHANGES):
        entry = edits.moved(entry, np.array([0.001, 0.0, 0.0]))
        session.show(session.plan.with_site(entry))  # in the hand: no step
        session.change(session.plan.with_site(entry), "moved")
        session.change(session.plan.with_site(entry), "not moved at all")  # no step either
    gc.collect()
    grown = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert len(session._past) == CHANGES
    assert grown < CHANGES * MOST_BYTES
    for _ in range(CHANGES):
        assert session.undo()
    session.change(session.plan.with_site(entry), "another way")
    assert session.redo_words == ""
    assert not session._future  # what can never come again is kept by nothing


@pytest.mark.display
def test_the_former_scan_and_its_numbers_go_when_another_is_opened(window, sample, qtbot):
    from tests.viewer.hands import MEASURED_MS, rest, settle

    desk = window.desk
    window.open(sample)  # not measured before by another test, which would keep the numbers
    qtbot.waitUntil(lambda: desk.session is not None, timeout=MEASURED_MS)
    settle(window, qtbot)
    former = weakref.ref(desk.session.scan)
    numbers = weakref.ref(next(iter(desk.measured.values())))
    other = sample.parent.parent / "other"
    shutil.copytree(sample.parent, other)
    window.open(other / "case.json")
    qtbot.waitUntil(lambda: desk.session.scan is not former(), timeout=MEASURED_MS)
    settle(window, qtbot)
    rest(50)
    gc.collect()
    assert former() is None, [type(x) for x in gc.get_referrers(former())]
    assert numbers() is None


@pytest.mark.display
def test_numbers_of_a_site_that_is_gone_go_with_it(opened, qtbot):
    from tests.viewer.hands import settle

    desk = opened.desk
    desk.nudge(0.1, 0.0)
    settle(opened, qtbot)
    gone = desk.tooth
    site = weakref.ref(desk.measured[gone].site)
    opened.actions_.adding.remove()
    settle(opened, qtbot)
    for known in (desk.measured, desk._measured_for, desk._last_full):
        assert gone not in known
    gc.collect()
    assert site() is None, [type(x) for x in gc.get_referrers(site())]
    opened.actions_.undo()
    settle(opened, qtbot)
    assert desk.measured[gone].site.placed is not None  # and they come again


ENDING = """
import sys
from PySide6.QtCore import QTimer
from viewer import app, window as window_module

order = []
real = window_module.MainWindow.__init__

def made(self):
    real(self)
    self.destroyed.connect(lambda: order.append("window"))
    self.space.section.destroyed.connect(lambda: order.append("section"))
    QTimer.singleShot(0, self.show_solid_later)

def later(self):
    if self.desk.session is None or self.desk.busy:
        QTimer.singleShot(50, self.show_solid_later)
        return
    self.actions_.solid()
    QTimer.singleShot(300, self.close)

window_module.MainWindow.__init__, window_module.MainWindow.show_solid_later = made, later
code = app.main([sys.argv[1]])
print("main ended", sorted(order), sys.excepthook is sys.__excepthook__, flush=True)
sys.exit(code)
"""


@pytest.mark.display
def test_the_window_is_gone_before_the_interpreter_ends(display, sample, root, state_folder):
    """With the 3D view still open and being drawn, which is the hardest end."""
    env = {**os.environ, "SITEPLAN_STATE": str(state_folder)}
    run = subprocess.run([sys.executable, "-X", "faulthandler", "-c", ENDING, str(sample)], cwd=root, env=env,
                         text=True, capture_output=True, timeout=240, check=False)  # fmt: skip
    assert run.stdout.splitlines() == ["main ended ['section', 'window'] True"], run.stderr
    assert run.returncode == 0, run.stderr
    assert "Fatal" not in run.stderr
    assert "Traceback" not in run.stderr
