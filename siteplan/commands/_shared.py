"""What several commands need: points from text, progress on standard error, JSON on standard output."""

import argparse
import json
import math
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from siteplan.case import CaseFile, SiteEntry
    from siteplan.case.model import Case
    from siteplan.findings import Findings
    from siteplan.scan import Scan

PAPERS = ("a4", "us-letter")

Progress = Callable[[float, str], None]


def point(text: str) -> tuple[float, float, float]:
    """Three numbers from "X,Y,Z".

    Raises:
        argparse.ArgumentTypeError: anything else.
    """
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"three numbers as X,Y,Z are needed, not {text!r}") from None
    if not all(math.isfinite(value) for value in (x, y, z)):
        raise argparse.ArgumentTypeError(f"the numbers in {text!r} must be finite")
    return x, y, z


def print_json(content: Any) -> None:
    """JSON and nothing else on standard output; NaN would be no JSON, so it is an error here.

    JSON is UTF-8 (RFC 8259); where the output has another encoding, other letters are written as escapes.
    """
    plain = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "") != "utf8"
    json.dump(content, sys.stdout, indent=1, ensure_ascii=plain, allow_nan=False)
    sys.stdout.write("\n")


def progress_to(stream: Any = None) -> Progress:
    """Progress for a person: one line on a terminal that overwrites itself, one line a step elsewhere."""
    out = stream or sys.stderr
    last = [""]

    def show(fraction: float, what: str) -> None:
        if out.isatty():
            end = "\n" if fraction >= 1 else ""
            out.write(f"\r\x1b[K{fraction:4.0%} {what}{end}")
        elif what != last[0]:
            out.write(f"{fraction:4.0%} {what}\n")
        last[0] = what
        out.flush()

    return show


def silent(_fraction: float, _what: str) -> None:
    """Progress for a program: nothing."""


def to_person(sentence: str) -> None:
    """One sentence for a person, beside what a command prints for programs."""
    sys.stderr.write(f"\n{sentence}\n")


def tell_doubts(scan: "Scan") -> None:
    """What lowers trust in the scan, on standard error, for a command whose output has no place for it.

    Said when there is an answer: a failure is one sentence.
    """
    from siteplan.scan import Severity

    for one in scan.findings:
        if one.severity is Severity.WARNING:
            sys.stderr.write(f"WARNING: {one.sentence}\n")


def tell_directions(case: "Case", entries: "Iterable[SiteEntry]", scan: "Scan") -> None:
    """Which directions of sites hardly fit their teeth and neighbours, on standard error, for a command that does not
    assess a site. Said when there is an answer, as by `tell_doubts`."""
    from siteplan.case.directions import direction_remarks, neighbour_remarks

    for entry in entries:
        others = [site for site in case.sites if site is not entry]
        for doubt in (*direction_remarks(entry.tooth, entry.frame(), scan), *neighbour_remarks(entry, others)):
            sys.stderr.write(f"WARNING: {doubt.sentence}\n")


def no_file_stands_at(out: str) -> None:
    """Refuse a file where a folder is to be made, before minutes are spent on what goes into it.

    Raises:
        OutputError: there is one.
    """
    from siteplan.errors import OutputError

    if Path(out).exists() and not Path(out).is_dir():
        raise OutputError(f"--out {out}: a file of this name is there, so no folder can be made; choose another.")


def part(show: Progress, start: float, end: float) -> Progress:
    """Progress of one part of a job, squeezed into its share of the whole."""
    return lambda fraction, what: show(start + (end - start) * fraction, what)


def add_results(parser: argparse.ArgumentParser) -> None:
    """The arguments of a command that turns a case into a folder of results."""
    parser.add_argument("case", metavar="CASE", help="the case file (JSON)")
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for the results; made if it is not there")
    parser.add_argument("--paper", choices=PAPERS, default=PAPERS[0], help="page size of the PDF")


def assessed(case_file: str, show: Progress) -> "tuple[CaseFile, Scan, Findings]":
    """A case with its scan and its findings; `show` hears how far that is.

    Raises:
        SiteplanError: what loading the case, reading the scan or assessing it raises.
    """
    from siteplan.assessment import assess
    from siteplan.case import load_case
    from siteplan.scan import read_scan

    case = load_case(case_file)
    scan = read_scan(case.series_path, series=case.case.series_uid, progress=part(show, 0.0, 0.5))
    return case, scan, assess(scan, case, progress=part(show, 0.5, 1.0))
