"""Whether a window can be shown here, found out before Qt ends the process: it aborts where it cannot start."""

import os
import re
import subprocess
import sys

TRIAL_SECONDS = 60
_TRIAL = "from PySide6.QtWidgets import QApplication; QApplication(['trial']); print('started')"
_LIBRARY = re.compile(r"(lib[\w+-]+\.so[.\d]*)")
_PACKAGE_OF = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libdbus-1.so.3": "libdbus-1-3",
    "libfontconfig.so.1": "libfontconfig1",
    "libxcb-cursor.so.0": "libxcb-cursor0",
}
"""Debian's package for the libraries that a small system lacks most often."""


def why_not() -> str:
    """One sentence that says what to install or do; "" where a window can be shown."""
    if sys.platform.startswith("linux") and not _has_display():
        return (
            "there is no display to show a window on; run it on a desktop, or over ssh -X, or set DISPLAY. "
            "Everything else works without a window: siteplan --help."
        )
    try:
        done = subprocess.run(
            [sys.executable, "-c", _TRIAL], capture_output=True, text=True, timeout=TRIAL_SECONDS, check=False
        )
    except subprocess.TimeoutExpired:
        return f"the window did not start within {TRIAL_SECONDS} s; check the display and try again."
    if done.returncode == 0 and "started" in done.stdout:
        return ""
    return explain(done.stderr)


def explain(said: str) -> str:
    """What Qt or Python said, as one sentence with what to install."""
    if "No module named 'PySide6" in said:
        return 'the window needs PySide6; install it with: pip install "siteplan[window]".'
    missing = _LIBRARY.search(said) if "cannot open shared object file" in said else None
    if missing:
        package = _PACKAGE_OF.get(missing.group(1))
        where = f"on Debian: apt install {package}" if package else "install the package of your system that holds it"
        return f"the window needs the system library {missing.group(1)}; {where}."
    if "could not connect to display" in said:
        return "the display cannot be reached; check DISPLAY and whether this user may use it."
    if "xcb-cursor0" in said or "platform plugin" in said:
        return (
            "Qt finds no way to show a window; on Debian: apt install libxcb-cursor0 libxcb-icccm4 libxcb-image0 "
            "libxcb-keysyms1 libxcb-randr0 libxcb-render-util0 libxcb-shape0 libxcb-xinerama0 libxcb-xkb1 "
            "libxkbcommon-x11-0."
        )
    last = said.strip().splitlines()[-1][:200] if said.strip() else "no reason was given"
    return f"the window cannot start here ({last})."


def _has_display() -> bool:
    return any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"))
