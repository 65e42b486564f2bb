"""One assessed case for all tests of the report: making it takes seconds, reading it takes none."""

import sys
from pathlib import Path

import pytest

import siteplan
from siteplan.findings import Findings

# The import mode of the suite would not find a module that only the tests of this folder share.
sys.path.insert(0, str(Path(__file__).parent))

from made_case import SITE_36, SITE_37, made_case, made_scan, site  # found by the line above

HOSTILE = "<script>alert('x')</script> & \"quotes\" <img src=http://example.invalid/a.png>"


@pytest.fixture(scope="session")
def findings() -> Findings:
    """Two sites, one with a fixture and hostile notes, one without a fixture."""
    case = made_case(
        [site(36, SITE_36, fixture="demo-compressive-4.0x10", soft_tissue_mm=3.0, notes=HOSTILE), site(37, SITE_37)],
        title="A title with <b>markup</b>",
        patient_label="",
        notes=HOSTILE,
    )
    return siteplan.assess(made_scan(), case)


@pytest.fixture
def hostile() -> str:
    """The text that the case's notes carry; it must stay text."""
    return HOSTILE
