"""The command line: arguments in, one library function called, results out; nothing else.

Each command is one small file in `siteplan/commands`, which loads what it needs only when it runs.
"""

import argparse
import difflib
import os
import re
import sys
from collections.abc import Sequence
from importlib import import_module
from io import TextIOWrapper
from typing import NoReturn

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


_NUMBER = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_NEGATIVE_FIRST = re.compile(rf"-{_NUMBER}(?:,[+-]?{_NUMBER}){{1,2}}")
"""A list of two or three numbers whose first is negative; most points of a right or lower jaw are such."""


class _Parser(argparse.ArgumentParser):
    """A parser whose refusal is one sentence."""

    def error(self, message: str) -> NoReturn:
        """Print one sentence and leave with 2."""
        self.exit(2, f"{self.prog}: {_usage_words(message)}; see '{self.prog} --help'.\n")


def _usage_words(message: str) -> str:
    """A refusal of argparse in our own words."""
    words = message.removeprefix("argument ")
    choice = re.fullmatch(r"(\S+): invalid choice: '(.*)' \(choose from (.*)\)", words, re.DOTALL)
    if choice is not None:
        known = [name.strip(" '") for name in choice[3].split(",")]
        near = difflib.get_close_matches(choice[2], known, n=2)
        return f"{choice[1]} {choice[2]!r} is not known; " + (
            f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(known)}"
        ).rstrip("?")
    words = re.sub(r"^the following arguments are required: (.*)$", r"\1 must be given", words)
    words = re.sub(r": expected (one|at least one) argument$", ": its value is missing", words)
    words = re.sub(r"^unrecognized arguments: (.*)$", r"\1 is not understood here", words)
    return re.sub(r": invalid int value: (.*)$", r": a whole number is needed, not \1", words)


def joined(argv: Sequence[str]) -> list[str]:
    """`argv` with "--crest -34.4,-15.5,-40.7" as one "--crest=-34.4,-15.5,-40.7": the parser takes a leading minus for
    an option."""
    out: list[str] = []
    for word in argv:
        option = out[-1] if out else ""
        if _NEGATIVE_FIRST.fullmatch(word) and option.startswith("--") and len(option) > 2 and "=" not in option:
            out[-1] = f"{option}={word}"
        else:
            out.append(word)
    return out


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = _Parser(
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
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a terminal or pipe that lacks a letter must not end the job
            stream.reconfigure(errors="backslashreplace")
    args = parser().parse_args(joined(sys.argv[1:] if argv is None else argv))
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
