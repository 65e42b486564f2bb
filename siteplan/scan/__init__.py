"""What did the scanner give? Finding series, checking them, decoding them into a `Scan`."""

from siteplan.scan.findings import ScanFinding, Severity
from siteplan.scan.volume import GreyScale, Patient, Scan, SeriesFacts

__all__ = ["GreyScale", "Patient", "Scan", "ScanFinding", "SeriesFacts", "Severity"]
