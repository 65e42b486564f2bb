"""`siteplan share CASE --out DIR`: what leaves the clinic, without the patient's name unless it is asked for."""

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
from siteplan.handover.kinds import IDENTITIES


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser(
        "share", help="write a page to leaf through, a PDF and a picture per site for a colleague"
    )
    add_results(parser)
    parser.add_argument(
        "--identity", choices=IDENTITIES, default="none", help="how much of the patient's identity is kept"
    )
    parser.add_argument("--json", action="store_true", help="print the list of files as JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Load, assess, write, and say which files are there."""
    from siteplan.report import Identity, write_shared

    no_file_stands_at(args.out)
    show = silent if args.json else progress_to()
    _case, scan, findings = assessed(args.case, part(show, 0.0, 0.5))
    identity = Identity(IDENTITIES[args.identity])
    written = write_shared(
        findings,
        scan,
        Path(args.out),
        identity=identity,
        paper=args.paper,
        progress=part(show, 0.5, 0.99),
        tell=to_person,
    )
    show(1.0, "done")
    if args.json:
        print_json({"files": [str(path) for path in written], "identity": identity.value})
    else:
        print("\n".join(str(path) for path in written))
    return 0
