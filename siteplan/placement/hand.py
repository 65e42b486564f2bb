"""The hand is not exact: chance that a structure is touched or its margin broken, under published deviations.

The entry point is moved by a normal deviation that is the same in all three directions, the axis is tilted by a normal
deviation that is the same in both. The spread is set so that the mean square of the published entry distance and angle
is met (or their mean, where no standard deviation is published): for such deviations the distance is Maxwell and the
angle Rayleigh distributed (closed forms in any table of distributions). How the deviations go together is not
published; they are drawn independently.
"""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.anatomy.structure import Structure, Surface
from siteplan.errors import GeometryError, LibraryFileError
from siteplan.fixture.solid import Pose, Solid
from siteplan.placement.clearances import TWO_SIDED_95, quick_distances, search_distances
from siteplan.placement.margins import Margins
from siteplan.placement.profile import Array, Poses, across
from siteplan.placement.travel import ANGLES_MANY, travel_behind

SAMPLES = 4000
"""Draws for one answer: a chance of 1 % is then known to about 0.3 % (binomial; our own choice)."""

ASSUMED = "free"
"""The hand of a case that does not say how its drills are led: the one that deviates most."""

SEED = 71_993
"""Fixed, so that the same plan always gives the same answer."""

_MAXWELL_MEAN = float(np.sqrt(8 / np.pi))
_RAYLEIGH_MEAN = float(np.sqrt(np.pi / 2))


@dataclass(frozen=True, slots=True)
class Hand:
    """Spread of placed fixtures around their plan.

    Attributes:
        entry_sd_mm: standard deviation of the entry point in each of three directions.
        angle_sd_deg: standard deviation of the tilt in each of two directions.
        words, phrase: "static guide", "with a static guide". caution: what the figures do not hold for.
    """

    name: str
    entry_sd_mm: float
    angle_sd_deg: float
    source: str
    status: str = ""
    words: str = "hand"
    phrase: str = "by this hand"
    caution: str = ""

    def poses(self, pose: Pose, count: int, seed: int = SEED) -> Poses:
        """Poses as they might end up, `count` of them."""
        rng = np.random.default_rng(seed)
        moved = pose.platform_lps_mm + rng.normal(0.0, self.entry_sd_mm, (count, 3))
        tilt = np.radians(rng.normal(0.0, self.angle_sd_deg, (count, 2)))
        first, second = across(pose.axis[None, :])
        angle = np.linalg.norm(tilt, axis=1, keepdims=True)
        aside = (tilt[:, :1] * first + tilt[:, 1:] * second) / np.maximum(angle, 1e-15)
        return Poses(moved, np.cos(angle) * pose.axis + np.sin(angle) * aside)


@dataclass(frozen=True, slots=True)
class Chance:
    """A probability with its 95 % interval (Wilson EB, J Am Stat Assoc 22:209-212, 1927), from `samples` draws."""

    value: float
    low: float
    high: float
    samples: int

    def as_json(self) -> dict[str, Any]:
        """As it appears in results."""
        numbers = {"value": self.value, "low": self.low, "high": self.high}
        return {k: round(v, 5) for k, v in numbers.items()} | {"samples": self.samples, "seed": SEED}


@dataclass(frozen=True, slots=True)
class Risk:
    """Chance of touching one structure, and of coming nearer than its margin, with the hand that was assumed.

    For the bone on one side, touching is reaching its outer surface. For a planned contact, touching is passing the
    surface, and `margin_mm` is how far it may be passed: `breach` is the chance of going further. Between two fixtures
    `other_hand` is that of the second one.
    """

    structure: str
    touch: Chance
    breach: Chance
    hand: Hand
    margin_mm: float
    contact: bool = False
    other_hand: Hand | None = None

    def as_json(self) -> dict[str, Any]:
        """As it appears in `findings.json`."""
        other = self.other_hand
        return {
            "structure": self.structure,
            "touch": self.touch.as_json(),
            "breach": self.breach.as_json(),
            "margin": self.margin_mm,
            "hand": self.hand.name,
            "hand_source": self.hand.source,
            **({"contact": True} if self.contact else {}),
            **({"other_hand": other.name, "other_hand_source": other.source} if other is not None else {}),
        }


def hands() -> dict[str, Hand]:
    """The published hands by name: `free`, `static-guide`, `navigation`.

    Raises:
        LibraryFileError: the file that comes with the package is damaged.
    """
    return dict(_read(Path(__file__).with_name("hand.toml")))


@cache
def _read(path: Path) -> dict[str, Hand]:
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))["hand"]
        return {name: _hand(name, entry) for name, entry in table.items()}
    except (OSError, KeyError, TypeError, tomllib.TOMLDecodeError) as error:
        raise LibraryFileError(f"{path.name}: the file of deviations is damaged; install the package again.") from error


def _hand(name: str, entry: dict[str, Any]) -> Hand:
    def spread(mean: float, sd: float | None, directions: int, mean_of_one: float) -> float:
        return mean / mean_of_one if sd is None else float(np.sqrt((mean * mean + sd * sd) / directions))

    return Hand(
        name,
        spread(entry["entry_mm"], entry.get("entry_sd_mm"), 3, _MAXWELL_MEAN),
        spread(entry["angle_deg"], entry.get("angle_sd_deg"), 2, _RAYLEIGH_MEAN),
        entry["source"],
        entry["status"],
        entry["words"],
        entry["phrase"],
        entry["caution"],
    )


def risk(
    solid: Solid,
    pose: Pose,
    structure: Structure,
    margins: Margins,
    hand: Hand,
    *,
    scan_sd_mm: float = 0.0,
    depth_sd_mm: float = 0.0,
    planned_contact: bool = False,
    samples: int = SAMPLES,
) -> Risk:
    """Chance of touching the structure and of breaking its margin.

    Each draw moves the fixture by the hand and the structure's surface by its own and the scan's uncertainty.

    Args:
        depth_sd_mm: standard deviation of the depth along the axis beside the hand's, as where it is read at the gum.
        planned_contact: the structure is engaged on purpose: chance of passing it at all, and of going further behind
            it than its limit allows. Ignored where the margins have no such limit.
    """
    poses = _moved(hand.poses(pose, samples), depth_sd_mm)
    limit = margins.contact(structure.kind) if planned_contact else None
    keep = margins.of(structure.kind).value_mm if limit is None else -limit.value_mm
    drawn = drawn_distances(solid, poses, structure, scan_sd_mm, keep, along_axis=limit is not None)
    return Risk(structure.name, chance_of(drawn < 0.0), chance_of(drawn < keep), hand, abs(keep), limit is not None)


def _moved(poses: Poses, depth_sd_mm: float) -> Poses:
    """Poses deeper or less deep by a normal deviation of its own."""
    if depth_sd_mm <= 0:
        return poses
    deeper = depth_sd_mm * np.random.default_rng(SEED + 2).normal(0.0, 1.0, len(poses))
    return Poses(poses.platform_lps_mm + deeper[:, None] * poses.axis, poses.axis)


def deepest_mm(
    solid: Solid,
    pose: Pose,
    structure: Structure,
    hand: Hand,
    *,
    level: float = 0.01,
    keep_mm: float = 0.0,
    scan_sd_mm: float = 0.0,
    samples: int = SAMPLES,
    span_mm: float = 12.0,
) -> float | None:
    """How much further (+) or less far (-) the fixture may go along its axis until the chance reaches `level`.

    Args:
        level: accepted chance of coming nearer than `keep_mm` (0: of touching). Its upper 95 % bound stays below it.
        span_mm: how far up and down is looked.

    Returns:
        Millimetres along the axis, to a hundredth, never on the unsafe side of the answer; `span_mm` where the chance
        stays below the level all the way; None where even `span_mm` less deep does not reach it.
    """
    if not 0.0 < level < 1.0:
        raise GeometryError(f"level: a chance between 0 and 1 is needed, not {level}.")

    def safe(shift: float) -> bool:
        moved = Pose(pose.platform_lps_mm + shift * pose.axis, pose.axis)
        drawn = drawn_distances(solid, hand.poses(moved, samples), structure, scan_sd_mm, keep_mm)
        return chance_of(drawn < keep_mm).high < level

    # Down from the top in half millimetres: beyond a structure the chance falls again, and that is no way to go.
    good = -span_mm
    if not safe(good):
        return None
    while good < span_mm and safe(min(good + 0.5, span_mm)):
        good = min(good + 0.5, span_mm)
    if good >= span_mm:
        return span_mm
    bad = good + 0.5
    while bad - good > 0.01:
        middle = 0.5 * (good + bad)
        good, bad = (middle, bad) if safe(middle) else (good, middle)
    return good


def drawn_distances(
    solid: Solid, poses: Poses, structure: Structure, scan_sd_mm: float, keep_mm: float, *, along_axis: bool = False
) -> Array:
    """Distances (N,) to a structure as they might turn out, with its and the scan's doubt.

    Those far above `keep_mm` (and 0) may be given too small, but still above it.

    `along_axis`: behind a surface, the way that was gone past it along the axis, where that is worse.
    """
    spread = float(np.hypot(structure.uncertainty_mm, scan_sd_mm))
    # Its own stream, so that hand and structure stay independent.
    doubt = spread * np.random.default_rng(SEED + 1).normal(0.0, 1.0, len(poses))
    # Depths count here, because the doubt is added to them; only behind a mesh the rough ones of a search must do.
    if isinstance(structure.shape, Surface):
        enough = max(keep_mm, 0.0) + float(np.abs(doubt).max())
        value = search_distances(solid, poses, structure.shape, enough).value
        if along_axis:
            behind = travel_behind(solid, poses, structure.shape, angles=ANGLES_MANY)
            # Lines that pass outside an open mesh tell nothing: there the depth of the tip stays.
            value = np.where(behind > 0, -behind, value)
        return value + doubt
    return quick_distances(solid, poses, structure.shape).value + doubt


def chance_of(hit: Any) -> Chance:
    """The share of draws that hit, with its interval."""
    n = len(hit)
    p = float(np.mean(hit))
    z = TWO_SIDED_95
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * float(np.sqrt(p * (1 - p) / n + z * z / (4 * n * n)))
    return Chance(p, max(0.0, middle - half), min(1.0, middle + half), n)
