"""Exports that all tests of standard objects share: an invented patient who is told everywhere, and both samples."""

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from siteplan.objects import ObjectKind
from siteplan.report import Identity

# The import mode of the suite would not find modules that tests or several folders share.
sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
sys.path.insert(0, str(Path(__file__).parents[1] / "handover"))
sys.path.insert(0, str(Path(__file__).parent))

from exports import QUICK, Export, exported  # found by the lines above
from telling_patient import write_patient


@pytest.fixture(scope="session")
def told(tmp_path_factory: pytest.TempPathFactory) -> Export:
    """Every kind without identity, of a patient whose name stands wherever a program could pick it up."""
    case = write_patient(tmp_path_factory.mktemp("told") / "Quentino Xaverine")
    return exported(case, tmp_path_factory.mktemp("none"), Identity.NONE, tuple(ObjectKind))


@pytest.fixture(scope="session")
def lower(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Export:
    """The lower sample as given."""
    return exported(
        root / "sample_volumes/lower_jaw/case.json", tmp_path_factory.mktemp("lower"), Identity.AS_GIVEN, QUICK
    )


@pytest.fixture(scope="session")
def upper(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Export:
    """The upper sample with initials, its calibration taken away."""
    return exported(
        root / "sample_volumes/upper_jaw/case.json",
        tmp_path_factory.mktemp("upper"),
        Identity.INITIALS,
        QUICK,
        calibrated=False,
    )


@pytest.fixture(params=["told", "lower", "upper"])
def each(request: pytest.FixtureRequest) -> Export:
    """Each of the three exports."""
    found: Export = request.getfixturevalue(request.param)
    return found


@pytest.fixture(scope="session")
def tool() -> Callable[..., "subprocess.CompletedProcess[str]"]:
    """Runs a program of others; skips with a reason where it is not installed."""

    def run(name: str, *arguments: str) -> "subprocess.CompletedProcess[str]":
        if shutil.which(name) is None:
            pytest.skip(f"{name} is not installed")
        return subprocess.run([name, *arguments], capture_output=True, text=True, check=False, timeout=60)

    return run
