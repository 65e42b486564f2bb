"""Opens one scan in the real window and prints, as JSON, what that took; a process of its own, so that memory counts.

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

from PySide6.QtCore import QEventLoop, QTimer
from PySide6.QtWidgets import QApplication

from siteplan.scan import read_scan
from viewer.app import SWITCH_S, dress
from viewer.window import MainWindow

LOADS = 5
SETTLED_S = 60.0


def resident_mb(name: str = "VmRSS") -> float:
    """Memory of this process now, or at its highest (VmHWM)."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith(name)).split()[1]) / 1e3


def wait(ms: float) -> None:
    """Let Qt work."""
    end = time.perf_counter() + ms / 1e3
    while time.perf_counter() < end:
        QApplication.processEvents(QEventLoop.ProcessEventsFlag.AllEvents, 2)
        time.sleep(0.0005)


def main(folder: Path) -> None:
    """Load by itself, then open in the window."""
    app = QApplication([])
    dress(app)
    sys.setswitchinterval(SWITCH_S)
    window = MainWindow()
    window.show()
    wait(300)
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
    timer.setInterval(0)
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
        "memory_now": (resident_mb() - empty) / volume,
        "memory_peak": (resident_mb("VmHWM") - empty) / volume,
    }
    print(json.dumps(answer))
    window.desk.close()
    sys.stdout.flush()
    os._exit(0)  # a measurement is over; nothing was changed that a window would have to ask about


if __name__ == "__main__":
    main(Path(sys.argv[1]))
