"""Branch and bound for functions that change by at most a known amount per step, many owners at once.

A cell is a box of parameters. The value at its middle, less the furthest that the function can fall within the cell,
bounds the cell from below. Cells that cannot beat the best value of their owner by more than the tolerance are
dropped, the others are halved (Piyavskii SA, 1972; Shubert BO, SIAM J Numer Anal 9:379-388, 1972).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from siteplan.placement.profile import Array, Indices

CELLS_PER_OWNER = 12_000
"""With more live cells than this per owner, on average, halving stops and the bound that is reached is returned: where
a flat end lies parallel to a flat face, every place of it is the least one (time; our own choice)."""


@dataclass(frozen=True, eq=False)
class Cells:
    """Boxes: lo and hi (n, d); steepness (n, d): most change (mm) per unit of each parameter; item (n,): what the
    parameters belong to; owner (n,): index of the pose."""

    lo: Array
    hi: Array
    steepness: Array
    item: Indices
    owner: Indices

    def pick(self, which: Indices) -> "Cells":
        """The cells of these indices, or of a mask."""
        return Cells(self.lo[which], self.hi[which], self.steepness[which], self.item[which], self.owner[which])

    def halved(self) -> "Cells":
        """Each cell as two, cut across the side along which the function can change most."""
        side = np.argmax((self.hi - self.lo) * self.steepness, axis=1)
        rows = np.arange(len(side))
        middle = 0.5 * (self.lo[rows, side] + self.hi[rows, side])
        first_hi, second_lo = self.hi.copy(), self.lo.copy()
        first_hi[rows, side], second_lo[rows, side] = middle, middle
        twice = (np.concatenate([v, v]) for v in (self.steepness, self.item, self.owner))
        return Cells(np.concatenate([self.lo, second_lo]), np.concatenate([first_hi, self.hi]), *twice)


@dataclass(frozen=True, eq=False)
class Least:
    """For each owner: the least value found, a proven bound below it, and where (item -1: none better than given)."""

    value: Array
    low: Array
    item: Indices
    at: Array


def least_values(
    evaluate: Callable[[Array, Indices, Indices], Array],
    cells: Cells,
    known: Array,
    tolerance_mm: float,
    tolerance_share: float = 0.0,
) -> Least:
    """Least value of `evaluate(parameters (n, d), item (n,), owner (n,))` for each owner.

    Args:
        known: (N,) values already known to be reached; only what is lower by more than the tolerance is looked for.
        tolerance_share: share of the size of the least value that is added to the tolerance.

    Returns:
        `value` is never above `known`; `low` is at most the tolerance below it unless that would take too many cells.
    """
    value, low = known.copy(), known.copy()
    item = np.full(len(known), -1, dtype=np.int64)
    at = np.zeros((len(known), cells.lo.shape[1]))
    limit = CELLS_PER_OWNER * max(1, len(np.unique(cells.owner)))
    while len(cells.owner):
        middle = 0.5 * (cells.lo + cells.hi)
        found = evaluate(middle, cells.item, cells.owner)
        order = np.argsort(found, kind="stable")
        owners, first = np.unique(cells.owner[order], return_index=True)
        rows = order[first]
        better = found[rows] < value[owners]
        owners, rows = owners[better], rows[better]
        value[owners], item[owners], at[owners] = found[rows], cells.item[rows], middle[rows]
        fall = 0.5 * ((cells.hi - cells.lo) * cells.steepness).sum(axis=1)
        bound = found - fall
        keep = bound < (value - tolerance_mm - tolerance_share * np.abs(value))[cells.owner]
        if 2 * keep.sum() > limit:
            np.minimum.at(low, cells.owner[keep], bound[keep])
            break
        cells = cells.pick(keep).halved()
    return Least(value, np.minimum(low, value - tolerance_mm - tolerance_share * np.abs(value)), item, at)
