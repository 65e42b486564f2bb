"""Opens one scan in the real window and prints, as JSON, what that took; a process of its own, so that memory counts.

After opening, two sites far apart in the jaw are planned and measured, and the 3D view is opened and turned.

`python tests/benchmarks/window_child.py FOLDER`
"""

import gc
import json
import os
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("SITEPLAN_STATE", tempfile.mkdtemp())

import numpy as np
from PySide6.QtCore import QEventLoop, Qt, QTimer
from PySide6.QtWidgets import QApplication

from siteplan.case import SiteEntry
from siteplan.scan import read_scan
from viewer import warming
from viewer.app import SWITCH_S, dress
from viewer.giving_back import one_store
from viewer.solid_view import show_solid
from viewer.window import MainWindow

LOADS = 5
SETTLED_S = 120.0
TICK_MS = 4
"""How often the main thread is asked what it has done: without a pause, asking alone would keep one core busy."""
TEETH = (36, 46)


def resident_mb(name: str = "VmRSS") -> float:
    """Memory of this process now, or at its highest (VmHWM), in millions of bytes as the volume is."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return 1024 * int(next(line for line in lines if line.startswith(name)).split()[1]) / 1e6


def wait(ms: float) -> None:
    """Let Qt work."""
    end = time.perf_counter() + ms / 1e3
    while time.perf_counter() < end:
        QApplication.processEvents(QEventLoop.ProcessEventsFlag.AllEvents, 2)
        time.sleep(0.0005)


def open_solid(window: MainWindow) -> bool:
    """Plan a site at each side, wait for its numbers, open the 3D view and turn it; whether there was a picture."""
    session, points = window.desk.session, window.space.arch.points
    assert session is not None
    plan = session.plan
    for tooth, crest in zip(TEETH, (points[1], points[-2]), strict=True):
        site = SiteEntry(tooth=tooth, crest_mm=tuple(crest), axis=(0, 0, -1), buccal=(np.sign(crest[0]) or 1, 0, 0))
        plan = plan.with_site(site)
    session.change(plan, "two sites")
    until = time.perf_counter() + SETTLED_S
    while time.perf_counter() < until and (window.desk.busy or len(window.desk.measured) < len(TEETH)):
        wait(50)
    dialog = show_solid(window)
    assert dialog is not None
    while time.perf_counter() < until and dialog.canvas.image is None:
        wait(50)
    for _ in range(20 if dialog.canvas.image is not None else 0):  # a machine without OpenGL has no picture to turn
        dialog.canvas._turn(dialog.canvas._camera, 0.1, 0.0)
        wait(60)
    wait(1500)
    return dialog.canvas.image is not None


def main(folder: Path) -> None:
    """Load by itself, then open in the window."""
    one_store()  # as the program does
    app = QApplication([])
    dress(app)
    sys.setswitchinterval(SWITCH_S)
    window = MainWindow()
    window.show()
    wait(300)
    warming.begin().join()  # as the program does; a person needs longer to choose a folder
    empty = resident_mb()
    loads, cpu = [], []
    for _ in range(LOADS):
        start, used = time.perf_counter(), time.process_time()
        scan = read_scan(folder)
        loads.append(time.perf_counter() - start)
        cpu.append(time.process_time() - used)
        volume = scan.voxels.nbytes / 1e6
        del scan
    gc.collect()
    turns: list[tuple[float, float]] = []
    last = [time.perf_counter(), time.thread_time()]

    def tick() -> None:
        now = [time.perf_counter(), time.thread_time()]
        turns.append((now[0] - last[0], now[1] - last[1]))
        last[:] = now

    timer = QTimer()
    timer.setInterval(TICK_MS)
    timer.setTimerType(Qt.TimerType.PreciseTimer)
    timer.timeout.connect(tick)
    timer.start()
    picture: list[float] = []
    start, used = time.perf_counter(), time.process_time()
    window.first.done.connect(lambda *_answer: picture.append(time.perf_counter() - start))
    window.open(folder)
    while window.pages.currentWidget() is not window.space and time.perf_counter() - start < SETTLED_S:
        wait(1)
    usable, usable_cpu = time.perf_counter() - start, time.process_time() - used
    adding = window.actions_.adding
    channels = (adding.finder, adding.axial)
    while time.perf_counter() - start < SETTLED_S and (window.desk.busy or any(one.busy for one in channels)):
        wait(50)
    wait(500)
    now, highest = resident_mb(), resident_mb("VmHWM")
    solid = open_solid(window)
    answer = {
        "shown": window.pages.currentWidget() is window.space,
        "arch_points": len(window.space.arch.points),
        "load_s": sorted(loads)[LOADS // 2],
        "load_cpu_s": sorted(cpu)[LOADS // 2],
        "picture_s": picture[0] if picture else None,
        "usable_s": usable,
        "usable_cpu_s": usable_cpu,
        "settled_s": time.perf_counter() - start,
        "longest_turn_ms": 1e3 * max(wall for wall, _ in turns),
        "longest_turn_cpu_ms": 1e3 * max(own for _, own in turns),
        "volume_mb": volume,
        "memory_now": (now - empty) / volume,
        "memory_peak": (highest - empty) / volume,
        "empty_mb": empty,
        "solid": solid,
        "memory_solid": (resident_mb() - empty) / volume,
        "memory_solid_peak": (resident_mb("VmHWM") - empty) / volume,
    }
    print(json.dumps(answer))
    window._leave_session()  # the lock goes
    window.desk.close()
    sys.stdout.flush()
    os._exit(0)  # a measurement is over; nothing was changed that a window would have to ask about


if __name__ == "__main__":
    main(Path(sys.argv[1]))
