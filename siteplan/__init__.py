"""Plan dental fixtures from a cone-beam CT, site by site.

    scan = siteplan.read_scan("series")
    case = siteplan.load_case("case.json")
    findings = siteplan.assess(scan, case)

The three names are loaded on first use: importing the package must stay cheap, because every command pays for it.
"""

from typing import TYPE_CHECKING

from siteplan.lazy import loads_on_use

if TYPE_CHECKING:
    from siteplan.assessment import assess as assess
    from siteplan.case import load_case as load_case
    from siteplan.scan import read_scan as read_scan

__version__ = "0.1.0"

_HOME = {"assess": "assessment", "load_case": "case", "read_scan": "scan"}

__all__ = ["__version__", "assess", "load_case", "read_scan"]

__getattr__ = loads_on_use(__name__, _HOME)
