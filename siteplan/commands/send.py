"""`siteplan send ARCHIVE FILES`: objects such as those of the export, to an archive that the settings name."""

import argparse
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siteplan.commands._shared import print_json, progress_to, silent
from siteplan.commands.fetch import add_archive, counted, opened, with_example

if TYPE_CHECKING:
    from siteplan.archive import Sent


def add_parser(commands: Any) -> None:
    """Add this command."""
    what = "send DICOM objects to an archive and see that they are there"
    parser = commands.add_parser("send", help=what, description=f"{what[0].upper()}{what[1:]}.", **with_example())
    add_archive(parser)
    parser.add_argument("paths", metavar="PATH", nargs="+", help="files or folders with DICOM objects")
    parser.add_argument("--json", action="store_true", help="print JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Send and tell. Returns 1 when an object was refused or is not found afterwards."""
    from siteplan.archive import send

    show = silent if args.json else progress_to()
    done = send(opened(args), [Path(path) for path in args.paths], progress=show)
    show(1.0, "sent")
    if args.json:
        print_json(done.as_json())
    else:
        print("\n".join(_lines(done, args.archive)))
    return 0 if done.complete else 1


def _lines(done: "Sent", name: str) -> list[str]:
    out = []
    if done.missing:
        out.append(_lost(done, name))
    elif done.sent:
        out.append(f"The archive {name!r} took {counted(done.sent)} and lists {'it' if done.sent == 1 else 'them'}.")
    if done.were_there:
        out.append(f"There already and not sent again: {counted(done.were_there)}.")
    for (kind, why), number in Counter((one.kind, one.why) for one in done.refused).items():
        files = [one.shown for one in done.refused if (one.kind, one.why) == (kind, why)]
        out.append(f"REFUSED: {number} x {kind}: {why} ({files[0]}{' and others' if number > 1 else ''}).")
    out += [f"not sent: {one.shown}: {one.why}." for one in done.left_out]
    return out


def _lost(done: "Sent", name: str) -> str:
    return (
        f"MISSING: the archive {name!r} took {counted(done.sent)} and does not list {len(done.missing)} of them "
        f"({done.missing[0]} first); send them again, or ask who runs it."
    )
