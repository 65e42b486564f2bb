"""The command line: arguments in, one library function called, results out; nothing else.

Each command is one small file in `siteplan/commands`, which loads what it needs only when it runs.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from siteplan import __version__
from siteplan.errors import SiteplanError

COMMANDS = (
    "fetch",
    "inspect",
    "calibrate",
    "measure",
    "trace",
    "propose",
    "report",
    "card",
    "share",
    "send",
    "export",
    "unpack",
    "catalogue",
    "view",
    "seat",
    "outcomes",
    "schema",
)
"""In the order of the work: look at the scan, measure, plan, operate, look back."""

FAILED = 1
INTERRUPTED = 130
"""128 + SIGINT, as shells report it."""


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="siteplan",
        description="Plan dental fixtures from a cone-beam CT, site by site.",
        epilog="An aid for licensed clinicians; local rules, the maker's instructions and your judgement come first.",
    )
    top.add_argument("--version", action="version", version=f"siteplan {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        import_module(f"siteplan.commands.{name}").add_parser(commands)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit code is 0, or 1 after one sentence on standard error, or 2 for a wrong usage."""
    args = parser().parse_args(argv)
    try:
        code: int = args.run(args)
        sys.stdout.flush()
    except SiteplanError as error:
        print(f"siteplan: {error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("siteplan: stopped; nothing was half-written.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except MemoryError:
        print("siteplan: not enough memory for this series; close other programs and try again.", file=sys.stderr)
        return FAILED
    return code


if __name__ == "__main__":
    sys.exit(main())
