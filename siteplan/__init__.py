"""Plan dental fixtures from a cone-beam CT, site by site.

    scan = siteplan.read_scan("series")
    case = siteplan.load_case("case.json")
    findings = siteplan.assess(scan, case)

The three names are loaded on first use: importing the package must stay cheap, because every command pays for it.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from siteplan.assessment import assess as assess
    from siteplan.case import load_case as load_case
    from siteplan.scan import read_scan as read_scan

__version__ = "0.1.0"

_HOME = {"assess": "siteplan.assessment", "load_case": "siteplan.case", "read_scan": "siteplan.scan"}

__all__ = ["__version__", "assess", "load_case", "read_scan"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'siteplan' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)
