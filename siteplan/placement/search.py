"""Search over the catalogue and over position, tilt and depth: a coarse grid, then the best places made better."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

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

FLOORS_MM = (FLOOR_MM, -2.0, 2 * NO_BONE_MM)
"""How much a place may lack and still be measured by every rule, one after another until the best is known exactly."""

GIVEN_UP_MM = (-np.inf, -1.0, -0.6, -0.45, -0.45, -0.3)
"""What lacks more after so many rounds is given up, the last holding for all that follow: the steps left move a tip by
less. Our own choice; on two sites with 46 fixtures the rounds left gained 0.53, 0.20, 0.05, 0.05 and 0.04 mm at most
where a place lacked so much."""

SHORTER_FAILED_MM = -0.25
"""Where the improved place of a shorter body of the same kind lacks more, a longer one, which needs that room and more,
is not improved (our own choice: the improvement leaves about a tenth)."""

HOPELESS_MM = -3.0
"""A fixture whose best grid place lacks more is not improved: half a step of the grid (0.4 mm, 0.5 mm, 7.5 degrees at
the tip of an 18 mm body, 0.5 mm deep) moves no point of it by more (our own estimate)."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """One fixture in its best place found.

    Attributes:
        value: ranking value without the hand where every rule is satisfied; otherwise the least spare in mm, below
            zero.
        criteria: (5,) the first five of `merit.CRITERIA`.
        spare, measured: (K,) by rule; names: the rules; least: what each asks.
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
    """Ranking value without the hand (N,), criteria (N, 5) and spares of trials (N, 5) of one fixture.

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
    # Never below zero, or a place that breaks a rule by a hair could go before one that breaks none.
    value = np.where(tight >= 0, np.maximum(marks @ weights.of(fixture.design), 0.0), tight)
    return value, marks, found


def search(place: Place, fixtures: Sequence[Fixture], weights: Weights) -> list[Candidate]:
    """The best place found for each fixture, best first. Fixtures for which nothing fits come with what is short.

    The planned place and the places found for the shorter fixtures of the same kind are among those that are tried.
    Only what no step of the improvement could bring within every rule is handed back as not fitting.
    """
    rng = np.random.default_rng(SEED)
    start = _starts(place)
    result = [_best(place, fixture, start, weights, fine=False) for fixture in fixtures]
    for n in sorted(range(len(fixtures)), key=lambda n: -result[n].value)[:IMPROVED]:
        result[n] = _improved(place, result[n], weights, rng)
    # A coarse look may miss a narrow level: whatever is handed on has been looked at in every layer.
    for members in _groups(fixtures):
        near, hope = start[:1], True
        for n in members:
            result[n] = _settled(place, result[n], near, start, weights, rng if hope else None)
            near = np.concatenate([near, result[n].trial[None]])
            hope = hope and result[n].value > SHORTER_FAILED_MM
        # And back: what a longer body came to, a shorter one of the kind lacks no more of.
        for longer, n in pairwise(reversed(members)):
            result[n] = _no_worse(place, result[n], result[longer], weights)
    return sorted(result, key=lambda c: (-c.value, c.fixture.name))


def _starts(place: Place) -> Array:
    """The planned place first, where there is one, then the even grid."""
    planned = None if place.planned is None else place.trial_of(place.planned)
    even = grid(place.reach)
    return even if planned is None else np.concatenate([planned[None], even])


def _groups(fixtures: Sequence[Fixture]) -> list[list[int]]:
    """Indices of each family and diameter, from short to long: where a longer one fits, a shorter one does."""
    groups: dict[tuple[str, float], list[int]] = {}
    for n in sorted(range(len(fixtures)), key=lambda n: fixtures[n].length_mm):
        groups.setdefault((fixtures[n].family, fixtures[n].outer_diameter_mm), []).append(n)
    return list(groups.values())


def _settled(
    place: Place, found: Candidate, near: Array, far: Array, weights: Weights, rng: np.random.Generator | None
) -> Candidate:
    """The candidate looked at in every layer; where it does not fit, improved (given `rng`) from the best known place.

    Args:
        near: places (N, 5) that are likely to do. far: the even grid and what else is to be looked at.
    """
    fixture = found.fixture
    own = _best(place, fixture, np.concatenate([found.trial[None], near]), weights, fine=True)
    if own.fits:
        return own
    # A place that lacks more than the floor is known by a bound only: the floor is lowered until the best is exact.
    for floor in FLOORS_MM:
        own = _best(place, fixture, np.concatenate([far, near]), weights, fine=False, floor_mm=floor)
        if own.value > floor:
            break
    return _improved(place, own, weights, rng) if rng is not None and own.value > HOPELESS_MM else own


def _no_worse(place: Place, found: Candidate, longer: Candidate, weights: Weights) -> Candidate:
    """The candidate, or the same fixture where the longer one came nearer to fitting."""
    if found.fits or longer.value <= found.value:
        return found
    there = _best(place, found.fixture, longer.trial[None], weights, fine=True, floor_mm=2 * NO_BONE_MM)
    return there if there.value > found.value else found


def _best(
    place: Place, fixture: Fixture, trials: Array, weights: Weights, *, fine: bool, floor_mm: float = FLOOR_MM
) -> Candidate:
    value, marks, found = values_of(place, fixture, trials, weights, fine=fine, floor_mm=floor_mm)
    return candidate(place, fixture, trials, int(value.argmax()), value, marks, found)


def candidate(
    place: Place, fixture: Fixture, trials: Array, n: int, value: Array, marks: Array, found: Spares
) -> Candidate:
    """Trial `n` of those that `values_of` was asked about."""
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
    for turn in range(ROUNDS):
        if best.value < GIVEN_UP_MM[min(turn, len(GIVEN_UP_MM) - 1)]:
            break
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
            best = candidate(place, start.fixture, trials, n, value, marks, found)
        step = step * SHRINK
    return best
