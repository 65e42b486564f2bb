"""One assessed case for the room: two sites with fixtures, hostile and telling text in every field that takes text."""

import sys
from pathlib import Path

import pytest

import siteplan
from siteplan.findings import Findings

# The import mode of the suite would not find modules that only tests share.
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parent.parent / "report"))

from telling_patient import write_patient  # found by the lines above


@pytest.fixture(scope="session")
def case_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The case file, in a folder that is called after the patient."""
    return write_patient(tmp_path_factory.mktemp("told") / "Quentino Xaverine")


@pytest.fixture(scope="session")
def findings(case_path: Path) -> Findings:
    """The case, read from disk and assessed; its scan is `findings.scan`, its case file `findings.case`."""
    case = siteplan.load_case(case_path)
    return siteplan.assess(siteplan.read_scan(case.series_path), case)
