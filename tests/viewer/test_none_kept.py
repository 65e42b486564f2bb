"""A long session must not end the interpreter (see `viewer.none_kept`)."""

import os
import subprocess
import sys

CALLS = 300_000
"""More than the references that `None` has after everything is imported (about 70,000)."""


def test_the_window_survives_more_calls_than_none_has_references() -> None:
    script = (
        "import viewer\n"
        "from PySide6.QtCore import QCoreApplication, QObject\n"
        "app = QCoreApplication([])\n"
        "thing = QObject()\n"
        f"for _ in range({CALLS}): thing.setObjectName('x')\n"
        f"for _ in range({CALLS}): app.processEvents()\n"
        "print('alive')\n"
    )
    environment = dict(os.environ, QT_QPA_PLATFORM="offscreen")
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, env=environment, check=False)
    assert run.stdout.strip() == "alive", run.stderr[:300]
