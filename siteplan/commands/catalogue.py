"""`siteplan catalogue TEMPLATE... --out FILE`: DICOM implant templates into a catalogue file that a case can name."""

import argparse
from pathlib import Path
from typing import Any

from siteplan.errors import OutputError


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("catalogue", help="turn DICOM implant templates into a catalogue file of fixtures")
    parser.add_argument("templates", metavar="TEMPLATE", nargs="+", help="DICOM files (Generic Implant Template)")
    parser.add_argument("--out", metavar="FILE", required=True, help="the catalogue file (TOML); must not be there yet")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read, check, write, and say what a person must do with it."""
    from siteplan.case.store import write_whole
    from siteplan.objects.template_read import catalogue_from_templates

    target = Path(args.out)
    if target.exists():
        raise OutputError(f"{target}: this file is there already; choose another name, nothing was overwritten.")
    write_whole(target, catalogue_from_templates([Path(name) for name in args.templates]).encode())
    print(target)
    print("Check every size against the maker's instructions, then name the file under `catalogues` in the case.")
    return 0
