"""`siteplan schema NAME`: the JSON Schema of a file that siteplan reads or writes."""

import argparse
from typing import Any

from siteplan.commands._shared import print_json
from siteplan.schemas import NAMES, schema_of


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("schema", help="print the JSON Schema of a file that siteplan reads or writes")
    parser.add_argument("name", choices=NAMES, help="which file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print one schema."""
    print_json(schema_of(args.name))
    return 0
