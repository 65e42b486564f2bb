"""`python -m tests.validation.structures`: find structures in random simulated scans, with tables beside the truth."""

import argparse
import csv
import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from tests.validation.structures_cases import REGIMES, draw_case
from tests.validation.structures_measure import Row, rows_of

BAR = {
    "canal centreline, mean": 0.4,
    "canal centreline, worst": 1.0,
    "canal radius": 0.4,
    "sinus floor, worst over the site": 0.25,
    "root surface, worst": 0.4,
    "distance to canal": 0.4,
    "distance to sinus floor": 0.4,
    "distance to root": 0.4,
}
"""What is asked, mm: of every case, not of the mean."""


def summary(rows: Iterable[Row], by_regime: bool) -> list[str]:
    """A table line per quantity (and regime): how many were found, errors, coverage, how many miss the bar."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((row.regime if by_regime else "all", row.quantity), []).append(row)
    heads = ["regime", "quantity", "found", "mean error", "bias", "95 %", "worst", "inside interval", "misses the bar"]
    lines = [f"| {' | '.join(heads)} |", "| --- " * len(heads) + "|"]
    return lines + [_line(regime, quantity, group) for (regime, quantity), group in groups.items()]


def _line(regime: str, quantity: str, group: list[Row]) -> str:
    error = np.array([r.value - r.truth for r in group if r.value is not None])
    cells = [regime, quantity, f"{len(error)}/{len(group)}"]
    if not len(error):
        return "| " + " | ".join([*cells, *[""] * 6]) + " |"
    size = np.abs(error)
    inside = [r.low <= r.truth <= r.high for r in group if r.low is not None and r.high is not None]
    cells += [f"{size.mean():.3f}", f"{error.mean():+.3f}", f"{np.percentile(size, 95):.2f}", f"{size.max():.2f}"]
    cells += [f"{np.mean(inside):.0%}" if inside else ""]
    cells += [f"{int((size > BAR[quantity]).sum())}/{len(size)} over {BAR[quantity]} mm" if quantity in BAR else ""]
    return "| " + " | ".join(cells) + " |"


def write(rows: list[Row], folder: Path) -> str:
    """Write `rows.csv` and `structures.md`; returns the table of all regimes together."""
    folder.mkdir(parents=True, exist_ok=True)
    names = list(Row.__dataclass_fields__)
    with (folder / "rows.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(names)
        writer.writerows([getattr(r, name) for name in names] for r in rows)
    whole = "\n".join(summary(rows, by_regime=False))
    each = "\n".join(summary(rows, by_regime=True))
    (folder / "structures.md").write_text(f"{whole}\n\n{each}\n", encoding="utf-8")
    return whole


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.structures", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for structures.md and rows.csv")
    parser.add_argument("--cases", type=int, default=4, help="scans per regime (about 10 s each)")
    parser.add_argument("--first", type=int, default=0, help="number of the first scan: other numbers, other scans")
    parser.add_argument("--regimes", nargs="*", default=list(REGIMES), choices=list(REGIMES), metavar="REGIME")
    args = parser.parse_args()
    rows: list[Row] = []
    for number in range(args.first, args.first + args.cases):
        for regime in args.regimes:
            generator = np.random.default_rng([list(REGIMES).index(regime), number])
            rows += rows_of(draw_case(regime, generator), number)
            print(f"{regime} {number}", file=sys.stderr, flush=True)
            write(rows, args.out)
    print(write(rows, args.out))
    return 0


if __name__ == "__main__":
    sys.exit(main())
