"""Find the structures of a simulated scan from clicks of an unsteady hand, and put the numbers beside the truth."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_erosion
from scipy.spatial import cKDTree

from siteplan.anatomy.canal import trace_canal
from siteplan.anatomy.canal_search import propose_canals
from siteplan.anatomy.curve import resampled
from siteplan.anatomy.foramen import find_foramen
from siteplan.anatomy.root import trace_root
from siteplan.anatomy.sinus import sinus_floor
from siteplan.anatomy.structure import Cone, Structure, Surface, Tube
from siteplan.errors import GeometryError
from siteplan.fixture.solid import Pose, Solid
from siteplan.placement.clearances import clearance, distances
from siteplan.placement.margins import load_margins
from siteplan.placement.profile import Poses
from tests.validation.jaw import Array
from tests.validation.structures_cases import Case
from tests.validation.structures_shapes import to_lps

HAND_MM = 0.4
"""Standard deviation of a click in each direction (our own estimate of a careful hand)."""

FAR_CLICKS_MM = (1.5, 2.5)
"""Clicks that are this far beside the canal, in any direction across it."""

FIXTURES = 4
"""Random fixtures to each structure."""


@dataclass(frozen=True)
class Row:
    """One number: what it should be, what it is, its interval; `group` says what it is compared with."""

    regime: str
    case: int
    quantity: str
    truth: float
    value: float | None
    low: float | None = None
    high: float | None = None
    note: str = ""


def rows_of(case: Case, number: int) -> list[Row]:
    """Rows of one simulated scan."""
    rng = np.random.default_rng([number, 77])
    found: list[Row] = []

    def add(quantity: str, truth: float, value: float | None, *interval: float, note: str = "") -> None:
        low, high = interval if interval else (None, None)
        found.append(Row(case.regime, number, quantity, truth, value, low, high, note))

    if case.scene.canal is not None:
        _canal(case, rng, add)
    if case.scene.cavity is not None:
        _floor(case, rng, add)
    for n in range(len(case.scene.roots)):
        _root(case, n, rng, add)
    return found


class Course:
    """The true canal in patient space, finely sampled, without what lies outside the scanned piece or the bone."""

    def __init__(self, case: Case) -> None:
        canal = case.scene.canal
        assert canal is not None
        inside = case.scene.place.jaw.outer(*canal.course_suw.T) < 1
        inside &= case.scan.contains(to_lps(case.scene.place, canal.course_suw))
        self.line = to_lps(case.scene.place, canal.course_suw[inside])
        self.radius = canal.radius_mm[inside]
        self.blind = canal.blind[inside]
        self.tube = Tube(self.line, self.radius)

    def clicks(self, rng: np.random.Generator, off_mm: float | None = None) -> Array:
        """Two clicks 2.5 mm inside the ends: off by the hand's error, or by `off_mm` across the canal."""
        ends = np.array([25, len(self.line) - 26])
        if off_mm is None:
            return np.asarray(self.line[ends] + rng.normal(0, HAND_MM, (2, 3)))
        out = []
        for end in ends:
            along = self.line[end + 3] - self.line[end - 3]
            away = np.cross(along, rng.normal(size=3))
            out.append(self.line[end] + off_mm * away / np.linalg.norm(away))
        return np.array(out)

    def errors(self, canal: Structure) -> tuple[Array, Array, Array]:
        """Distance (N,) of each found point to the true centreline, radius errors, and whether truth is blind there."""
        assert isinstance(canal.shape, Tube)
        away = cKDTree(resampled(self.line, 0.02)).query(canal.shape.points_lps_mm)[0]
        nearest = cKDTree(self.line).query(canal.shape.points_lps_mm)[1]
        return away, canal.shape.radius_mm - self.radius[nearest], self.blind[nearest]


def _canal(case: Case, rng: np.random.Generator, add: object) -> None:
    assert callable(add)
    course = Course(case)
    canal = trace_canal(case.scan, course.clicks(rng))
    away, radius, blind = course.errors(canal)
    add("canal centreline, mean", 0.0, float(away[~blind].mean()))
    add("canal centreline, worst", 0.0, float(away[~blind].max()))
    half = 1.96 * canal.uncertainty_mm
    assert isinstance(canal.shape, Tube)
    for n in np.flatnonzero(~blind)[::8]:
        value = float(canal.shape.radius_mm[n])
        add("canal radius", value - float(radius[n]), value, value - half, value + half)
    confidence = canal.confidence
    assert confidence is not None
    add("canal seen where it is", 1.0, float(np.mean(confidence[~blind] >= 0.5)))
    if blind.any():
        # Grey is averaged along the canal with an SD of 1 mm, so a blind stretch begins to show after that.
        deep = binary_erosion(blind, iterations=2)
        add("canal seen where none is", 0.0, float(np.mean(confidence[deep] >= 0.5)))
    _distances(case, canal, course.tube, course.line, rng, add, "canal")
    for off in FAR_CLICKS_MM:
        far = trace_canal(case.scan, course.clicks(rng, off))
        away, _, blind = course.errors(far)
        add(f"canal mean, clicks {off:g} mm beside it", 0.0, float(away[~blind].mean()))
        add(f"canal worst, clicks {off:g} mm beside it", 0.0, float(away[~blind].max()))
    _foramen(case, canal, add)
    _without_clicks(case, course, add)


def _foramen(case: Case, canal: Structure, add: object) -> None:
    assert callable(add)
    truth = case.scene.canal
    assert truth is not None
    try:
        found = find_foramen(case.scan, canal)
    except GeometryError as error:
        add(
            "foramen proposed where it is" if truth.foramen_suw is not None else "foramen proposed where none is",
            0,
            None,
            note=str(error),
        )
        return
    if truth.foramen_suw is None:
        add("foramen proposed where none is", 0.0, found.confidence)
        return
    assert isinstance(found.structure.shape, Tube)
    away = found.structure.shape.points_lps_mm[0] - to_lps(case.scene.place, truth.foramen_suw)
    add("foramen, place", 0.0, float(np.linalg.norm(away)))
    m = found.loop
    if m is not None and m.value is not None and m.low is not None and m.high is not None and truth.loop_mm is not None:
        add("anterior loop", truth.loop_mm, m.value, m.low, m.high)


def _without_clicks(case: Case, course: Course, add: object) -> None:
    assert callable(add)
    try:
        (canal, *_) = propose_canals(case.scan)
    except GeometryError as error:
        add("canal proposed, 90 % of it within", 0.0, None, note=str(error))
        return
    away, _, blind = course.errors(canal)
    add("canal proposed, 90 % of it within", 0.0, float(np.percentile(away[~blind], 90)))


def _distances(
    case: Case, found: Structure, true: Tube | Cone, around: Array, rng: np.random.Generator, add: object, word: str
) -> None:
    """Fixtures at random near the structure: found distance with its interval against the exact one to the truth."""
    assert callable(add)
    solid, margins = Solid(np.array([0.0, 9.0]), np.array([2.0, 2.0])), load_margins()
    scan_sd = case.scanner.voxel_mm / float(np.sqrt(12))
    for pose in _poses(case, around, rng, solid.length_mm):
        c = clearance(solid, pose, found, margins, scan_sd_mm=scan_sd)
        truth = float(distances(solid, Poses.of(pose), true).value[0])
        m = c.distance
        if m.value is not None and m.low is not None and m.high is not None:
            add(f"distance to {word}", truth, m.value, m.low, m.high)


def _poses(case: Case, around: Array, rng: np.random.Generator, length: float) -> Iterator[Pose]:
    """Fixtures that end 0.5 to 4 mm towards the crest from, or beside, places on the structure."""
    up = case.scene.place.rotation[:, 2] * case.scene.place.up
    margin = len(around) // 6
    for _ in range(FIXTURES):
        target = around[rng.integers(margin, len(around) - margin)]
        axis = -up + rng.normal(0, 0.12, 3)
        axis /= np.linalg.norm(axis)
        beside = np.cross(axis, rng.normal(size=3))
        tip = target + rng.uniform(2.0, 5.5) * up + rng.uniform(0, 1.5) * beside / np.linalg.norm(beside)
        yield Pose(tip - length * axis, axis)


def _floor(case: Case, rng: np.random.Generator, add: object) -> None:
    assert callable(add)
    cavity = case.scene.cavity
    assert cavity is not None
    up = cavity.turn[:, 2]
    floor_at = cavity.lowest()
    click = floor_at + rng.uniform(-6.0, 2.0) * up * -1.0 * case.scene.place.up + rng.normal(0, 1.0, 3)
    towards = case.scene.place.rotation[:, 2] * -case.scene.place.up
    try:
        floor = sinus_floor(case.scan, click, up=towards)
    except GeometryError as error:
        add("sinus floor, worst over the site", 0.0, None, note=str(error))
        return
    shape = floor.structure.shape
    assert isinstance(shape, Surface)
    error = cavity.signed_mm(shape.points_lps_mm)
    beside = shape.points_lps_mm - click
    beside = beside - (beside @ towards)[:, None] * towards
    over = np.linalg.norm(beside, axis=1) < 5.0
    for root in case.scene.roots:
        # Where a root stands up into the cavity its own surface is what the air ends at.
        over &= root.signed_mm(shape.points_lps_mm) > 1.0
    if cavity.septum is not None:
        over &= np.abs(cavity.ridge_mm(shape.points_lps_mm)) > 1.5
        add("septum height", cavity.septum[2], floor.septum_mm)
    add("sinus floor, mean over the site", 0.0, float(np.abs(error[over]).mean()))
    add("sinus floor, worst over the site", 0.0, float(np.abs(error[over]).max()))
    half = 1.96 * floor.structure.uncertainty_mm
    for e in error[over][:: max(1, over.sum() // 8)]:
        add("sinus floor, place", 0.0, float(e), float(e) - half, float(e) + half)
    add("floor plate", cavity.plate_mm, float(np.median(floor.plate_mm[over])))
    add("lining", cavity.lining_mm, float(np.median(floor.lining_mm[over])))
    if cavity.septum is None:
        _floor_distances(case, floor.structure, rng, add)


def _floor_distances(case: Case, found: Structure, rng: np.random.Generator, add: object) -> None:
    assert callable(add)
    cavity = case.scene.cavity
    assert cavity is not None
    turn = rng.normal(size=(400_000, 3))
    turn /= np.linalg.norm(turn, axis=1, keepdims=True)
    wall = cavity.centre + (turn * cavity.semi_mm) @ cavity.turn.T
    solid, margins = Solid(np.array([0.0, 9.0]), np.array([2.0, 2.0])), load_margins()
    low = cavity.lowest() + rng.normal(0, 1.0, (6, 3))
    for pose in _poses(case, low, rng, solid.length_mm):
        h = (wall - pose.platform_lps_mm) @ pose.axis
        r = np.linalg.norm(wall - pose.platform_lps_mm - h[:, None] * pose.axis, axis=1)
        past, out = np.maximum(h - 9.0, -h), r - 2.0
        gap = np.where((past > 0) & (out > 0), np.hypot(past, out), np.maximum(past, out))
        c = clearance(solid, pose, found, margins, scan_sd_mm=case.scanner.voxel_mm / float(np.sqrt(12)))
        m = c.distance
        if m.value is not None and m.low is not None and m.high is not None and gap.min() > 0:
            add("distance to sinus floor", float(gap.min()), m.value, m.low, m.high)


def _root(case: Case, number: int, rng: np.random.Generator, add: object) -> None:
    assert callable(add)
    true = case.scene.roots[number]
    click = true.base + rng.uniform(0.35, 0.65) * (true.tip - true.base) + rng.normal(0, HAND_MM, 3)
    try:
        root = trace_root(case.scan, click)
    except GeometryError as error:
        add("root surface, worst", 0.0, None, note=str(error))
        return
    shape = root.structure.shape
    assert isinstance(shape, Surface)
    points = _on_mesh(shape, rng)
    error = true.signed_mm(points)
    # How a root ends in the gum is not what a fixture is kept from: its part in the bone counts.
    s, u, w = case.scene.place.to_jaw(points)
    inside = case.scene.place.jaw.outer(s, u, w) < 1
    add("root surface, mean", 0.0, float(np.abs(error[inside]).mean()))
    add("root surface, worst", 0.0, float(np.abs(error[inside]).max()))
    half = 1.96 * root.structure.uncertainty_mm
    for e in error[inside][:16]:
        add("root surface, place", 0.0, float(e), float(e) - half, float(e) + half)
    axis, real = root.apex_lps_mm - root.coronal_lps_mm, true.tip - true.base
    cosine = axis @ real / np.linalg.norm(axis) / np.linalg.norm(real)
    add("root axis, degrees", 0.0, float(np.degrees(np.arccos(np.clip(cosine, -1, 1)))))
    cone = Cone(true.base, true.tip, true.base_radius_mm, true.tip_radius_mm)
    beside = case.scene.place.rotation[:, 1] * rng.uniform(4.6, 6.5)
    line = true.base + np.linspace(0.7, 1.0, 12)[:, None] * (true.tip - true.base) + beside
    _distances(case, root.structure, cone, line, rng, add, "root")


def _on_mesh(shape: Surface, rng: np.random.Generator) -> Array:
    """2,000 points spread evenly over the triangles."""
    a, b, c = (shape.points_lps_mm[shape.triangles[:, n]] for n in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    which = rng.choice(len(area), 2000, p=area / area.sum())
    one, two = rng.random((2, 2000, 1))
    flip = one + two > 1
    one, two = np.where(flip, 1 - one, one), np.where(flip, 1 - two, two)
    return np.asarray(a[which] + one * (b[which] - a[which]) + two * (c[which] - a[which]))
