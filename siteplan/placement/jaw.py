"""A whole jaw proposed together: one proposal per site so that spacing, parallelism and spread hold as a whole."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Any

import numpy as np

from siteplan.errors import GeometryError
from siteplan.placement.between import fixture_to_fixture, fixture_to_fixture_risk
from siteplan.placement.clearances import Clearance
from siteplan.placement.hand import Risk
from siteplan.placement.margins import FIXTURE, Margins
from siteplan.placement.parallel import MUTUAL_ANGLE_DEG, Spread, WayIn, common_way_in, front_to_back, smallest_cone
from siteplan.placement.profile import Array
from siteplan.placement.proposal import Proposal

BROKEN = 1.0
"""What a pair that breaks its margin, or a row outside its common path, costs however little it lacks (our own choice:
more than any gain, so that nothing is bought with a broken rule)."""

TOO_CLOSE = 1.0
"""What a pair of fixtures that breaks its margin costs per millimetre (our own choice: more than any gain)."""

_ROUNDING_DEG = 1e-6

NOT_PARALLEL = 0.1
"""What each degree of the common cone beyond half the mutual limit costs (our own choice)."""


@dataclass(frozen=True, eq=False)
class JawProposal:
    """One choice for all sites.

    Attributes:
        chosen: tooth to proposal. value: sum of the ranking values less what spacing and parallelism cost.
        spacing: clearances between neighbouring fixtures. spacing_risks: that the hands of both break each.
        way_in: common path of insertion. spread: None where the row has no two sides.
        short: sentences on what the whole does not satisfy.
    """

    chosen: dict[int, Proposal]
    value: float
    spacing: tuple[Clearance, ...]
    way_in: WayIn
    spread: Spread | None
    short: tuple[str, ...]
    spacing_risks: tuple[Risk, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """As results show it."""
        spread = self.spread
        return {
            "value": round(self.value, 4),
            "chosen": {str(tooth): p.as_json() for tooth, p in self.chosen.items()},
            "spacing": [c.as_json() for c in self.spacing],
            "spacing_risks": [risk.as_json() for risk in self.spacing_risks],
            "common_cone_half_angle_deg": round(self.way_in.half_angle_deg, 2),
            "spread_mm": None if spread is None else round(spread.spread_mm, 2),
            "longest_cantilever_mm": None if spread is None else round(spread.longest_cantilever_mm, 2),
            "short": list(self.short),
        }


def propose_jaw(
    ranked: Mapping[int, Sequence[Proposal]], margins: Margins, *, limit_deg: float = MUTUAL_ANGLE_DEG
) -> JawProposal:
    """The best joint choice among the proposals of each site.

    Args:
        ranked: tooth (ISO 3950), in order along the arch, to its proposals, best first. Sites without one are told.
        limit_deg: mutual angle that the restoration still passes.

    Raises:
        GeometryError: fewer than two sites have a proposal.
    """
    teeth = [tooth for tooth, found in ranked.items() if found]
    if len(teeth) < 2:
        raise GeometryError("jaw: at least two sites need a proposal before they can be fitted to each other.")
    options = [list(ranked[tooth]) for tooth in teeth]
    table = _Pairs(options, margins)
    choice = _best_choice(options, table, limit_deg)
    chosen = {tooth: options[n][choice[n]] for n, tooth in enumerate(teeth)}
    spacing = tuple(
        fixture_to_fixture(
            a.fixture.body, a.candidate.pose, b.fixture.body, b.candidate.pose, margins, name=f"{one} to {other}"
        )
        for (one, a), (other, b) in pairwise(chosen.items())
    )
    risks = tuple(
        fixture_to_fixture_risk(
            a.fixture.body,
            a.candidate.pose,
            b.fixture.body,
            b.candidate.pose,
            margins,
            a.steady.hand,
            name=f"{one} to {other}",
            other_hand=b.steady.hand,
        )
        for (one, a), (other, b) in pairwise(chosen.items())
    )
    axes = np.array([p.candidate.pose.axis for p in chosen.values()])
    way_in = common_way_in(axes, limit_deg)
    short = _short(ranked, teeth, spacing, way_in)
    return JawProposal(
        chosen, _value(options, table, choice, limit_deg), spacing, way_in, _spread(chosen), short, risks
    )


class _Pairs:
    """Cost of each pair of options of two sites; only sites near each other can be too close."""

    def __init__(self, options: list[list[Proposal]], margins: Margins) -> None:
        self._cost: dict[tuple[int, int], Array] = {}
        least = margins.of(FIXTURE).value_mm
        for a, b in combinations(range(len(options)), 2):
            cost = np.zeros((len(options[a]), len(options[b])))
            for i, j in np.ndindex(cost.shape):
                cost[i, j] = _closeness(options[a][i], options[b][j], least, margins)
            if cost.any():
                self._cost[a, b] = cost

    def total(self, choice: Sequence[int]) -> float:
        """What all pairs of a choice cost."""
        return float(sum(cost[choice[a], choice[b]] for (a, b), cost in self._cost.items()))


def _closeness(one: Proposal, other: Proposal, least_mm: float, margins: Margins) -> float:
    a, b = one.candidate, other.candidate
    middle = [c.pose.point(c.fixture.length_mm / 2) for c in (a, b)]
    reach = sum(c.fixture.length_mm / 2 + c.fixture.body.max_radius_mm for c in (a, b))
    if float(np.linalg.norm(middle[0] - middle[1])) - reach >= least_mm:
        return 0.0
    found = fixture_to_fixture(a.fixture.body, a.pose, b.fixture.body, b.pose, margins)
    lack = least_mm - (found.distance.value or 0.0)
    return BROKEN + TOO_CLOSE * lack if lack > 0 else 0.0


def _value(options: list[list[Proposal]], table: _Pairs, choice: Sequence[int], limit_deg: float) -> float:
    chosen = [options[n][k] for n, k in enumerate(choice)]
    half = smallest_cone(np.array([p.candidate.pose.axis for p in chosen]))[1]
    gain = sum(p.value for p in chosen)
    beyond = half - limit_deg / 2
    return float(gain - table.total(choice) - (BROKEN + NOT_PARALLEL * beyond if beyond > _ROUNDING_DEG else 0.0))


def _best_choice(options: list[list[Proposal]], table: _Pairs, limit_deg: float) -> list[int]:
    """Best choice by changing one site, then two sites, at a time until nothing improves; from two starts."""
    best: tuple[float, list[int]] = (-np.inf, [])
    upright = _most_parallel(options)
    for start in ([0] * len(options), upright):
        choice = list(start)
        value = _value(options, table, choice, limit_deg)
        better = True
        while better:
            better = False
            for trial in _neighbours(options, choice):
                found = _value(options, table, trial, limit_deg)
                if found > value + 1e-12:
                    choice, value, better = trial, found, True
                    break
        if value > best[0]:
            best = (value, choice)
    return best[1]


def _neighbours(options: list[list[Proposal]], choice: list[int]) -> list[list[int]]:
    """Choices that differ at one site, then at two adjacent sites."""
    result = []
    for n, own in enumerate(options):
        result += [[*choice[:n], k, *choice[n + 1 :]] for k in range(len(own)) if k != choice[n]]
    for n in range(len(options) - 1):
        pairs = np.ndindex(len(options[n]), len(options[n + 1]))
        result += [[*choice[:n], i, j, *choice[n + 2 :]] for i, j in pairs if (i, j) != (choice[n], choice[n + 1])]
    return result


def _most_parallel(options: list[list[Proposal]]) -> list[int]:
    """For each site the proposal whose axis is nearest to the mean axis of all."""
    mean = np.mean([p.candidate.pose.axis for own in options for p in own], axis=0)
    return [int(np.argmax([p.candidate.pose.axis @ mean for p in own])) for own in options]


def _spread(chosen: dict[int, Proposal]) -> Spread | None:
    poses = [p.candidate.pose for p in chosen.values()]
    try:
        return front_to_back(poses, [p.fixture.outer_diameter_mm for p in chosen.values()])
    except GeometryError:
        return None


def _short(
    ranked: Mapping[int, Sequence[Proposal]], teeth: list[int], spacing: Sequence[Clearance], way_in: WayIn
) -> tuple[str, ...]:
    said = [f"Tooth {tooth} has no proposal that fits; it is left out." for tooth in ranked if tooth not in teeth]
    for c in spacing:
        value = c.distance.value
        if value is not None and value < c.margin.value_mm:
            lack = c.margin.value_mm - value
            said.append(f"{c.structure}: {value:.1f} mm apart, {lack:.1f} mm less than {c.margin.value_mm:.1f} mm.")
    for n, beyond in zip(way_in.out, way_in.beyond_deg, strict=True):
        said.append(f"Tooth {teeth[n]} is {beyond:.0f} degrees outside the common path of the others.")
    return tuple(said)
