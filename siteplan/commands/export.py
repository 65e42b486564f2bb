"""`siteplan export CASE --as KIND ... --out DIR`: the plan for other programs: objects, meshes, tables, a bundle."""

import argparse
from pathlib import Path
from typing import Any

from siteplan.commands._shared import assessed, no_file_stands_at, part, print_json, progress_to, silent
from siteplan.handover.kinds import IDENTITIES, KINDS


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser(
        "export",
        help="hand a plan to other programs: DICOM objects, meshes, tables, or a bundle for another installation",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Write a case in one or several kinds of files.\n\nkinds:\n"
        + "\n".join(f"  {kind:<10} {what}" for kind, what in KINDS.items()),
    )
    parser.add_argument("case", metavar="CASE", help="the case file (JSON)")
    parser.add_argument(
        "--as", dest="kinds", metavar="KIND", action="append", required=True, choices=tuple(KINDS),
        help=f"what to write: {', '.join(KINDS)}; may be given several times",
    )  # fmt: skip
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for the files; made if it is not there")
    parser.add_argument(
        "--identity", choices=tuple(IDENTITIES), default="none", help="how much of the patient's identity is kept"
    )
    parser.add_argument(
        "--with-scan", action="store_true", help="put the scan into the bundle; needs --identity given, and is large"
    )
    parser.add_argument("--json", action="store_true", help="print the list of files as JSON and nothing else")
    parser.set_defaults(run=run, parser=parser)


def run(args: argparse.Namespace) -> int:
    """Load, assess, write, and say which files are there and what a person must know of them."""
    from siteplan.handover.export import export
    from siteplan.report import Identity

    if args.with_scan and "bundle" not in args.kinds:
        args.parser.error("--with-scan belongs to --as bundle")
    no_file_stands_at(args.out)
    show = silent if args.json else progress_to()
    case, scan, findings = assessed(args.case, part(show, 0.0, 0.4))
    identity = Identity(IDENTITIES[args.identity])
    done = export(
        findings, scan, case, Path(args.out), args.kinds,
        identity=identity, with_scan=args.with_scan, progress=part(show, 0.4, 1.0),
    )  # fmt: skip
    if args.json:
        print_json({
            "files": [str(path) for path in done.files], "identity": args.identity, "remarks": list(done.remarks),
        })  # fmt: skip
    else:
        print("\n".join([*map(str, done.files), *done.remarks]))
    return 0
