"""Proposals for one site: ranked places with why each ranks there, and why other fixtures fall out."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from siteplan.fixture.design import Design, Fixture
from siteplan.placement.clearances import Clearance
from siteplan.placement.cover import bone_cover
from siteplan.placement.drawn_beside import seen_badly, stops_short_mm, to_structures
from siteplan.placement.hand import hands
from siteplan.placement.merit import CRITERIA, VALUE_MEANS, Weights
from siteplan.placement.profile import Poses
from siteplan.placement.reasons import Judged, beside_others, lack, little, not_told, offers, steady_words
from siteplan.placement.search import Candidate, search
from siteplan.placement.steadiness import Steadiness, steadiness
from siteplan.placement.trial import Place

WORTH_A_GUIDE = 0.10
"""Chance of a broken margin from which it is said what another way to lead the drill would change (our own choice)."""

LOOKED_AT = 10
"""So many of the fixtures that fit, the best by the criteria without the hand, are looked at with it and ranked anew
(our own choice: draws take time, and what ranks behind these lacks more than steadiness gives)."""

CAUTION = (
    "Proposals rest on the shapes and the scan as given and on margins that are named with their source. They are a"
    " start for a licensed clinician's own judgement and never replace it, the fixture maker's instructions or local"
    " rules."
)


@dataclass(frozen=True, eq=False)
class Proposal:
    """One fixture in one place.

    Attributes:
        value: ranking value, 0 to 1. criteria: name to (mark from 0 to 1, weight).
        tilt_deg: angle to the planned axis. sink_mm: platform below the bone beneath it.
        clearances: to every structure and to the bone surface, exact, as everywhere else.
        why: sentences that say what the place offers and why it ranks where it does.
        steady: how often the hand would break a margin here.
    """

    candidate: Candidate
    rank: int
    value: float
    criteria: dict[str, tuple[float, float]]
    tilt_deg: float
    sink_mm: float
    clearances: tuple[Clearance, ...]
    why: tuple[str, ...]
    steady: Steadiness

    @property
    def fixture(self) -> Fixture:
        """What is placed."""
        return self.candidate.fixture

    @property
    def stands(self) -> tuple[str, ...]:
        """Of `why` what holds beside no other place: where it stands, what is tightest or in doubt, and the hand."""
        tilt = self.tilt_deg
        return (*offers(self.candidate, tilt)[:2], *not_told(self.clearances), steady_words(self.steady))

    def as_json(self) -> dict[str, Any]:
        """As `siteplan propose --json` prints it."""
        pose = self.candidate.pose
        return {
            "rank": self.rank,
            "fixture": self.fixture.name,
            "design": self.fixture.design.value,
            "value": round(self.value, 4),
            "criteria": {
                name: {"mark": round(mark, 4), "weight": round(weight, 4)}
                for name, (mark, weight) in self.criteria.items()
            },
            "platform_mm": [round(float(x), 4) for x in pose.platform_lps_mm],
            "axis": [round(float(x), 6) for x in pose.axis],
            "tilt_deg": round(self.tilt_deg, 2),
            "sink_mm": round(self.sink_mm, 3),
            "clearances": [c.as_json() for c in self.clearances],
            "hand": self.steady.as_json(),
            "why": list(self.why),
        }


@dataclass(frozen=True, eq=False)
class Proposals:
    """The answer for one site: `ranked` may be empty, then `short` says what is missing and by how much.

    Attributes:
        tried, fitting: how many fixtures were looked at, and how many of them have a place that satisfies every rule.
    """

    ranked: tuple[Proposal, ...]
    fallen: tuple[str, ...]
    short: tuple[str, ...]
    cautions: tuple[str, ...]
    tried: int
    fitting: int = 0

    def as_json(self) -> dict[str, Any]:
        """As `siteplan propose --json` prints it."""
        return {
            "proposals": [p.as_json() for p in self.ranked],
            "fallen_out": list(self.fallen),
            "short": list(self.short),
            "cautions": list(self.cautions),
            "fixtures_tried": self.tried,
            "fixtures_that_fit": self.fitting,
            "value_means": VALUE_MEANS,
        }


def propose(place: Place, fixtures: Sequence[Fixture], *, weights: Weights | None = None, most: int = 8) -> Proposals:
    """Placements of the fixtures at one site that satisfy every rule, best first.

    Args:
        place: the measured site and what lies around it; its axis stands for the axis of the tooth to be carried.
        weights: what each criterion counts.
        most: how many proposals are handed back.
    """
    weights = weights or Weights()
    found = search(place, fixtures, weights)
    every = [c for c in found if c.fits]
    looked_at = [judged(place, c, weights) for c in every[: max(most, LOOKED_AT)]]
    looked_at.sort(key=lambda j: (-j.value, j.candidate.fixture.name))
    good = looked_at[:most]
    ranked = tuple(_proposal(place, j, n, good, weights) for n, j in enumerate(good))
    short = () if good else _short(found)
    return Proposals(ranked, _fallen(found), short, _cautions(place), len(fixtures), len(every))


def judged(place: Place, c: Candidate, weights: Weights) -> Judged:
    """A candidate with what the hand may do to it."""
    cover = bone_cover(
        place.bone,
        c.fixture.body,
        c.pose,
        place.margins,
        starts_mm=(place.cover_from_mm,),
        levels_mm=(),
        inner=place.inner,
        entry_mm=float(place.own_entry_mm(Poses.of(c.pose))[0]),
    )
    steady = steadiness(place, c.fixture, c.pose, cover)
    marks = np.append(c.criteria, steady.mark)
    return Judged(c, tuple(cover), steady, marks, float(marks @ weights.all_of(c.fixture.design)))


def _proposal(place: Place, j: Judged, n: int, good: Sequence[Judged], weights: Weights) -> Proposal:
    c = j.candidate
    basal = c.fixture.design is Design.ONE_PIECE_BASAL
    exact = to_structures(
        c.fixture.body,
        c.pose,
        place.structures,
        place.margins,
        scan_sd_mm=place.scan_sd_mm,
        planned_contacts=place.planned_contacts if basal else frozenset(),
    )
    share = weights.all_of(c.fixture.design)
    marks = {name: (float(m), float(w)) for name, m, w in zip(CRITERIA, j.marks, share, strict=True)}
    tilt = float(np.degrees(np.arccos(np.clip(c.pose.axis @ place.bone.frame.axis, -1.0, 1.0))))
    led = (steady_words(j.steady), *(_led_otherwise(place, j) if n == 0 else ()))
    why = (*offers(c, tilt), *not_told(j.cover), *led, *beside_others(place, j, n, good, weights))
    return Proposal(c, n + 1, j.value, marks, tilt, float(c.trial[4]), (*exact, *j.cover), why, j.steady)


def _led_otherwise(place: Place, j: Judged) -> tuple[str, ...]:
    """What the chance would be if the drill were led in the other published ways; nothing where there is hardly any."""
    if j.steady.broken.value < WORTH_A_GUIDE:
        return ()
    c = j.candidate
    others = [replace(place, hand=hand) for name, hand in hands().items() if name != place.hand.name]
    said = [
        f"{other.hand.phrase} {100 * steadiness(other, c.fixture, c.pose, j.cover).broken.value:.0f} %"
        for other in others
    ]
    return (f"The same chance if the drill is led otherwise: {', '.join(said)}.",)


def _fallen(found: Sequence[Candidate]) -> tuple[str, ...]:
    """For each family and diameter what keeps its lengths out: for each rule a sentence on the length nearest to it."""
    groups: dict[tuple[str, float], list[Candidate]] = {}
    for c in found:
        groups.setdefault((c.fixture.family, c.fixture.outer_diameter_mm), []).append(c)
    said = []
    for (family, diameter), members in sorted(groups.items()):
        lacking: dict[str, list[Candidate]] = {}
        for c in sorted(members, key=lambda c: c.fixture.length_mm):
            if not c.fits:
                lacking.setdefault(c.names[c.tightest], []).append(c)
        said += [
            f"No place was found for {family} {diameter:.1f} mm in {_lengths(short)}." for short in lacking.values()
        ]
    return tuple(said)


def _lengths(short: Sequence[Candidate]) -> str:
    """The length that lacks least of a rule with what it lacks, and the others, which lack as much or more."""
    least = max(short, key=lambda c: float(c.spare[c.tightest]))
    text = f"{least.fixture.length_mm:g} mm length: {lack(least)}"
    others = [f"{c.fixture.length_mm:g}" for c in short if c is not least]
    return (
        f"{text}; nor in {', '.join(others)} mm, which lack{'s' if len(others) == 1 else ''} more of the same"
        if others
        else text
    )


def _short(found: Sequence[Candidate]) -> tuple[str, ...]:
    """What is missing where nothing fits: the fixtures that come nearest."""
    near = sorted(found, key=lambda c: -c.value)[:3]
    return tuple(f"{c.fixture.name} lacks {little(-c.value)}: {lack(c)}." for c in near)


def _cautions(place: Place) -> tuple[str, ...]:
    said = [CAUTION, place.hand.caution]
    if not place.structures:
        said.append("The case names no structure (canal, sinus floor, root): only bone was kept a margin from.")
    found = [s.name for s in place.structures if s.made_by.value == "found"]
    if found:
        said.append(f"No person has confirmed {', '.join(found)}; no proposal may be used before that.")
    said += _canal_cautions(place)
    if place.bone.quick:
        said.append("Bone was measured with the quick method; measure fully before deciding.")
    if place.bone.second_cortex_depth.value is None:
        said.append("No second cortex was found on the axis: the tip was only kept within the bone that was seen.")
    return tuple(said)


_LOOKED_MM = 12.0
"""Depth along the planned axis at which a canal must be drawn beside the site: a common length."""


def _canal_cautions(place: Place) -> list[str]:
    frame = place.bone.frame
    start, end = frame.origin_lps_mm, frame.origin_lps_mm + _LOOKED_MM * frame.axis
    said = []
    for structure in place.structures:
        short = stops_short_mm(structure, start, end, place.structures)
        least = seen_badly(structure, start, end)
        if short > 0:
            said.append(
                f"{structure.name} is not drawn beside this site: it stops {short:.0f} mm short of it, so no proposal"
                " was checked against the canal that runs on; draw it past the site and propose again."
            )
        elif least is not None:
            said.append(
                f"{structure.name} was hardly seen beside this site (confidence {least:.0%}): it may lie elsewhere, and"
                " every proposal with it."
            )
    return said
