"""Why a proposal ranks where it does, and what a place lacks, in plain sentences with the numbers behind them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siteplan.fixture.design import Design
from siteplan.measures import distance_words, limits_words, rounded_down, rounded_up
from siteplan.placement.clearances import Clearance
from siteplan.placement.margins import BUCCAL_BONE, LINGUAL_BONE
from siteplan.placement.merit import CRITERIA, ENGAGED_MM, Weights, density_share, side_area_mm2
from siteplan.placement.profile import Array
from siteplan.placement.rules import COMMON_WAY, FAR_MM
from siteplan.placement.search import Candidate
from siteplan.placement.steadiness import Steadiness
from siteplan.placement.trial import Place
from siteplan.placement.verdict import Verdict

EVEN = 0.01
"""Ranking values nearer to each other than this are called even: a hundredth of the scale decides nothing (our own)."""

WORTH_SAYING = 0.005
"""What a criterion must count for before a sentence names it (our own)."""


@dataclass(frozen=True, eq=False)
class Judged:
    """A candidate with the bone beside it, what the hand may do to it, all six marks (6,) and its ranking value."""

    candidate: Candidate
    cover: tuple[Clearance, ...]
    steady: Steadiness
    marks: Array
    value: float


def steady_words(found: Steadiness) -> str:
    """How often the hand breaks a margin here, and which one most often."""
    chance, (name, often) = found.broken, found.most_often
    head = f"{found.hand.phrase[0].upper()}{found.hand.phrase[1:]}"
    if chance.value == 0:
        most = rounded_up(100 * chance.high, 0)
        return f"{head}, no margin was broken in {chance.samples} draws: a chance under {most:.0f} %."
    span = limits_words(100 * chance.low, 100 * chance.high, 0)
    said = f"{head}, at least one margin is broken with a chance of {100 * chance.value:.0f} % ({span})"
    return f"{said}, most often at {name} ({100 * often:.0f} %)."


def not_told(cover: Sequence[Clearance]) -> tuple[str, ...]:
    """Which margin of bone beside the body holds as measured and not for its whole interval."""
    return tuple(
        f"As measured it keeps the margin of {c.margin.value_mm:g} mm to {c.structure}; with the doubt of this scan it"
        f" cannot be told: {distance_words(c.distance)}."
        for c in cover
        if c.kind in (BUCCAL_BONE, LINGUAL_BONE)
        and c.verdict is Verdict.CANNOT_BE_TOLD
        and c.distance.value is not None
    )


def offers(c: Candidate, tilt_deg: float) -> tuple[str, ...]:
    """What the place offers by itself."""
    k = c.tightest
    dense, anchorage = density_share(c.criteria), c.criteria[2]
    said = [
        _stands(c.trial, tilt_deg),
        f"Tightest at {_tightest(c, k)}.",
        f"Bone at its thread is {100 * dense:.0f} % of the way from soft tissue to dense bone on this scan's scale.",
    ]
    if c.fixture.design is Design.ONE_PIECE_BASAL:
        said.append(
            "Its tip engages the second cortex."
            if anchorage > 0
            else "Its tip does not reach the second cortex, which this design is made to hold in."
        )
    return tuple(said)


def _stands(trial: Array, tilt_deg: float) -> str:
    """Where the platform and the axis stand, against the plan."""
    buccal, distal, sink = float(trial[0]), float(trial[1]), float(trial[4])
    level = (
        f"{abs(sink):.1f} mm {'below' if sink >= 0 else 'above'} the bone there"
        if abs(sink) >= EVEN_MM
        else ("level with the bone there")
    )
    moves = [
        f"{abs(value):.1f} mm to {ways[value < 0]}"
        for value, ways in ((buccal, ("buccal", "the inner side")), (distal, ("distal", "mesial")))
        if abs(value) >= EVEN_MM
    ]
    moved = f"moved {' and '.join(moves)}" if moves else "not moved aside"
    angle = f"{tilt_deg:.0f} degree{'' if round(tilt_deg) == 1 else 's'}"
    return f"Its platform stands {level}, {moved} from the planned axis; its own axis stands {angle} from that."


EVEN_MM = 0.05
"""Less than what is shown of a length."""


def _tightest(c: Candidate, k: int) -> str:
    """The rule that leaves least, with what it leaves, rounded to the unsafe side's disadvantage."""
    spare = f"{rounded_down(float(c.spare[k]), 1):.1f} mm"
    if c.names[k] == COMMON_WAY:
        return f"{c.names[k]}: its tip could lean {spare} further"
    if c.least[k] < 0:
        behind = -float(c.measured[k])
        where = f"{behind:.1f} mm behind it" if behind > 0 else f"{-behind:.1f} mm in front of it"
        return f"{c.names[k]}, a planned contact: {where}, which leaves {spare} of what may be passed"
    return f"{c.names[k]}: {rounded_down(float(c.measured[k]), 1):.1f} mm, which leaves {spare} beyond what is asked"


def beside_others(place: Place, c: Judged, n: int, good: Sequence[Judged], weights: Weights) -> tuple[str, ...]:
    """What puts the first before the second, and every other behind the first."""
    other = good[n + 1] if n == 0 and len(good) > 1 else good[0]
    if other is c:
        return ()
    mine, theirs = c.candidate.fixture, other.candidate.fixture
    gain = c.marks * weights.all_of(mine.design) - other.marks * weights.all_of(theirs.design)
    more = [_more(place, c, other, int(k)) for k in np.argsort(-gain) if gain[k] >= WORTH_SAYING]
    less = [_more(place, other, c, int(k)) for k in np.argsort(gain) if gain[k] <= -WORTH_SAYING]
    even = abs(c.value - other.value) < EVEN
    place_word = "before" if n == 0 else "behind"
    head = f"Ranks {'just ' if even else ''}{place_word} {theirs.name}"
    said = [f"{head}, nearly even with it." if even else f"{head}."]
    if more:
        said.append(f"In its favour: {_joined(more)}.")
    if less:
        said.append(f"Against it: the other has {_joined(less)}.")
    if not more and not less:
        said.append("No single point makes the difference; prefer by hand.")
    return (" ".join(said),)


def _more(place: Place, one: Judged, two: Judged, k: int) -> str:
    """What `one` has more of than `two` by criterion `k`, with both numbers."""
    c, other = one.candidate, two.candidate
    return {
        "room": lambda: f"more room at its tightest place ({_room(c)} beyond what is asked, against {_room(other)})",
        "dense bone": lambda: f"more side in dense bone ({_dense_side(c)}, against {_dense_side(other)})",
        "anchorage": lambda: f"a better hold in the second cortex ({_hold(c)}, against {_hold(other)})",
        "size": lambda: (
            f"a larger side in the bone ({side_area_mm2(c.fixture):.0f} mm2, against"
            f" {side_area_mm2(other.fixture):.0f} mm2)"
        ),
        "hand": lambda: (
            f"a steadier place (a margin broken with a chance of {100 * one.steady.broken.value:.0f} %, against"
            f" {100 * two.steady.broken.value:.0f} %)"
        ),
        "axis": lambda: f"an axis closer to the wanted one ({_lean(place, c)}, against {_lean(place, other)})",
    }[CRITERIA[k]]()


def _room(c: Candidate) -> str:
    spare = float(c.spare[c.tightest])
    if spare >= FAR_MM:
        return f"{FAR_MM:.1f} mm or more"
    return f"{spare:.1f} mm" if spare >= 0.1 else f"{spare:.2f} mm"


def _dense_side(c: Candidate) -> str:
    share = 100 * density_share(c.criteria)
    return f"{side_area_mm2(c.fixture):.0f} mm2 at {share:.0f} % of the way to dense bone"


def _hold(c: Candidate) -> str:
    if c.criteria[2] <= 0:
        return "tip not in it"
    deep = float(c.criteria[2]) * ENGAGED_MM
    return f"tip {deep:.1f} mm or more in it" if c.criteria[2] >= 1 else f"tip {deep:.1f} mm in it"


def _lean(place: Place, c: Candidate) -> str:
    tilt = _degrees(c.pose.axis, place.bone.frame.axis)
    if place.neighbour_axes is None or not len(place.neighbour_axes):
        return f"{tilt:.1f} degrees from the plan"
    beside = float(np.mean([_degrees(c.pose.axis, axis) for axis in place.neighbour_axes]))
    return f"{tilt:.1f} degrees from the plan and {beside:.1f} from its neighbours"


def _degrees(one: Array, other: Array) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(one, other)), one @ other)))


def _joined(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def lack(c: Candidate) -> str:
    """What the best place found for a fixture lacks."""
    k = c.tightest
    if not np.isfinite(c.measured[k]):
        return f"the best place found leaves nothing at {c.names[k]}"
    if c.names[k] == COMMON_WAY:
        beyond = np.degrees(np.arctan(-c.spare[k] / c.fixture.length_mm))
        return f"the best place found leans {beyond:.0f} degrees out of the common path of insertion"
    if c.least[k] <= 0:
        return f"in the best place found the tip goes {-c.spare[k]:.1f} mm too far ({c.names[k]})"
    measured = rounded_down(float(c.measured[k]), 1)
    doubt = c.measured[k] - c.least[k] - c.spare[k]
    more = f" and the doubt of {doubt:.1f} mm about its position ask" if doubt > 0.05 else " asks"
    found = (
        f"the best place found leaves {measured:.1f} mm at {c.names[k]}"
        if measured >= 0
        else f"the best place found goes {-measured:.1f} mm past the surface at {c.names[k]}"
    )
    return f"{found}, {little(-c.spare[k])} less than its margin of {c.least[k]:.1f} mm{more}"


def little(length_mm: float) -> str:
    """A length that lacks, rounded up; one below what is shown is told as little."""
    return f"{rounded_up(length_mm, 1):.1f} mm" if length_mm >= 0.05 else "under 0.1 mm"
