"""One assessed case for the room: two sites with fixtures, hostile and telling text in every field that takes text."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

import siteplan
from siteplan.findings import Findings


def _made_case() -> ModuleType:
    """The invented jaw that the report's tests made."""
    name = "made_case"
    if name not in sys.modules:
        path = Path(__file__).resolve().parent.parent / "report" / "made_case.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    return sys.modules[name]


made = _made_case()
SAID = "Zoenira Xaverine Quentino, born 1951-12-03 <script>alert('x')</script>"
SECRETS = [*made.NAME.split("^"), made.IDENTIFIER, made.BORN, made.STUDIED, made.UID, "1951-12-03", "2026-07-04"]


@pytest.fixture(scope="session")
def said() -> str:
    """What was typed into every field."""
    return SAID


@pytest.fixture(scope="session")
def secrets() -> list[str]:
    """Not one of these may be found where identity is "none"."""
    return [*SECRETS, "777413"]


@pytest.fixture(scope="session")
def findings() -> Findings:
    """An assessed case; its scan is `findings.scan`, its case file `findings.case`."""
    case = made.made_case(
        [
            made.site(36, made.SITE_36, fixture="demo-compressive-4.0x10", soft_tissue_mm=3.0, notes=SAID),
            made.site(37, made.SITE_37, fixture="demo-two-piece-4.0x10", notes=SAID),
        ],
        [
            made.canal(name=f"canal of {SAID}", note=SAID),
            made.root() | {"name": f"=root of {SAID}", "note": SAID},
            {
                "kind": "sinus-floor",
                "name": f"floor of {SAID}",
                "surface": {"points_mm": [(24, -10, -25), (36, -10, -25), (36, 16, -25), (24, 16, -25)]},
            },
        ],
        title=SAID,
        patient_label=SAID,
        notes=SAID,
        marks=[
            {"kind": "note", "points_mm": [(30, 0, 0)], "text": SAID},
            {"kind": "distance", "points_mm": [(30, 0, 0), (30, 0, 5)], "text": SAID},
        ],
        calibration={"slope": 0.9, "intercept": 40.0, "source": SAID, "device": SAID, "date": "2026-07-04"},
    )
    return siteplan.assess(made.made_scan(), case)
