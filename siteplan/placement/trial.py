"""What a search for a place works on: the site with its surroundings, and trial places as five numbers each."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from siteplan.anatomy.structure import Structure
from siteplan.bone import BoneFindings
from siteplan.fixture.solid import Pose, Solid
from siteplan.frame import Vector
from siteplan.placement.hand import ASSUMED, Hand, hands
from siteplan.placement.margins import Margins
from siteplan.placement.profile import Array, Poses
from siteplan.placement.ridge import Ridge, ridge_of


@dataclass(frozen=True, slots=True)
class Reach:
    """How far from the planned place is searched.

    Attributes:
        buccal_mm, distal_mm: to each side of the planned axis, at the crest.
        tilt_deg: largest angle to the planned axis, which stands for the axis of the tooth to be carried.
            15 degrees: lower end of the range in which one-piece abutments are bent (practice texts, from memory).
        sink_mm: platform below the bone entry, from and to.
    """

    buccal_mm: float = 1.5
    distal_mm: float = 1.0
    tilt_deg: float = 15.0
    sink_mm: tuple[float, float] = (0.0, 1.0)

    @property
    def low(self) -> Array:
        """Least values of the five numbers of a trial."""
        return np.array([-self.buccal_mm, -self.distal_mm, -self.tilt_deg, -self.tilt_deg, self.sink_mm[0]])

    @property
    def high(self) -> Array:
        """Greatest values of the five numbers of a trial."""
        return np.array([self.buccal_mm, self.distal_mm, self.tilt_deg, self.tilt_deg, self.sink_mm[1]])


@dataclass(frozen=True, eq=False)
class Place:
    """A site and what lies around it.

    Attributes:
        bone: measured with the planned axis. structures: everything that a margin applies to.
        planned_contacts: names of structures that basal designs may engage on purpose.
        neighbours: bodies and poses of other fixtures, each with its name.
        neighbour_axes: unit axes of other fixtures or teeth; (K, 3), K may be 0.
        scan_sd_mm: standard deviation that the scan adds to a structure's position.
        cover_from_mm: depth from which on bone is left on both sides, below where bone begins beneath the platform.
        way_in: unit direction (3,) towards the apex and the angle in degrees within which the axis must stay around it,
            so that one restoration goes in over several fixtures; None where nothing is asked.
        inner: what the inner side is called, "palatal" in an upper jaw.
        hand: that places the fixture; proposals are ranked by how often it would break a margin.
        neighbour_hands: of the neighbours in their order; where there are fewer, `hand` stands for the rest.
        planned: where the case puts the fixture now; always among the places that are tried. None: nothing planned.
    """

    bone: BoneFindings
    structures: Sequence[Structure]
    margins: Margins
    planned_contacts: frozenset[str] = frozenset()
    neighbours: tuple[tuple[str, Solid, Pose], ...] = ()
    neighbour_axes: Array | None = None
    scan_sd_mm: float = 0.0
    cover_from_mm: float = 1.0
    reach: Reach = Reach()
    way_in: tuple[Vector, float] | None = None
    planned: Pose | None = None
    inner: str = "lingual"
    hand: Hand = field(default_factory=lambda: hands()[ASSUMED])
    neighbour_hands: tuple[Hand, ...] = ()

    @property
    def ridge(self) -> Ridge:
        """Outer surface of the ridge."""
        return ridge_of(self.bone)

    def poses(self, trials: Array) -> tuple[Poses, Array]:
        """Poses of trials (N, 5): buccal mm, distal mm, tilt to buccal deg, tilt to distal deg, sink mm.

        Returns:
            The poses, and the depth (N,) of each platform below the site's bone entry; NaN where there is no bone
            beneath the place.
        """
        frame = self.bone.frame
        b, m, tilt_b, tilt_m, sink = trials.T
        depth = self.ridge.entry_mm(b, m) + sink
        platform = frame.to_lps(np.where(np.isfinite(depth), depth, 0.0), b, m)
        axis = (
            frame.axis
            + np.tan(np.radians(tilt_b))[:, None] * frame.buccal
            + np.tan(np.radians(tilt_m))[:, None] * frame.distal
        )
        return Poses(platform, axis / np.linalg.norm(axis, axis=1, keepdims=True)), depth

    def own_entry_mm(self, poses: Poses) -> Array:
        """Depth (N,) below the site's bone entry at which bone begins beneath each platform; 0 where there is none."""
        at = self.bone.frame.from_lps(poses.platform_lps_mm)
        entry = self.ridge.entry_mm(at[:, 1], at[:, 2])
        return np.where(np.isfinite(entry), entry, 0.0)

    def trial_of(self, pose: Pose) -> Array | None:
        """The five numbers (5,) of a pose, the other way round; None where no bone lies beneath it.

        A pose outside the reach keeps its numbers: what a person planned is looked at where it stands.
        """
        frame = self.bone.frame
        depth, b, m = (float(x) for x in frame.from_lps(pose.platform_lps_mm))
        sink = depth - float(self.ridge.entry_mm(np.array([b]), np.array([m]))[0])
        along = float(pose.axis @ frame.axis)
        if not np.isfinite(sink) or along <= 0:
            return None
        tilts = [float(np.degrees(np.arctan2(pose.axis @ way, along))) for way in (frame.buccal, frame.distal)]
        return np.array([b, m, *tilts, sink])

    def tilt_deg(self, poses: Poses) -> Array:
        """Angle (N,) to the planned axis."""
        return np.degrees(np.arccos(np.clip(poses.axis @ self.bone.frame.axis, -1.0, 1.0)))


def grid(reach: Reach) -> Array:
    """Evenly spread trials (N, 5) to begin with: every combination of a few values each, within the tilt limit."""
    low, high = reach.low, reach.high
    counts = (5, 3, 3, 3, 1)
    ticks = [
        np.linspace(a, b, n) if n > 1 else np.array([0.5 * (a + b)]) for a, b, n in zip(low, high, counts, strict=True)
    ]
    trials = np.stack([v.ravel() for v in np.meshgrid(*ticks, indexing="ij")], axis=1)
    return inside(trials, reach)


def inside(trials: Array, reach: Reach) -> Array:
    """Trials moved to within the reach; a tilt beyond the limit is shortened to it."""
    trials = np.clip(trials, reach.low, reach.high)
    slope = np.hypot(np.tan(np.radians(trials[:, 2])), np.tan(np.radians(trials[:, 3])))
    # A hair inside the limit, so that rounding cannot carry a trial over it.
    share = np.minimum(1.0, np.tan(np.radians(reach.tilt_deg)) * (1 - 1e-9) / np.maximum(slope, 1e-12))
    for column in (2, 3):
        trials[:, column] = np.degrees(np.arctan(share * np.tan(np.radians(trials[:, column]))))
    return trials


def at_random(reach: Reach, count: int, rng: np.random.Generator) -> Array:
    """Trials (count, 5) drawn evenly from the reach."""
    return inside(rng.uniform(reach.low, reach.high, (count, 5)), reach)
