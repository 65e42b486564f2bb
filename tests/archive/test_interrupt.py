"""Ctrl-C at any moment: the command ends soon, and nothing is half-written."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from places import at, dimse_place, nothing_left, web_place

SCRIPT = (
    "import signal, sys\n"
    "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell's background jobs begin without it
    "from siteplan.cli import main\n"
    "sys.exit(main(sys.argv[1:]))"
)


@pytest.mark.skipif(os.name != "posix", reason="the interrupt is a POSIX signal")
@pytest.mark.parametrize("way", ["web", "get"])
def test_ctrl_c_while_nobody_answers(way: str, silent_port: int, tmp_path: Path) -> None:
    settings = at(silent_port, way).settings_file(tmp_path, timeout_s=60)
    run = subprocess.Popen(
        [sys.executable, "-X", "importtime", "-c", SCRIPT, "fetch", "it", "--settings", str(settings), "--check"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    )
    last = "siteplan.archive.web" if way == "web" else "siteplan.archive.receive"
    assert run.stderr is not None
    for line in run.stderr:
        if line.rstrip().endswith(last):  # the libraries are loaded now, what follows is waiting
            break
    time.sleep(0.7)
    run.send_signal(signal.SIGINT)
    _, said = run.communicate(timeout=15)
    assert run.returncode == 130, said
    assert "siteplan: stopped" in said


@pytest.mark.skipif(os.name != "posix", reason="the interrupt is a POSIX signal")
@pytest.mark.parametrize("way", ["web", "get", "move"])
def test_ctrl_c_stops_the_command(way: str, tmp_path: Path, make: ModuleType) -> None:
    """SIGINT to `siteplan fetch` while the archive dawdles: it ends soon, with 130, and the target is not there."""
    hold = threading.Event()

    def slow(item: Any) -> Any:
        if getattr(item, "command", "") == "GET" and "multipart" not in item.headers.get("Accept", ""):
            return False
        hold.wait(20)
        return item if way != "web" else False

    with web_place() if way == "web" else dimse_place(way, spoil=slow) as place:
        if way == "web":
            place.server.trick = slow
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        settings = place.settings_file(tmp_path, timeout_s=60)
        command = [sys.executable, "-c", SCRIPT, "fetch", "it", "--settings", str(settings)]
        run = subprocess.Popen(
            [*command, "--study", "2.25.1000", "--out", str(tmp_path / "got")],
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
        )
        for _ in range(200):
            if list(tmp_path.glob(".got*")):
                break
            time.sleep(0.05)
        time.sleep(0.3)
        run.send_signal(signal.SIGINT)
        _, said = run.communicate(timeout=15)
        hold.set()
    assert run.returncode == 130, said
    assert "stopped" in said
    assert "Traceback" not in said
    assert nothing_left(tmp_path)
