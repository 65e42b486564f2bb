"""The window in a real display, or the reason why not; pictures of its states for a person to look at."""

from __future__ import annotations

import contextlib
import gc
import json
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from viewer.measuring import MeasureRequest

with contextlib.suppress(ImportError):  # without Qt the folder is skipped as a whole, see tests/conftest.py
    from PySide6.QtWidgets import QApplication, QWidget

    from tests.viewer.hands import MEASURED_MS, SOON_MS, settle


@pytest.fixture(scope="session")
def display() -> None:
    """Skip, with the reason, where no window can be shown."""
    has_one = any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY"))
    if sys.platform.startswith("linux") and not has_one and os.environ.get("QT_QPA_PLATFORM") != "offscreen":
        pytest.skip("there is no display; run the tests with xvfb-run")


@pytest.fixture(autouse=True)
def state_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Recovery files and locks of a test of its own."""
    monkeypatch.setenv("SITEPLAN_STATE", str(tmp_path / "state"))
    return tmp_path / "state"


@pytest.fixture
def sample(root: Path, tmp_path: Path) -> Path:
    """The lower-jaw sample in a folder that a test may write to, with two of its sites to save time; its case file."""
    folder = tmp_path / "lower_jaw"
    shutil.copytree(root / "sample_volumes" / "lower_jaw", folder)
    path = folder / "case.json"
    case = json.loads(path.read_text())
    case["sites"] = [site for site in case["sites"] if site["tooth"] != 36]
    path.write_text(json.dumps(case))
    return path


@pytest.fixture
def shoot() -> Callable[[QWidget, str], Path]:
    """Write a picture of a widget to the folder SITEPLAN_SHOTS, or to nowhere."""

    def take(widget: QWidget, name: str) -> Path:
        folder = os.environ.get("SITEPLAN_SHOTS")
        QApplication.processEvents()
        picture = widget.grab()
        assert not picture.isNull()
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            picture.save(str(Path(folder) / f"{name}.png"))
        return Path(folder or ".") / f"{name}.png"

    return take


@pytest.fixture
def window(display: None, request: pytest.FixtureRequest) -> Iterator[QWidget]:
    """An empty main window on the screen."""
    qtbot = request.getfixturevalue("qtbot")
    from viewer.app import dress, take_apart
    from viewer.window import MainWindow

    app = QApplication.instance()
    assert isinstance(app, QApplication)
    dress(app)
    made = MainWindow()
    made.setProperty("quiet", True)
    made.show()
    qtbot.waitExposed(made)
    made.activateWindow()  # Xvfb has no window manager that would do it, and keys go to the active window only
    qtbot.waitUntil(made.isActiveWindow, timeout=SOON_MS)
    yield made
    session = made.desk.session
    if session is not None:
        session._saved = session._kept  # a test that ends has nothing left to ask about
    made.close()
    take_apart(made)
    del made
    gc.collect()


@pytest.fixture(scope="session")
def measured_before() -> dict[tuple[str, ...], object]:
    """Full findings of the sample as it lies on disk. They never change, and cost five seconds of work each time."""
    return {}


@pytest.fixture
def opened(
    window: QWidget, sample: Path, request: pytest.FixtureRequest, measured_before: dict[tuple[str, ...], object]
) -> QWidget:
    """The window with the sample case open and measured in full: really, the first time; then as it was measured.

    Only the very same site of the very same case is taken from memory, and only until the case is open: whatever a test
    then does is measured.
    """
    from viewer import desk_asks

    qtbot = request.getfixturevalue("qtbot")
    really, case = desk_asks.measure, sample.read_text()

    def once(asked: MeasureRequest) -> object:
        if asked.rest is not None:
            return really(asked)
        sites = (asked.entry, *(entry for entry, _fixture in asked.others))
        key = (case, *(site.model_dump_json() for site in sites))
        if key not in measured_before:
            measured_before[key] = really(asked)
        return measured_before[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(desk_asks, "measure", once)
        window.open(sample)
        qtbot.waitUntil(lambda: window.desk.session is not None, timeout=MEASURED_MS)
        settle(window, qtbot)
    return window
