"""The planned fixture of one site: where it stands, how near it comes to what, how it gets there."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from siteplan.bone import BoneFindings, mean_grey_in
from siteplan.case import SiteEntry
from siteplan.case_library import Library
from siteplan.findings import FixtureGrey, FixtureLevel, PlacedFixture
from siteplan.fixture import Fixture, Pose, Solid
from siteplan.frame import Vector
from siteplan.measures import Measure
from siteplan.placement import Clearance, bone_cover, fixture_to_fixture, fixture_to_fixture_risk
from siteplan.placement.access import Opening
from siteplan.placement.drawn_beside import to_structures
from siteplan.placement.hand import Hand, Risk, risk
from siteplan.placement.hand_cover import cover_risks
from siteplan.placement.ridge import ridge_of
from siteplan.scan import Scan
from siteplan.surgery import Preparation, prepare
from siteplan.surgery.around import RISK_SAMPLES

DEFAULT_DENSITY_TABLE = "five-class"
"""The table most clinicians know; a case can name another."""


@dataclass(frozen=True, eq=False)
class Setting:
    """One fixture at its site, and all that is asked about it."""

    scan: Scan
    entry: SiteEntry
    library: Library
    bone: BoneFindings
    fixture: Fixture
    pose: Pose

    @property
    def platform_mm(self) -> float:
        """Of the platform, below the measured bone entry."""
        frame = self.bone.frame
        return float((self.pose.platform_lps_mm - frame.origin_lps_mm) @ frame.axis)

    @property
    def scan_sd_mm(self) -> float:
        """What the scan adds to a drawn position."""
        return scan_sd_mm(self.scan)

    @property
    def hand(self) -> Hand:
        """That places this fixture."""
        return self.library.guidance_at(self.entry).hand

    @cached_property
    def others(self) -> tuple["Neighbour", ...]:
        """The other sites' planned fixtures."""
        return other_fixtures(self.entry, self.library)


@dataclass(frozen=True, eq=False)
class Neighbour:
    """Another site's planned fixture."""

    tooth: int
    fixture: Fixture
    pose: Pose
    hand: Hand

    @property
    def name(self) -> str:
        """What distances to it are called."""
        return f"fixture {self.tooth}"


def placed_fixture(scan: Scan, entry: SiteEntry, bone: BoneFindings, library: Library) -> PlacedFixture:
    """Everything about the fixture that the entry names."""
    fixture = library.catalogue.get(entry.fixture or "")
    at = Setting(scan, entry, library, bone, fixture, pose_of(entry))
    clearances, beside = _clearances(at), to_other_fixtures(fixture, at.pose, at.others, library)
    quick = bone.quick
    return PlacedFixture(
        fixture,
        at.pose,
        at.platform_mm,
        at.platform_mm + fixture.length_mm,
        _levels(at),
        _grey(at),
        clearances,
        _preparation(at, (*clearances, *beside)),
        () if quick else _risks(at, clearances),
        beside,
        () if quick else _risks_between(at),
    )


def pose_of(entry: SiteEntry) -> Pose:
    """Where the case puts the fixture: platform on the planned crest point, moved by `platform_depth_mm`."""
    frame = entry.frame()
    return Pose(frame.origin_lps_mm + entry.platform_depth_mm * frame.axis, frame.axis)


def scan_sd_mm(scan: Scan) -> float:
    """SD that the voxel grid adds to a drawn position: a uniform error of one voxel edge, the longest one."""
    return max(scan.spacing_kji_mm) / float(np.sqrt(12))


def other_fixtures(entry: SiteEntry, library: Library) -> tuple[Neighbour, ...]:
    """What is planned at the case's other sites; one without a fixture, or with one that is not known, has no body."""
    known = set(library.catalogue.names)
    return tuple(
        Neighbour(site.tooth, library.catalogue.get(site.fixture), pose_of(site), library.guidance_at(site).hand)
        for site in library.sites
        if site.tooth != entry.tooth and site.fixture in known and site.fixture is not None
    )


def to_other_fixtures(
    fixture: Fixture, pose: Pose, others: Sequence[Neighbour], library: Library
) -> tuple[Clearance, ...]:
    """Distance of a body to each of the other planned ones."""
    return tuple(
        fixture_to_fixture(fixture.body, pose, other.fixture.body, other.pose, library.margins, name=other.name)
        for other in others
    )


def _clearances(at: Setting) -> tuple[Clearance, ...]:
    """To every structure, and the bone left on both sides."""
    found = to_structures(
        at.fixture.body,
        at.pose,
        at.library.structures,
        at.library.margins,
        scan_sd_mm=at.scan_sd_mm,
        planned_contacts=frozenset(at.entry.planned_contacts),
    )
    return found + tuple(bone_cover(at.bone, at.fixture.body, at.pose, at.library.margins, inner=at.entry.inner_side))


def _risks(at: Setting, clearances: tuple[Clearance, ...]) -> tuple[Risk, ...]:
    """What the hand may do to each clearance, beside what the drawing says of it."""
    hand = at.hand
    found = tuple(
        risk(
            at.fixture.body,
            at.pose,
            structure,
            at.library.margins,
            hand,
            scan_sd_mm=at.scan_sd_mm,
            planned_contact=structure.name in at.entry.planned_contacts,
            samples=RISK_SAMPLES,
        )
        for structure in at.library.structures
    )
    return found + cover_risks(ridge_of(at.bone), at.fixture.body, at.pose, clearances, hand, samples=RISK_SAMPLES)


def _risks_between(at: Setting) -> tuple[Risk, ...]:
    """What two hands may do to the distance to each other planned fixture."""
    me = Neighbour(at.entry.tooth, at.fixture, at.pose, at.hand)
    return tuple(_pair_risk(me, other, at.library, other.name) for other in at.others)


def _pair_risk(me: Neighbour, other: Neighbour, library: Library, name: str) -> Risk:
    # Always drawn in the order of the teeth, so that both sites of a pair say the same chance.
    a, b = sorted((me, other), key=lambda n: n.tooth)
    one, two = a.fixture.body, b.fixture.body
    return fixture_to_fixture_risk(one, a.pose, two, b.pose, library.margins, a.hand, name=name, other_hand=b.hand)


def _levels(at: Setting) -> tuple[FixtureLevel, ...]:
    names = ("platform", "middle", "apex")
    depths = [at.platform_mm + share * at.fixture.length_mm for share in (0.0, 0.5, 1.0)]
    found = at.bone.more_levels(depths)
    columns = (found.ridge_width, found.buccal_plate, found.lingual_plate)
    return tuple(FixtureLevel(n, d, *row) for n, d, *row in zip(names, depths, *columns, strict=True))


def _grey(at: Setting) -> FixtureGrey:
    length = at.fixture.length_mm
    third = length / 3

    def within(start_mm: float, end_mm: float, shell_mm: float = 0.0) -> Measure:
        z, r = stretch(at.fixture.body, start_mm, end_mm)
        return mean_grey_in(at.bone, z + at.platform_mm, r, shell_mm=shell_mm)

    return FixtureGrey(
        within(0, length),
        within(0, length, 1.0),
        within(0, third),
        within(third, 2 * third),
        within(2 * third, length),
    )


def stretch(solid: Solid, start_mm: float, end_mm: float) -> tuple[Vector, Vector]:
    """(z, r) outline of the part of a solid between two heights."""
    inside = (solid.z_mm > start_mm) & (solid.z_mm < end_mm)
    ends = np.interp([start_mm, end_mm], solid.z_mm, solid.r_mm)
    return (
        np.concatenate([[start_mm], solid.z_mm[inside], [end_mm]]),
        np.concatenate([ends[:1], solid.r_mm[inside], ends[1:]]),
    )


def _preparation(at: Setting, clearances: tuple[Clearance, ...]) -> Preparation:
    """The drilling card."""
    entry, bone, library = at.entry, at.bone, at.library
    return prepare(
        at.fixture,
        at.pose,
        bone.frame,
        approach=entry.approach,
        soft_tissue_mm=entry.soft_tissue_mm,
        cortex=bone.crestal_cortex,
        density=next((d for d in bone.density if d.table == DEFAULT_DENSITY_TABLE), None),
        jaw=entry.jaw,
        structures=library.structures,
        margins=library.margins,
        kit=library.kit,
        protocol=library.protocol,
        planned_contacts=entry.planned_contacts,
        alternatives=library.catalogue.fixtures,
        check_fixture=lambda other: _stands_in_bone_and_apart(at, other),
        bone=bone,
        hand=None if bone.quick else at.hand,
        opening=_opening(at),
        clearances=clearances,
        scan_sd_mm=at.scan_sd_mm,
    )


def _stands_in_bone_and_apart(at: Setting, other: Fixture) -> tuple[Clearance, ...]:
    """What another fixture in the same place would leave on both sides, and to the other planned fixtures."""
    cover = bone_cover(at.bone, other.body, at.pose, at.library.margins, inner=at.entry.inner_side)
    return (*cover, *to_other_fixtures(other, at.pose, at.others, at.library))


def _opening(at: Setting) -> Opening | None:
    """As measured at the site, else between the front teeth, else not known."""
    if at.entry.free_height_mm is not None:
        return Opening(at.entry.free_height_mm)
    front = at.library.mouth_opening_mm
    return None if front is None else Opening(front, at_site=False)
