"""What did the scanner give? Finding series, checking them, decoding them into a `Scan`.

Names are loaded on first use, because the command line must start fast.
"""

from typing import TYPE_CHECKING

from siteplan.lazy import loads_on_use

if TYPE_CHECKING:
    from siteplan.scan.findings import ScanFinding as ScanFinding
    from siteplan.scan.findings import ScanRefused as ScanRefused
    from siteplan.scan.findings import Severity as Severity
    from siteplan.scan.listing import Listing as Listing
    from siteplan.scan.listing import SeriesEntry as SeriesEntry
    from siteplan.scan.preview import Preview as Preview
    from siteplan.scan.read import list_series as list_series
    from siteplan.scan.read import read_scan as read_scan
    from siteplan.scan.site_checks import metal_near as metal_near
    from siteplan.scan.site_checks import outside_field as outside_field
    from siteplan.scan.volume import GreyScale as GreyScale
    from siteplan.scan.volume import Patient as Patient
    from siteplan.scan.volume import Scan as Scan
    from siteplan.scan.volume import SeriesFacts as SeriesFacts

_HOME = {
    "GreyScale": "volume",
    "Listing": "listing",
    "Patient": "volume",
    "Preview": "preview",
    "Scan": "volume",
    "ScanFinding": "findings",
    "ScanRefused": "findings",
    "SeriesEntry": "listing",
    "SeriesFacts": "volume",
    "Severity": "findings",
    "list_series": "read",
    "metal_near": "site_checks",
    "outside_field": "site_checks",
    "read_scan": "read",
}

__all__ = [
    "GreyScale",
    "Listing",
    "Patient",
    "Preview",
    "Scan",
    "ScanFinding",
    "ScanRefused",
    "SeriesEntry",
    "SeriesFacts",
    "Severity",
    "list_series",
    "metal_near",
    "outside_field",
    "read_scan",
]

__getattr__ = loads_on_use(__name__, _HOME)
