"""How steady a place is: the chance that a hand which deviates as published breaks any margin there, for a ranking.

The draws are those of `hand.risk`, `hand_cover.cover_risks` and `between.fixture_to_fixture_risk`, fewer of them and
looked at together: a draw counts once, however many margins it breaks.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from siteplan.fixture.design import Design, Fixture
from siteplan.fixture.solid import Pose
from siteplan.placement.between import drawn_between
from siteplan.placement.clearances import Clearance
from siteplan.placement.hand import Chance, Hand, chance_of, drawn_distances
from siteplan.placement.hand_cover import drawn_cover
from siteplan.placement.margins import FIXTURE
from siteplan.placement.profile import Mask, Poses
from siteplan.placement.trial import Place

DRAWS = 200
"""Draws for one place. A chance of 30 % is then known to 6 %; places of one site are drawn alike, so that what is left
of it between two of them is less (our own choice, because a proposal is waited for)."""

COVER_STEP_MM = 0.5
"""Distance of the depths at which bone beside a drawn body is looked at (our own choice, for the same reason)."""


@dataclass(frozen=True)
class Steadiness:
    """What a hand may do to a place.

    Attributes:
        broken: chance that at least one margin is broken. each: the same for each structure, side and fixture by name.
    """

    broken: Chance
    each: dict[str, float]
    hand: Hand

    @property
    def mark(self) -> float:
        """From 0 to 1: the chance that every margin is kept."""
        return 1.0 - self.broken.value

    @property
    def most_often(self) -> tuple[str, float]:
        """What is broken most often, and how often."""
        return max(self.each.items(), key=lambda pair: pair[1], default=("", 0.0))

    def as_json(self) -> dict[str, Any]:
        """As `siteplan propose --json` prints it."""
        return {
            "any_margin_broken": self.broken.as_json(),
            "each": {name: round(value, 4) for name, value in self.each.items()},
            "hand": self.hand.name,
            "hand_source": self.hand.source,
        }


def steadiness(
    place: Place, fixture: Fixture, pose: Pose, cover: Sequence[Clearance], *, samples: int = DRAWS
) -> Steadiness:
    """Chance that the hand of the place breaks a margin: structures, bone on both sides, other fixtures.

    Args:
        cover: bone beside the fixture in this pose, as `bone_cover` gives it: what is asked there.
    """
    hand, body = place.hand, fixture.body
    broken: dict[str, Mask] = {}
    poses = hand.poses(pose, samples)
    basal = fixture.design is Design.ONE_PIECE_BASAL
    for s in place.structures:
        limit = place.margins.contact(s.kind) if basal and s.name in place.planned_contacts else None
        keep = place.margins.of(s.kind).value_mm if limit is None else -limit.value_mm
        drawn = drawn_distances(body, poses, s, place.scan_sd_mm, keep, along_axis=limit is not None)
        broken[s.name] = drawn < keep
    for n, (name, other, other_pose) in enumerate(place.neighbours):
        apart = place.margins.of(FIXTURE).value_mm
        theirs = place.neighbour_hands[n] if n < len(place.neighbour_hands) else hand
        broken[name] = drawn_between(body, pose, other, other_pose, apart, (hand, theirs), samples) < apart
    starts = (place.cover_from_mm,)
    entry = float(place.own_entry_mm(Poses.of(pose))[0])
    beside = drawn_cover(
        place.ridge,
        body,
        pose,
        cover,
        hand,
        samples=samples,
        starts_mm=starts,
        step_mm=COVER_STEP_MM,
        entry_mm=entry,
    )
    for found, least in beside:
        broken[found.structure.split(",")[0]] = least < found.margin.value_mm
    anything = np.any(list(broken.values()), axis=0) if broken else np.zeros(samples, dtype=bool)
    return Steadiness(chance_of(anything), {name: float(hit.mean()) for name, hit in broken.items()}, hand)
