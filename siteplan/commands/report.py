"""`siteplan report CASE --out DIR`: the main job, from a case file to findings and a report."""

import argparse
from pathlib import Path
from typing import Any

from siteplan.commands._shared import (
    add_results,
    assessed,
    no_file_stands_at,
    part,
    print_json,
    progress_to,
    silent,
    to_person,
)


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("report", help="assess every site of a case and write findings, pictures and a report")
    add_results(parser)
    parser.add_argument("--json", action="store_true", help="print the findings as JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Load, assess, write, and print a table per site."""
    from siteplan.commands._table import site_tables
    from siteplan.report import write_report

    no_file_stands_at(args.out)
    show = silent if args.json else progress_to()
    case, scan, findings = assessed(args.case, part(show, 0.0, 0.5))
    written = write_report(
        findings, scan, case, Path(args.out), paper=args.paper, progress=part(show, 0.5, 0.99), tell=to_person
    )
    show(1.0, "done")
    if args.json:
        print_json(findings.as_json())
    else:
        print(site_tables(findings))
        print("\n".join(str(path) for path in written if path.suffix in {".html", ".json", ".pdf"}))
    return 0
