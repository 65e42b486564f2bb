"""All sites of a jaw proposed together: each by itself, then fitted to each other, and again where they clash."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from siteplan.fixture.design import Fixture
from siteplan.placement.jaw import JawProposal, propose_jaw
from siteplan.placement.margins import Margins
from siteplan.placement.merit import Weights
from siteplan.placement.parallel import MUTUAL_ANGLE_DEG
from siteplan.placement.proposal import Proposal, Proposals, propose
from siteplan.placement.trial import Place

ROUNDS = 3
"""How often sites that clash are searched again around what the others chose (our own choice)."""

KEPT = 6
"""Proposals of each site that enter the joint choice (our own choice)."""


@dataclass(frozen=True, eq=False)
class Together:
    """The answer for a jaw.

    Attributes:
        sites: tooth to what was found for it alone. jaw: the joint choice, None where fewer than two sites have a
            proposal. why: tooth to a sentence on why this proposal was taken. short: sentences on what is missing.
    """

    sites: dict[int, Proposals]
    jaw: JawProposal | None
    why: dict[int, str]
    short: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """As `siteplan propose --all --json` prints it."""
        return {
            "together": None if self.jaw is None else self.jaw.as_json(),
            "why": {str(tooth): said for tooth, said in self.why.items()},
            "short": list(self.short),
            "sites": {str(tooth): found.as_json() for tooth, found in self.sites.items()},
        }


def propose_together(
    places: Mapping[int, Place],
    fixtures: Sequence[Fixture],
    margins: Margins,
    *,
    weights: Weights | None = None,
    most: int = KEPT,
    limit_deg: float = MUTUAL_ANGLE_DEG,
    progress: Callable[[float, str], None] | None = None,
) -> Together:
    """Proposals for all sites of one jaw as a whole.

    Args:
        places: tooth to its place, in order along the arch. Their `neighbours` are only what stands there for good.
        most: proposals of each site that enter the joint choice.
        limit_deg: mutual angle of the axes that the restoration still passes.
    """
    say = progress or (lambda share, text: None)
    sites: dict[int, Proposals] = {}
    for n, (tooth, place) in enumerate(places.items()):
        say(0.7 * n / len(places), f"Searching tooth {tooth}")
        sites[tooth] = propose(place, fixtures, weights=weights, most=most)
    options = {tooth: list(found.ranked) for tooth, found in sites.items()}
    empty = tuple(_nothing(tooth, found) for tooth, found in sites.items() if not found.ranked)
    if sum(bool(own) for own in options.values()) < 2:
        said = "Fewer than two sites have a proposal, so nothing could be fitted together."
        return Together(sites, None, {}, (said, *empty))
    jaw = propose_jaw(options, margins, limit_deg=limit_deg)
    for turn in range(ROUNDS):
        clashing = _clashing(jaw)
        if not clashing:
            break
        say(0.7 + 0.3 * turn / ROUNDS, f"Searching again: {', '.join(map(str, sorted(clashing)))}")
        for tooth in clashing:
            options[tooth] += _again(tooth, places[tooth], jaw, fixtures, weights, most)
        fresh = propose_jaw(options, margins, limit_deg=limit_deg)
        if fresh.value <= jaw.value + 1e-9:
            break
        jaw = fresh
    short = tuple(said for said in jaw.short if "has no proposal" not in said)
    return Together(sites, jaw, _why(sites, jaw), (*short, *empty))


def _clashing(jaw: JawProposal) -> set[int]:
    """Teeth of pairs that break their margin, and teeth out of the common path."""
    teeth = list(jaw.chosen)
    out = {teeth[n] for n in jaw.way_in.out}
    for n, c in enumerate(jaw.spacing):
        if c.distance.value is not None and c.distance.value < c.margin.value_mm:
            out |= {teeth[n], teeth[n + 1]}
    return out


def _again(
    tooth: int, place: Place, jaw: JawProposal, fixtures: Sequence[Fixture], weights: Weights | None, most: int
) -> list[Proposal]:
    """Proposals for one site around what its neighbours chose, within the common path of insertion."""
    teeth = list(jaw.chosen)
    n = teeth.index(tooth)
    beside = [teeth[m] for m in (n - 1, n + 1) if 0 <= m < len(teeth)]
    bodies = tuple(
        (f"fixture {other}", jaw.chosen[other].fixture.body, jaw.chosen[other].candidate.pose) for other in beside
    )
    # A hair inside the limit, so that rounding cannot leave an axis out.
    way_in = (jaw.way_in.direction, 0.5 * jaw.way_in.limit_deg - 1e-3)
    around = replace(place, neighbours=(*place.neighbours, *bodies), way_in=way_in)
    return list(propose(around, fixtures, weights=weights, most=most).ranked)


def _nothing(tooth: int, found: Proposals) -> str:
    near = f" {found.short[0]}" if found.short else ""
    return f"Tooth {tooth} has no proposal that fits; it is left out.{near}"


def _why(sites: Mapping[int, Proposals], jaw: JawProposal) -> dict[int, str]:
    said = {}
    for tooth, taken in jaw.chosen.items():
        first = sites[tooth].ranked[0]
        if taken is first:
            said[tooth] = "It is this site's own first choice and suits the others."
        elif taken in sites[tooth].ranked:
            said[tooth] = (
                f"It is this site's choice number {taken.rank}; {first.fixture.name}, its first, suits the others less"
                f" ({_cost(first, taken)})."
            )
        else:
            said[tooth] = (
                "It was searched again around the neighbouring fixtures and within the common path of insertion,"
                f" because {first.fixture.name}, its first choice alone, clashed with them ({_cost(first, taken)})."
            )
    return said


def _cost(first: Proposal, taken: Proposal) -> str:
    return f"ranking value {taken.value:.2f} instead of {first.value:.2f}"
