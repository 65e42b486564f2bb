"""Distances between solids: closed forms, brute force over dense surface samples, trimesh, VTK, phantom truths."""

import json

import numpy as np
import pytest
import trimesh
from _brute import random_cone, random_pose, sheet, surface_samples, tube_samples  # type: ignore[import-not-found]

from siteplan.anatomy.structure import Cone, Surface, Tube
from siteplan.fixture import Pose, Solid, load_catalogue
from siteplan.placement.clearances import cone_as_solid, distances, quick_distances
from siteplan.placement.profile import Poses, half_plane, signed_distance

UPRIGHT = Pose(np.zeros(3), np.array([0.0, 0.0, 1.0]))
CYLINDER = Solid(np.array([0.0, 10.0]), np.array([2.0, 2.0]))
NAMES = ("demo-basal-4.5x20", "demo-compressive-4.0x10", "demo-two-piece-4.0x10")


def one(solid: Solid, pose: Pose, shape) -> float:
    found = distances(solid, Poses.of(pose), shape)
    assert found.low[0] <= found.value[0]
    return float(found.value[0])


def to(solid: Solid, pose: Pose, points: np.ndarray) -> np.ndarray:
    return signed_distance(solid, *half_plane(points - pose.platform_lps_mm, pose.axis))


class TestClosedForms:
    def test_cylinder_and_ball(self) -> None:
        # Ball of radius 1.5 centred 3 mm below and 6 mm beside a rim at radius 2: sqrt(3^2 + 4^2) - 1.5.
        ball = Tube(np.array([[6.0, 0.0, 13.0]]), np.array([1.5]))
        assert one(CYLINDER, UPRIGHT, ball) == pytest.approx(3.5, abs=1e-5)

    def test_cylinder_and_crossing_tube(self) -> None:
        # Straight tube of radius 1.5, 4 mm below the flat end: 4 - 1.5.
        tube = Tube(np.array([[-20.0, 1.0, 14.0], [20.0, 1.0, 14.0]]), np.array([1.5, 1.5]))
        assert one(CYLINDER, UPRIGHT, tube) == pytest.approx(2.5, abs=1e-5)

    def test_skew_lines(self) -> None:
        # Tube along y at x = 7, beside the cylinder: distance of skew axes less both radii.
        tube = Tube(np.array([[7.0, -20.0, 5.0], [7.0, 20.0, 5.0]]), np.array([1.0, 1.0]))
        assert one(CYLINDER, UPRIGHT, tube) == pytest.approx(4.0, abs=1e-5)

    def test_cone_shaped_tube(self) -> None:
        # Radius grows 0 to 3 over 12 mm parallel to the axis at x = 10: least is at the thick end: 10 - 2 - 3.
        tube = Tube(np.array([[10.0, 0.0, -1.0], [10.0, 0.0, 11.0]]), np.array([0.0, 3.0]))
        # The thick ball sits 1 mm beyond the end: sqrt(8^2 + 1^2) - 3 there, but (8 - r) before it.
        z = np.linspace(-1, 11, 200_001)
        direct = np.hypot(8.0, np.maximum(z - 10, 0)) - (z + 1) / 4
        assert one(CYLINDER, UPRIGHT, tube) == pytest.approx(direct.min(), abs=2e-5)

    def test_tube_through_the_middle(self) -> None:
        # A thin wire along a diameter, halfway down: the cylinder must move its radius away from it.
        tube = Tube(np.array([[-20.0, 0.0, 5.0], [20.0, 0.0, 5.0]]), np.array([0.1, 0.1]))
        assert one(CYLINDER, UPRIGHT, tube) == pytest.approx(-2.1, abs=2e-5)

    def test_flat_floor_above_and_below(self) -> None:
        floor = sheet(lambda x, y: 0 * x + 12.0)
        assert one(CYLINDER, UPRIGHT, floor) == pytest.approx(2.0, abs=1e-5)
        deep = Pose(np.array([0.0, 0.0, 3.5]), UPRIGHT.axis)
        assert one(CYLINDER, deep, floor) == pytest.approx(-1.5, abs=0.02)

    def test_tilted_cylinder_over_a_floor(self) -> None:
        # The lowest rim point of a cylinder tilted by t lies L cos t + r sin t below its platform's centre.
        t = np.radians(20)
        pose = Pose(np.zeros(3), np.array([np.sin(t), 0.0, np.cos(t)]))
        floor = sheet(lambda x, y: 0 * x + 15.0)
        assert one(CYLINDER, pose, floor) == pytest.approx(15 - 10 * np.cos(t) - 2 * np.sin(t), abs=1e-5)

    def test_parallel_cylinders(self) -> None:
        cone = Cone(np.array([9.0, 0, 0]), np.array([9.0, 0, 8]), 2.5, 2.5)
        assert one(CYLINDER, UPRIGHT, cone) == pytest.approx(4.5, abs=1e-5)

    def test_stacked_cylinders_face_to_face(self) -> None:
        cone = Cone(np.array([0.5, 0, 13.0]), np.array([0.5, 0, 20.0]), 3.5, 1.0)
        assert one(CYLINDER, UPRIGHT, cone) == pytest.approx(3.0, abs=1e-5)


@pytest.mark.parametrize("name", NAMES)
def test_tubes_against_dense_samples(name: str) -> None:
    solid = load_catalogue().get(name).body
    rng = np.random.default_rng(7)
    points = np.cumsum(rng.normal(0, 1.5, (24, 3)), axis=0) + np.array([5.0, 0, 10])
    tube = Tube(points, rng.uniform(0.3, 2.0, len(points)))
    centres, radius = tube_samples(tube, 400)
    poses = [random_pose(rng, 3.0) for _ in range(40)]
    found = distances(
        solid, Poses(*(np.array([getattr(p, k) for p in poses]) for k in ("platform_lps_mm", "axis"))), tube
    )
    brute = np.array([(to(solid, pose, centres) - radius).min() for pose in poses])
    spacing = np.linalg.norm(np.diff(points, axis=0), axis=1).max() / 400
    assert (found.value <= brute + 1e-5).all()
    assert (found.value >= brute - 2 * spacing).all()
    assert (brute < 0).sum() > 3  # penetration is among the cases
    # The place of the minimum is on the tube and lies that far from the fixture.
    for n in np.flatnonzero(found.value > 0):
        assert to(solid, poses[n], found.at_lps_mm[n]) == pytest.approx(found.value[n], abs=1e-4)


@pytest.mark.parametrize("name", NAMES)
def test_cones_against_dense_samples(name: str) -> None:
    solid = load_catalogue().get(name).body
    rng = np.random.default_rng(8)
    overlaps = 0
    for _ in range(40):
        pose, cone = random_pose(rng), random_cone(rng)
        other, other_pose = cone_as_solid(cone)
        found = distances(solid, Poses.of(pose), cone)
        mine = to(other, other_pose, surface_samples(solid, pose, 200)).min()
        theirs = to(solid, pose, surface_samples(other, other_pose, 200)).min()
        brute = min(mine, theirs)
        overlaps += brute < 0
        assert found.value[0] <= brute + 2e-3 + 0.006 * abs(min(brute, 0))
        # Samples lie up to 0.07 mm apart along and 0.14 mm around: inside, where the depth has creases, the deepest
        # point may be half a diagonal away; outside, the distance is smooth and the error of second order.
        assert found.value[0] >= brute - (0.08 if brute < 0 else 0.01)
        if found.value[0] > 0:
            at = found.at_lps_mm
            assert to(solid, pose, at)[0] == pytest.approx(found.value[0], abs=1e-3)
            assert abs(to(other, other_pose, at)[0]) < 1e-3
    assert overlaps >= 3


def test_closed_meshes_against_trimesh() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=4.0)
    rng = np.random.default_rng(9)
    solid = load_catalogue().get("demo-basal-4.5x20").body
    for _ in range(5):
        centre, pose = rng.normal(0, 5, 3), random_pose(rng)
        mesh = trimesh.Trimesh(ball.vertices + centre, ball.faces, process=False)
        surface = Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int64), np.array([0, 0, 1.0]), True)
        theirs = -trimesh.proximity.signed_distance(mesh, surface_samples(solid, pose, 10, 48)).max()
        ours = one(solid, pose, surface)
        assert theirs - 0.3 <= ours <= theirs + 0.01 + 0.005 * abs(theirs)
        # The mesh lies inside its ball, whose distance is known in closed form.
        exact = float(to(solid, pose, centre[None])[0]) - 4.0
        sag = 4.0 - float(np.linalg.norm(ball.triangles_center, axis=1).min())
        if exact > 0:
            assert exact - 1e-5 <= ours <= exact + sag + 1e-5


def test_open_sheets_against_dense_samples() -> None:
    floor = sheet(lambda x, y: 10 + 0.05 * x**2 - 0.3 * y)
    mesh = trimesh.Trimesh(floor.points_lps_mm, floor.triangles, process=False)
    solid = load_catalogue().get("demo-basal-4.5x20").body
    for z in (-13.0, -10.5, -9.0):
        pose = Pose(np.array([0.3, 0.2, z]), np.array([0.1, 0, 1]) / np.sqrt(1.01))
        samples = surface_samples(solid, pose, 12, 60)
        near, distance, _ = trimesh.proximity.closest_point(mesh, samples)
        brute = (distance * np.where(samples[:, 2] > near[:, 2], -1, 1)).min()
        assert one(solid, pose, floor) == pytest.approx(brute, abs=0.05)


def test_moving_everything_together_changes_nothing() -> None:
    rng = np.random.default_rng(10)
    solid = load_catalogue().get("demo-basal-4.5x20").body
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    shift = rng.normal(0, 50, 3)
    pose, cone = Pose(np.zeros(3), np.array([0, 0, 1.0])), Cone(np.array([6.0, 1, 2]), np.array([5.0, 0, 14]), 3, 0.5)
    tube = Tube(np.array([[9.0, -5, 18], [4, 6, 24.0]]), np.array([1.0, 2.0]))
    moved = Pose(turn @ pose.platform_lps_mm + shift, turn @ pose.axis)
    far = Cone(turn @ cone.base_lps_mm + shift, turn @ cone.tip_lps_mm + shift, 3, 0.5)
    far_tube = Tube(tube.points_lps_mm @ turn.T + shift, tube.radius_mm)
    assert one(solid, pose, cone) == pytest.approx(one(solid, moved, far), abs=3e-5)
    assert one(solid, pose, tube) == pytest.approx(one(solid, moved, far_tube), abs=3e-5)


@pytest.mark.parametrize("shape", ["tube", "cone", "sheet"])
def test_many_poses_at_once_say_what_single_ones_say(shape: str) -> None:
    rng = np.random.default_rng(11)
    solid = load_catalogue().get("demo-compressive-4.0x10").body
    axis = np.array([0, 0, 1.0]) + rng.normal(0, 0.15, (60, 3))
    poses = Poses(rng.normal(0, 2, (60, 3)), axis / np.linalg.norm(axis, axis=1, keepdims=True))
    structure = {
        "tube": Tube(np.array([[-10.0, 3, 13], [0, 2.0, 13.5], [10, 1, 14]]), np.array([1.0, 1.5, 1.2])),
        "cone": Cone(np.array([6.0, 0, -1]), np.array([5.0, 0, 12]), 2.5, 0.5),
        "sheet": sheet(lambda x, y: 11.5 + 0.03 * x**2),
    }[shape]
    quick = quick_distances(solid, poses, structure)
    exact = np.array([one(solid, poses[n], structure) for n in range(60)])
    apart = exact > 0
    assert apart.sum() > 10
    np.testing.assert_allclose(quick.value[apart], exact[apart], atol=1.1e-3)
    assert (quick.low <= exact + 1e-9).all()
    assert ((quick.value > 0) == apart).all() or shape == "sheet"
    np.testing.assert_allclose(quick.value[~apart], exact[~apart], atol=0.05)


@pytest.mark.shared
def test_phantom_canals_within_a_twentieth(shared) -> None:
    """truth.json: least distance from a plain cylinder's surface to the canal's lumen."""
    worst, count = 0.0, 0
    for file in sorted(shared.glob("phantoms/*/truth.json")):
        truth = json.loads(file.read_text())
        if truth.get("canal") is None:
            continue
        line = np.array(truth["canal"]["centreline_lps"])
        tube = Tube(line, np.full(len(line), truth["canal"]["lumen_radius_mm"]))
        for site in truth["sites"]:
            for planned in site["fixtures"]:
                solid = Solid(np.array([0.0, planned["length_mm"]]), np.full(2, planned["diameter_mm"] / 2))
                found = one(solid, Pose(np.array(site["crest_lps"]), np.array(site["axis"])), tube)
                worst, count = max(worst, abs(found - planned["to_canal_lumen_mm"])), count + 1
    assert count >= 8
    assert worst < 0.001  # asked: 0.05; the truth is given to five decimals


@pytest.mark.shared
def test_phantom_sinus_within_a_twentieth(shared) -> None:
    """truth.json: the cavity is an ellipsoid, here as a mesh of 20,480 triangles inscribed into it."""
    truth = json.loads((shared / "phantoms/maxilla_posterior/truth.json").read_text())
    cavity = truth["sinus"]
    ball = trimesh.creation.icosphere(subdivisions=5, radius=1.0)
    points = np.array(cavity["centre_lps"]) + (ball.vertices * cavity["semi_axes_mm"]) @ np.array(cavity["axes"])
    surface = Surface(points, np.asarray(ball.faces, np.int64), np.array([0, 0, 1.0]), True)
    checked = []
    for site in truth["sites"]:
        for planned in site["fixtures"]:
            solid = Solid(np.array([0.0, planned["length_mm"]]), np.full(2, planned["diameter_mm"] / 2))
            found = one(solid, Pose(np.array(site["crest_lps"]), np.array(site["axis"])), surface)
            checked.append(found - planned["to_sinus_cavity_mm"])
    assert len(checked) == 6
    assert np.abs(checked).max() < 0.01  # asked: 0.05; the inscribed mesh explains 0.002
