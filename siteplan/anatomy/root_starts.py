"""What other starts on the same root say: its axis and its tip are sought again and the answers are compared.

One start can leave a root through a plate, a neighbour or its own pulp without a sign in its own fit; another start,
a few millimetres further along, mostly does not leave it at the same place.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.anatomy.root_doubt import MOST_SD_MM
from siteplan.anatomy.root_rough import Ground, RoughRoot, rough_root
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]

SHARES = (0.2, 0.3, 0.4)
"""Where on the found axis the other starts lie, from the tip: a crown leads a start astray more often (simulated
roots)."""

APART_MM = 2.0
"""Tips further apart than this are two answers: rough ends of a bent root differ by up to 1.2 mm (simulated roots)."""

LEAN_DEG = 20.0
"""Axes that lean further apart than this are two answers, wherever they end (simulated roots)."""

BESIDE_MM = 3.0
"""A second click this far outside the usual radius means another root (our own; roots lie 5 mm apart and more)."""


@dataclass(frozen=True, eq=False)
class Answers:
    """The answer that most others support, and how the others differ.

    Attributes:
        rough: chosen; apex at its last height.
        agree, asked: how many of how many other starts give the same root.
        deeper_mm, shorter_mm: how far the tips of those that do not lie beyond and before the chosen tip (>= 0).
        apart_mm: greatest distance of such a tip from the chosen one; 0 where all agree.
        lean_deg: greatest angle between an axis and the chosen one among those that do not agree.
    """

    rough: RoughRoot
    agree: int
    asked: int
    deeper_mm: float = 0.0
    shorter_mm: float = 0.0
    apart_mm: float = 0.0
    lean_deg: float = 0.0

    @property
    def sd_mm(self) -> float:
        """Standard deviation whose 95 % interval reaches from the chosen tip to the furthest other one."""
        return min(self.apart_mm / 1.96, MOST_SD_MM)

    @property
    def words(self) -> str:
        """One sentence where the starts disagree, nothing where they agree."""
        if not self.apart_mm:
            return ""
        how = [f"{self.deeper_mm:.0f} mm deeper"] if self.deeper_mm >= 1 else []
        how += [f"{self.shorter_mm:.0f} mm less deep"] if self.shorter_mm >= 1 else []
        tip = " and ".join(how) or f"{self.apart_mm:.0f} mm aside"
        return (
            f"Sought again from {self.asked} other places on it, {self.asked - self.agree} gave another root, its tip "
            f"up to {tip}: set the tip by hand."
        )


def answers_of(
    ground: Ground, first: RoughRoot, others: Sequence[Points], overrun_mm: Callable[[RoughRoot], float]
) -> Answers:
    """Ask again from `SHARES` of the way up the first answer's axis, and from `others` (each (3,) LPS mm).

    Args:
        first: apex at its last height.
        overrun_mm: how far an answer may have run on into a plate; where answers differ, one that has not is chosen.
    """
    low, high = float(first.height_mm[0]), float(first.height_mm[-1])
    starts = [first.centre_lps_mm + (high - share * (high - low)) * first.axis for share in SHARES]
    found = [first]
    for start in [*others, *starts]:
        try:
            found.append(like(first, rough_root(ground, start)))
        except GeometryError:
            # A start that meets no root there says nothing of where this one ends.
            continue
    same = np.array([[_same(a, b) for b in found] for a in found])
    votes = same.sum(axis=1)
    if not same.all():
        votes = votes + len(found) * np.array([overrun_mm(each) == 0 for each in found])
    best = int(np.argmax(votes))
    chosen = found[best]
    odd = [other for other, fits in zip(found, same[best], strict=True) if not fits]
    ahead = [float((tip_of(other) - tip_of(chosen)) @ chosen.axis) for other in odd]
    return Answers(
        chosen,
        len(found) - 1 - len(odd),
        len(found) - 1,
        max([0.0, *ahead]),
        max([0.0, *(-a for a in ahead)]),
        max([0.0, *(max(_apart(chosen, other), APART_MM) for other in odd)]),
        max([0.0, *(_lean(chosen, other) for other in odd)]),
    )


def checked_clicks(scan: Scan, first: RoughRoot, clicks: Points) -> list[Points]:
    """The clicks (N, 3) after the first one, if they mean the same root.

    Raises:
        GeometryError: one lies outside the scan, or too far beside the root at the first click.
    """
    usual = float(np.median(first.radius_mm))
    for number, click in enumerate(clicks[1:], start=2):
        if not scan.contains(click):
            raise GeometryError(f"near: point {number} lies outside the scan; give patient millimetres inside it.")
        offset = click - first.centre_lps_mm
        beside = float(np.linalg.norm(offset - (offset @ first.axis) * first.axis))
        if beside > usual + BESIDE_MM:
            raise GeometryError(
                f"near: point {number} lies {beside:.0f} mm beside the axis of the root at the first one; "
                "click on one root at a time, each with its own command."
            )
    return list(clicks[1:])


def like(first: RoughRoot, other: RoughRoot) -> RoughRoot:
    """`other` with its axis pointing the same way as that of `first`."""
    return other if float(first.axis @ other.axis) >= 0 else other.turned()


def tip_of(rough: RoughRoot) -> Points:
    """(3,) the last place on the axis, LPS mm."""
    tip: Points = rough.centre_lps_mm + rough.height_mm[-1] * rough.axis
    return tip


def _same(one: RoughRoot, other: RoughRoot) -> bool:
    return _apart(one, other) <= APART_MM and _lean(one, other) <= LEAN_DEG


def _apart(one: RoughRoot, other: RoughRoot) -> float:
    return float(np.linalg.norm(tip_of(other) - tip_of(one)))


def _lean(one: RoughRoot, other: RoughRoot) -> float:
    return float(np.degrees(np.arccos(np.clip(one.axis @ other.axis, -1.0, 1.0))))
