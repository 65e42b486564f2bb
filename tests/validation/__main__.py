"""`python -m tests.validation`: measure random phantoms with known shape and write tables and plots.

Regimes are the plain ones (`phantoms`); groups are harder shapes and frames (`harder`), scanned finely and coarsely.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

from tests.validation.collect import Row, rows_of
from tests.validation.harder import HARDER, SCANS, draw_harder
from tests.validation.phantoms import REGIMES, draw_case
from tests.validation.tables import write

_GROUP_SEED = 100
"""Keeps the random numbers of groups apart from those of regimes."""


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for table.md, rows.csv and the plots")
    parser.add_argument("--cases", type=int, default=6, help="phantoms per regime (about 8 s each)")
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first phantom: other numbers, other phantoms"
    )
    parser.add_argument("--regimes", nargs="*", default=None, choices=list(REGIMES), metavar="REGIME")
    parser.add_argument(
        "--cortex", nargs=2, type=float, metavar="HU", help="bounds of the cortex of regimes, instead of their own"
    )
    parser.add_argument("--groups", nargs="*", default=None, choices=list(HARDER), metavar="GROUP")
    parser.add_argument("--scans", nargs="*", default=list(SCANS), choices=list(SCANS), help="how groups are scanned")
    args = parser.parse_args()
    plain = args.regimes if args.regimes is not None else list(REGIMES) if args.groups is None else []
    groups = list(HARDER) if args.groups == [] else args.groups or []
    numbers = range(args.first, args.first + args.cases)
    rows: list[Row] = []
    for regime in plain:
        for number in numbers:
            rng = np.random.default_rng([list(REGIMES).index(regime), number])
            rows += rows_of(draw_case(regime, rng, cortex_hu=args.cortex and tuple(args.cortex)), number)
            print(f"{regime} {number}", file=sys.stderr, flush=True)
    for group in groups:
        for scan in args.scans:
            for number in numbers:
                seed = [_GROUP_SEED + list(HARDER).index(group), number]
                rows += rows_of(draw_harder(group, scan, np.random.default_rng(seed)), number)
                print(f"{group}, {scan} {number}", file=sys.stderr, flush=True)
    print(write(rows, args.out))
    return 0


if __name__ == "__main__":
    sys.exit(main())
