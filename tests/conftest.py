"""What all tests share: where the scans and phantoms beside the checkout are, and whether Qt can be loaded here."""

import os
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from siteplan.findings import Findings

ROOT = Path(__file__).resolve().parent.parent

# pytest-qt ends the whole run where Qt's own libraries are missing (a Debian without glib or OpenGL), so pyproject.toml
# keeps it from loading by itself and it is loaded here where Qt works.
try:
    import PySide6.QtWidgets  # noqa: F401 (the trial is the import)

    NO_QT = ""
except ImportError as error:
    NO_QT = f"Qt cannot be loaded on this machine: {error}"

pytest_plugins = [] if NO_QT else ["pytestqt.plugin"]


class _SkippedFolder(pytest.Directory):
    """The window's tests where there is no Qt: skipped with the reason, not an error."""

    def collect(self) -> list[pytest.Item]:
        pytest.skip(NO_QT, allow_module_level=True)


def pytest_collect_directory(path: Path, parent: pytest.Collector) -> pytest.Directory | None:
    """Skip the window's tests as a whole where Qt cannot be loaded."""
    if NO_QT and path == ROOT / "tests" / "viewer":
        return _SkippedFolder.from_parent(parent, path=path)
    return None


@pytest.fixture(scope="session")
def root() -> Path:
    """Top folder of the checkout."""
    return ROOT


@pytest.fixture(scope="session")
def assessed() -> "Callable[[str], Findings]":
    """Findings of a sample volume by its folder's name, made once for all rooms; `findings.case` is its case."""

    @cache
    def of(name: str) -> "Findings":
        import siteplan

        case = siteplan.load_case(ROOT / "sample_volumes" / name / "case.json")
        return siteplan.assess(siteplan.read_scan(case.series_path), case)

    return of


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder with the real head CT, the phantoms and the published values; not part of the project."""
    folder = ROOT.parent / "shared"
    if os.environ.get("CI"):
        pytest.skip("the shared scans are not used on CI")
    if not folder.is_dir():
        pytest.skip("the shared scans and phantoms are not beside this checkout")
    return folder
