"""`siteplan report CASE --out DIR`: the main job, from a case file to findings and a report."""

import argparse
from pathlib import Path
from typing import Any

from siteplan.commands._shared import part, print_json, progress_to, silent


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("report", help="assess every site of a case and write findings, pictures and a report")
    parser.add_argument("case", metavar="CASE", help="the case file (JSON)")
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for the results; made if it is not there")
    parser.add_argument("--paper", choices=("a4", "us-letter"), default="a4", help="page size of the PDF")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Load, assess, write, and print a table per site."""
    from siteplan.assessment import assess
    from siteplan.case import load_case
    from siteplan.commands._table import site_tables
    from siteplan.report import write_report
    from siteplan.scan import read_scan

    show = silent if args.json else progress_to()
    case = load_case(args.case)
    scan = read_scan(case.series_path, series=case.case.series_uid, progress=part(show, 0.0, 0.25))
    findings = assess(scan, case, progress=part(show, 0.25, 0.5))
    written = write_report(findings, scan, case, Path(args.out), paper=args.paper, progress=part(show, 0.5, 0.99))
    show(1.0, "done")
    if args.json:
        print_json(findings.as_json())
    else:
        print(site_tables(findings))
        print("\n".join(str(path) for path in written if path.suffix in {".html", ".json", ".pdf"}))
    return 0
