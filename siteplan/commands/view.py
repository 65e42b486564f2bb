"""`siteplan view [CASE or SERIES]`: the desktop window."""

import argparse
from importlib import import_module
from importlib.util import find_spec
from typing import Any

from siteplan.errors import SiteplanError


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("view", help="plan in a window: look, drag, and see every number follow")
    parser.add_argument("place", metavar="CASE or SERIES", nargs="?", help="a case file, a scan folder or a ZIP file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Open the window, or say in one sentence what it needs."""
    if find_spec("PySide6") is None:
        raise SiteplanError('the window needs PySide6; install it with: pip install "siteplan[window]".')
    why = import_module("viewer.start_check").why_not()
    if why:
        raise SiteplanError(why)
    code: int = import_module("viewer.app").main([args.place] if args.place else [])
    return code
