"""Which side of a mesh a point lies on, near it and far beside it: closed forms of a flat sheet, and brute force."""

import numpy as np
from scipy.spatial import Delaunay

from siteplan.anatomy.structure import Kind, Structure, Surface
from siteplan.fixture import Pose, load_catalogue
from siteplan.placement import load_margins
from siteplan.placement.hand import hands, risk
from siteplan.placement.mesh import Mesh
from siteplan.placement.profile import Poses
from siteplan.placement.to_surface import distances_to_surface, rough_distances_to_surface
from tests.placement._brute import sheet


def _ragged(rng: np.random.Generator) -> Surface:
    """A steep bumpy sheet over points strewn about, large and small triangles side by side, its rim in and out."""
    at = rng.uniform(-6, 6, (110, 2)) * rng.uniform(0.3, 1.0, (110, 1))
    height = 0.1 * (at**2).sum(axis=1) + rng.normal(0, 0.6, len(at))
    triangles = Delaunay(at).simplices.astype(np.int64)
    sides = np.linalg.norm(at[triangles] - np.roll(at[triangles], 1, axis=1), axis=2)
    kept = sides.max(axis=1) < 4.0
    return Surface(np.column_stack([at, height]), triangles[kept], np.array([0.0, 0.0, 1.0]))


def test_past_the_rim_of_a_flat_sheet_nothing_is_behind_however_far() -> None:
    """Behind z = 0 over a square of 20 mm are the points above it and none beside it."""
    mesh = Mesh.of(sheet(lambda x, y: 0.0 * x, count=9))
    rng = np.random.default_rng(4)
    points = np.concatenate([rng.uniform(-60, 60, (4000, 3)), rng.uniform(-14, 14, (4000, 3))])
    over = (np.abs(points[:, :2]) < 10.0).all(axis=1)
    assert np.array_equal(mesh.signed(points) < 0, over & (points[:, 2] > 0))


def test_straight_out_from_a_corner_nothing_is_behind() -> None:
    """Nearest is the corner itself, whichever of its edges is looked at first."""
    for count in (3, 4, 7):
        mesh = Mesh.of(sheet(lambda x, y: 0.03 * x * y, count=count))
        for corner in mesh.points[(np.abs(mesh.points[:, :2]) == 10.0).all(axis=1)]:
            away = np.outer(np.linspace(0.5, 40, 30), [*(corner[:2] / 10.0), 0.4])
            assert (mesh.signed(corner + away) > 0).all()


def test_a_search_says_behind_only_what_is() -> None:
    """Quick distances of many bodies around a ragged floor, near and far, against those that are proven."""
    rng = np.random.default_rng(8)
    body = load_catalogue().get("demo-compressive-3.0x8").body
    for _ in range(4):
        floor = _ragged(rng)
        way = rng.normal(size=(150, 3))
        way *= rng.uniform(4, 60, (150, 1)) / np.linalg.norm(way, axis=1)[:, None]
        axis = rng.normal(size=(150, 3))
        poses = Poses(way, axis / np.linalg.norm(axis, axis=1)[:, None])
        quick = rough_distances_to_surface(body, poses, floor, 1e-3).value
        proven = distances_to_surface(body, poses, floor).value
        assert not ((quick < 0) & (proven > 0)).any()


def test_a_floor_on_the_other_side_of_the_head_is_touched_by_no_hand() -> None:
    """A fixture 40 to 50 mm below and beside a floor: five standard deviations of a free hand are below 10 mm."""
    rng = np.random.default_rng(2)
    fixture, hand = load_catalogue().get("demo-compressive-3.0x8"), hands()["free"]
    for _ in range(8):
        floor = _ragged(rng)
        turn = rng.uniform(0, 2 * np.pi)
        pose = Pose(np.array([40 * np.cos(turn), 40 * np.sin(turn), -20.0]), np.array([0.0, 0.0, -1.0]))
        structure = Structure(Kind.SINUS_FLOOR, "floor", floor, uncertainty_mm=0.8)
        found = risk(fixture.body, pose, structure, load_margins(), hand, samples=500)
        assert found.touch.value == found.breach.value == 0.0
        assert rough_distances_to_surface(fixture.body, Poses.of(pose), floor, 1e-3).value[0] > 30.0
