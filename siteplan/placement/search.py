"""Search over the catalogue and over position, tilt and depth: a coarse grid, then the best places made better."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siteplan.fixture.design import Fixture
from siteplan.fixture.solid import Pose
from siteplan.placement.merit import Weights, criteria
from siteplan.placement.profile import Array
from siteplan.placement.rules import FLOOR_MM, NO_BONE_MM, Spares, spares
from siteplan.placement.trial import Place, grid, inside

SEED = 20_240_611
"""Fixed, so that the same site always gives the same proposals."""

ROUNDS, TRIALS_A_ROUND, SHRINK = 10, 48, 0.7
"""Improvement of one fixture: rounds, trials in each, and how much smaller each round's steps are (our own choice)."""

IMPROVED = 10
"""So many fixtures are improved from their best coarse place (our own choice)."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """One fixture in its best place found.

    Attributes:
        value: ranking value where every rule is satisfied; otherwise the least spare in mm, which is below zero.
        criteria: (5,) see `merit.CRITERIA`. spare, measured: (K,) by rule; names: the rules; least: what each asks.
    """

    fixture: Fixture
    trial: Array
    pose: Pose
    value: float
    criteria: Array
    names: tuple[str, ...]
    spare: Array
    measured: Array
    least: Array

    @property
    def fits(self) -> bool:
        """Every rule is satisfied."""
        return bool(self.spare.min() >= 0.0)

    @property
    def tightest(self) -> int:
        """Index of the rule that leaves least."""
        return int(self.spare.argmin())


def values_of(
    place: Place, fixture: Fixture, trials: Array, weights: Weights, *, fine: bool, floor_mm: float = FLOOR_MM
) -> tuple[Array, Array, Spares]:
    """Ranking value (N,), criteria (N, 5) and spares of trials (N, 5) of one fixture.

    The value of a place that breaks a rule is its least spare, below zero; any place that breaks none is above that.
    """
    poses, depth = place.poses(trials)
    found = spares(place, fixture, poses, depth, fine=fine, floor_mm=floor_mm)
    tight = found.tightest
    marks = np.zeros((len(trials), 5))
    good = np.flatnonzero(tight >= 0)
    if len(good):
        part = Spares(found.names, found.spare[good], found.value[good], found.least)
        marks[good] = criteria(place, fixture, poses.pick(good), part)
    value = np.where(tight >= 0, marks @ weights.of(fixture.design), tight)
    return value, marks, found


def search(place: Place, fixtures: Sequence[Fixture], weights: Weights) -> list[Candidate]:
    """The best place found for each fixture, best first. Fixtures for which nothing fits come with what is short."""
    rng = np.random.default_rng(SEED)
    start = grid(place.reach)
    coarse = [_best(place, fixture, start, weights, fine=False) for fixture in fixtures]
    order = sorted(range(len(fixtures)), key=lambda n: -coarse[n].value)
    chosen = {*order[:IMPROVED], *_best_of_groups(fixtures, coarse)}
    result = [
        _improved(place, candidate, weights, rng) if n in chosen else candidate for n, candidate in enumerate(coarse)
    ]
    # A coarse look may miss a narrow level: whatever is handed on has been looked at in every layer.
    result = [
        c if n in chosen or not c.fits else _best(place, c.fixture, c.trial[None], weights, fine=True)
        for n, c in enumerate(result)
    ]
    return sorted(result, key=lambda c: (-c.value, c.fixture.name))


def _best_of_groups(fixtures: Sequence[Fixture], coarse: Sequence[Candidate]) -> list[int]:
    """For each family and diameter that does not fit yet, its best: "none fits" must not rest on a coarse grid."""
    groups: dict[tuple[str, float], int] = {}
    for n, fixture in enumerate(fixtures):
        key = (fixture.family, fixture.outer_diameter_mm)
        if key not in groups or coarse[n].value > coarse[groups[key]].value:
            groups[key] = n
    return [n for n in groups.values() if -1.0 < coarse[n].value < 0]


def _best(place: Place, fixture: Fixture, trials: Array, weights: Weights, *, fine: bool) -> Candidate:
    value, marks, found = values_of(place, fixture, trials, weights, fine=fine)
    return _candidate(place, fixture, trials, int(value.argmax()), value, marks, found)


def _candidate(
    place: Place, fixture: Fixture, trials: Array, n: int, value: Array, marks: Array, found: Spares
) -> Candidate:
    poses, _ = place.poses(trials[n : n + 1])
    return Candidate(
        fixture,
        trials[n],
        poses[0],
        float(value[n]),
        marks[n],
        found.names,
        found.spare[n],
        found.value[n],
        found.least,
    )


def _improved(place: Place, start: Candidate, weights: Weights, rng: np.random.Generator) -> Candidate:
    """Random steps around the best place so far, smaller each round."""
    reach = place.reach
    step = (reach.high - reach.low) / 4
    best = _best(place, start.fixture, start.trial[None], weights, fine=True)
    if best.value <= NO_BONE_MM:
        return best
    for _ in range(ROUNDS):
        # Half of the steps change one number only: rules often bind in one direction.
        change = rng.normal(0.0, 1.0, (TRIALS_A_ROUND, 5))
        single = np.arange(TRIALS_A_ROUND // 2)
        keep = np.zeros((len(single), 5))
        keep[single, single % 5] = 1.0
        change[single] *= keep
        trials = inside(best.trial + change * step, reach)
        # What lacks more than the best place so far cannot become the best.
        floor = min(best.value, 0.0)
        value, marks, found = values_of(place, start.fixture, trials, weights, fine=True, floor_mm=floor)
        n = int(value.argmax())
        if value[n] > best.value:
            best = _candidate(place, start.fixture, trials, n, value, marks, found)
        step = step * SHRINK
    return best
