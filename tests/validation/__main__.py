"""`python -m tests.validation`: measure random phantoms with known shape and write tables and plots."""

import argparse
import sys
from pathlib import Path

import numpy as np

from tests.validation.collect import Row, rows_of
from tests.validation.phantoms import REGIMES, draw_case
from tests.validation.tables import write


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for table.md, rows.csv and the plots")
    parser.add_argument("--cases", type=int, default=6, help="phantoms per regime (about 8 s each)")
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first phantom: other numbers, other phantoms"
    )
    parser.add_argument("--regimes", nargs="*", default=list(REGIMES), choices=list(REGIMES), metavar="REGIME")
    args = parser.parse_args()
    rows: list[Row] = []
    for regime in args.regimes:
        for number in range(args.first, args.first + args.cases):
            generator = np.random.default_rng([list(REGIMES).index(regime), number])
            rows += rows_of(draw_case(regime, generator), number)
            print(f"{regime} {number}", file=sys.stderr, flush=True)
    print(write(rows, args.out))
    return 0


if __name__ == "__main__":
    sys.exit(main())
