"""Are stated probabilities of classes true? Of sites given a class with p = 0.7, 70 % must be of it.

Measured sites seldom lie near a bound, so each is moved, truth and measurement together, until its truth lies within
a stretch about one: the error and its interval stay what the scan made of them. Every table, every bound. Truths are
spread evenly in steps of a quarter of the measure's own SD: with coarser steps than its errors none of them would lie
between a bound and a reading on its other side, and any stated probability would look too careful.
"""

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise, product

import numpy as np

from siteplan.bone.density import DensityTable, classify, density_tables
from siteplan.bone.ridge import ridge_form
from siteplan.measures import Measure
from tests.validation.collect import OURS, Row

BINS = (0.0, 0.6, 0.8, 0.95, 0.99, 1.0)
_STEPS_SD = tuple((k + 0.5) / 4 for k in range(-14, 14))
"""Evenly spread, because a probability from an interval alone takes every truth for equally likely beforehand."""
_EVERY = 4
"""Of two numbers that are moved together, one takes every fourth step only, which are other ones each time."""
_NORMAL_95 = 1.959964
DIVISIONS = "available-bone divisions"
Trial = tuple[str, float, bool]
"""Table, stated probability of the stated class, whether it was right."""


def true_class(table: DensityTable, hu: float) -> str:
    """The class of a known mean."""
    return next(c.label for c in table.classes if c.low is None or hu >= c.low)


def density_trials(truth: float, found: Measure, *, trabecular: bool) -> list[Trial]:
    """Trials at every bound of the tables that class this kind of mean."""
    out: list[Trial] = []
    if found.value is None or found.low is None or found.high is None:
        return out
    for table in density_tables().values():
        if table.trabecular is not trabecular:
            continue
        for bound, share in product([c.low for c in table.classes if c.low is not None], _STEPS_SD):
            step = share * _sd(found)
            move = bound + step - truth
            moved = replace(found, value=found.value + move, low=found.low + move, high=found.high + move)
            said = classify(moved, table, True)
            assert said.label is not None
            out.append((table.name, said.probabilities[said.label], said.label == true_class(table, bound + step)))
    return out


def true_division(height: float, width: float) -> str | None:
    """Available-bone division (Misch and Judy, density.misch_quantity_a, confirmed); bounds fall to no one here."""
    if height > 10 and width > 5:
        return "A"
    if height > 10 and width > 2.5:
        return "B"
    return "C" if height < 10 and width < 2.5 else None


def division_trials(width: tuple[float, Measure], height: tuple[float, Measure]) -> list[Trial]:
    """Trials with the width about both of its bounds and the height about its own; (truth, measured) each."""
    out: list[Trial] = []
    w_sd, h_sd = _sd(width[1]), _sd(height[1])
    pairs = [(a, d) for k, a in enumerate(_STEPS_SD) for d in _STEPS_SD[k % _EVERY :: _EVERY]]
    for bound, (a, d) in product((2.5, 5.0), pairs):
        across, down = a * w_sd, d * h_sd
        w, h = _moved(*width, bound + across), _moved(*height, 10 + down)
        form = ridge_form(h, (replace(w, depth_mm=3.0),), 0.0)
        shares = {**form.probabilities, None: 1 - sum(form.probabilities.values())}
        out.append((DIVISIONS, shares[form.label], form.label == true_division(10 + down, bound + across)))
    return out


def _sd(found: Measure) -> float:
    assert found.low is not None
    assert found.high is not None
    return (found.high - found.low) / (2 * _NORMAL_95)


def _moved(truth: float, found: Measure, to: float) -> Measure:
    assert found.value is not None
    assert found.low is not None
    assert found.high is not None
    d = to - truth
    return replace(found, value=found.value + d, low=found.low + d, high=found.high + d)


def trials_of(rows: Iterable[Row]) -> list[Trial]:
    """All trials that measured rows allow."""
    out: list[Trial] = []
    lengths: dict[tuple[str, int], dict[str, tuple[float, Measure]]] = {}
    for row in rows:
        if row.method != OURS or row.value is None or row.low is None or row.high is None:
            continue
        found = Measure(row.value, "", row.low, row.high)
        if row.quantity in ("mean HU", "trabecular HU"):
            out += density_trials(row.truth, found, trabecular=row.quantity == "trabecular HU")
        elif row.quantity in ("ridge width", "available height"):
            lengths.setdefault((row.regime, row.case), {}).setdefault(row.quantity, (row.truth, found))
    for pair in lengths.values():
        if len(pair) == 2:
            out += division_trials(pair["ridge width"], pair["available height"])
    return out


def markdown(trials: list[Trial]) -> str:
    """Stated probability against the share that was right, by table; Brier score, and what true chances would give."""
    out = ["| table | stated probability | trials | mean stated | right | Brier |", "|" + " --- |" * 6]
    for table in dict.fromkeys(t[0] for t in trials):
        p, right = (np.array([t[k] for t in trials if t[0] == table], dtype=float) for k in (1, 2))
        for low, high in pairwise(BINS):
            here = (p > low) & (p <= high)
            if here.any():
                said, was = p[here].mean(), right[here].mean()
                out.append(f"| {table} | {low:g} to {high:g} | {here.sum()} | {said:.0%} | {was:.0%} | |")
        brier, ideal = ((p - right) ** 2).mean(), (p * (1 - p)).mean()
        out.append(f"| {table} | all | {len(p)} | {p.mean():.0%} | {right.mean():.0%} | {brier:.4f} ({ideal:.4f}) |")
    return "\n".join(out)
