"""How fast the window follows a hand, as ratios to one SimpleITK resample of the same section in the same run."""

import statistics
import time

import numpy as np
import pytest
import SimpleITK as sitk
from PySide6.QtCore import QTimer

from siteplan.assessment import assess_site, load_library
from siteplan.scan import read_scan
from viewer import edits
from viewer.look import DEPTH_RANGE_MM, REACH_MM, Look
from viewer.measuring import MeasureRequest, fixture_named, measure
from viewer.pictures import CutRequest, fixture_outlines, make_cut
from viewer.session import read_plan

ROUNDS = 15
AIM = 5.0
"""Wanted ratio of drag-to-updated-section-and-numbers to one SimpleITK resample."""
TWO_FRAMES_MS = 2 * 1000 / 60


def _median(work) -> float:
    times = []
    for round_ in range(ROUNDS):
        start = time.perf_counter()
        work(round_)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


@pytest.fixture(scope="module")
def setting(root):
    plan, file = read_plan(root / "sample_volumes" / "lower_jaw" / "case.json")
    scan = read_scan(file.series_path)
    library = load_library(scan, file)
    rest = assess_site(scan, plan.sites[0], library)
    return scan, library, plan.sites[0], rest


def _resample_seconds(scan, look: Look) -> float:
    """One cubic SimpleITK resample of the large section from the whole volume, what a viewer without us would do."""
    image = sitk.GetImageFromArray(scan.values((slice(None), slice(None), slice(None))))
    image.SetSpacing([float(s) for s in scan.spacing_kji_mm[::-1]])
    image.SetOrigin([float(x) for x in scan.affine[:3, 3]])
    image.SetDirection([float(x) for x in (scan.affine[:3, :3] / np.array(scan.spacing_kji_mm[::-1])).ravel()])
    frame = look.frame()
    step = min(scan.spacing_kji_mm)
    size = [int(2 * REACH_MM / step), int((DEPTH_RANGE_MM[1] - DEPTH_RANGE_MM[0]) / step), 1]
    origin = frame.to_lps(DEPTH_RANGE_MM[0], -REACH_MM, 0.0)
    third = np.cross(frame.buccal, frame.axis)
    direction = np.stack([frame.buccal, frame.axis, third], axis=1)

    def once(_round: int) -> None:
        sitk.Resample(image, size, sitk.Transform(), sitk.sitkBSpline3, [float(x) for x in origin], [step] * 3,
                      [float(x) for x in direction.ravel()], 0.0, sitk.sitkFloat32)  # fmt: skip

    return _median(once)


def test_drag_to_section_and_numbers(setting, capsys):
    """A drag across the picture: outline and distances; a drag out of it: a new section as well."""
    scan, library, entry, rest = setting
    look = Look(entry.frame())
    fixture = fixture_named(library, entry.fixture)
    structures = tuple((s, library.margins.of(s.kind).value_mm) for s in library.structures)
    base = _resample_seconds(scan, look)

    def numbers(round_: int) -> None:
        moved = edits.moved(entry, 0.05 * round_ * entry.frame().buccal)
        fixture_outlines(moved, fixture, look.plane())
        measure(MeasureRequest(scan, moved, library, (), rest=rest))

    def section(round_: int) -> None:
        make_cut(CutRequest(scan, Look(entry.frame(), 0.1 * round_, 3.0 * round_), structures, (), False))

    def bone(round_: int) -> None:
        moved = edits.moved(entry, 0.05 * round_ * entry.frame().buccal)
        measure(MeasureRequest(scan, moved, library, (), rest=rest, bone_too=True))

    in_plane, cut, with_bone = _median(numbers), _median(section), _median(bone)
    with capsys.disabled():
        print(
            f"\none SimpleITK resample {1e3 * base:.1f} ms; outline and distances {1e3 * in_plane:.1f} ms "
            f"({in_plane / base:.2f}); quick section {1e3 * cut:.1f} ms ({cut / base:.2f}); both "
            f"{(in_plane + cut) / base:.2f}; distances with bone read anew {1e3 * with_bone:.1f} ms "
            f"({with_bone / base:.2f})"
        )
    assert (in_plane + cut) / base < AIM


@pytest.mark.display
def test_event_loop_stays_free_while_dragging(request, root, capsys):
    """How long the main thread answers nothing, while a hand drags and workers measure.

    Checked: the window's own work for one step of the hand stays within two frames. Printed: the gaps, in which the
    interpreter lock and whatever else runs here take part; the goal is none beyond two frames.
    """
    import os

    if not os.environ.get("DISPLAY"):
        pytest.skip("there is no display; run the tests with xvfb-run")
    qtbot = request.getfixturevalue("qtbot")
    from viewer.app import dress
    from viewer.desk import Desk
    from viewer.session import Session
    from viewer.workspace import Workspace

    dress(request.getfixturevalue("qapp"))
    plan, file = read_plan(root / "sample_volumes" / "lower_jaw" / "case.json")
    space = Workspace()
    space.resize(1400, 860)
    qtbot.addWidget(space)
    space.show()
    desk = Desk(space)
    desk.open(Session(read_scan(file.series_path), plan, file.folder, file.path))
    qtbot.waitUntil(lambda: len(desk.measured) == len(plan.sites) and not desk.busy, timeout=120_000)
    gaps, last, seen = [], [time.perf_counter()], []
    desk.channels["quick"].done.connect(lambda *_answer: seen.append(1))

    def tick() -> None:
        now = time.perf_counter()
        gaps.append(now - last[0])
        last[0] = now

    timer = QTimer()
    timer.setInterval(0)
    timer.timeout.connect(tick)
    section = space.section
    section._grip = "body"
    timer.start()
    last[0] = time.perf_counter()
    own = []
    for step in range(60):
        start = time.perf_counter()
        desk.hold(edits.moved(plan.sites[0], 0.03 * step * plan.sites[0].frame().buccal))
        own.append(time.perf_counter() - start)
        qtbot.wait(16)
    timer.stop()
    section._grip = ""
    desk.close()
    worst = 1e3 * max(gaps)
    blocked = sum(g for g in gaps if 1e3 * g > TWO_FRAMES_MS) / sum(gaps)
    with capsys.disabled():
        print(
            f"\nmain thread: longest {worst:.0f} ms, {blocked:.0%} of the drag in gaps longer than two frames; "
            f"{len(seen)} of 60 answers seen; "
            f"own work median {1e3 * statistics.median(own):.0f} ms, longest {1e3 * max(own):.0f} ms"
        )
    assert len(seen) > 5  # numbers follow while the hand still moves, not only when it rests
    assert statistics.median(own) * 1e3 < TWO_FRAMES_MS
