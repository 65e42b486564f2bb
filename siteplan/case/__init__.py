"""What is kept? The case file: its model, its checks, its atomic store."""

from siteplan.case.check import check_against_scan
from siteplan.case.model import Case, SiteEntry, StructureEntry
from siteplan.case.shapes import structure_of
from siteplan.case.store import CaseFile, load_case, parse_case, save_case

__all__ = [
    "Case",
    "CaseFile",
    "SiteEntry",
    "StructureEntry",
    "check_against_scan",
    "load_case",
    "parse_case",
    "save_case",
    "structure_of",
]
