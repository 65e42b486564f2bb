"""Outlines of structures in a plane, against closed forms and against another library's section of a mesh."""

import numpy as np
import pytest
import trimesh

from siteplan.anatomy import Cone, Surface, Tube
from siteplan.fixture.solid import Pose, Solid
from siteplan.report.cuts import cut_shape, cut_solid, height_over_plane
from siteplan.report.plane import Plane, flat_plane

FRONT = Plane(np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]))
FIELD = (-10.0, 10.0, -10.0, 10.0)


def joined(outlines: list[np.ndarray]) -> np.ndarray:
    return np.concatenate(outlines)


def straight(way: np.ndarray, radius: float) -> Tube:
    return Tube(np.stack([-20 * way, 20 * way]), np.full(2, radius))


def test_tube_across_is_a_circle() -> None:
    points = joined(cut_shape(straight(np.array([0, 1.0, 0]), 1.4), FRONT, FIELD))
    # The zero line's own error: step**2 / (8 R) = 0.0009 mm.
    np.testing.assert_allclose(np.hypot(*points.T), 1.4, atol=0.001)


@pytest.mark.parametrize("tilt_deg", [20.0, 45.0, 65.0])
def test_tilted_tube_is_an_ellipse(tilt_deg: float) -> None:
    tilt = np.deg2rad(tilt_deg)
    tube = straight(np.array([np.sin(tilt), np.cos(tilt), 0]), 1.4)
    u, v = joined(cut_shape(tube, FRONT, FIELD)).T
    # A cylinder cut at an angle: half axes r and r / cos(tilt) (closed form).
    np.testing.assert_allclose((u * np.cos(tilt)) ** 2 + v**2, 1.4**2, rtol=0.004)


def test_margin_line_lies_at_the_margin() -> None:
    points = joined(cut_shape(straight(np.array([0, 1.0, 0]), 1.4), FRONT, FIELD, grow_mm=2.0))
    np.testing.assert_allclose(np.hypot(*points.T), 3.4, atol=0.001)


def test_tube_with_changing_radius_holds_every_ball() -> None:
    tube = Tube(np.array([[-5.0, 0, 0], [5, 0, 0]]), np.array([1.0, 3.0]))
    points = joined(cut_shape(tube, FRONT, FIELD))
    share = np.linspace(0, 1, 2001)
    centre, radius = -5 + 10 * share, 1 + 2 * share
    nearest = np.min(np.hypot(points[:, :1] - centre, points[:, 1:]) - radius, axis=1)  # brute force over the balls
    np.testing.assert_allclose(nearest, 0, atol=0.003)


def test_single_point_is_a_ball() -> None:
    ball = Tube(np.array([[0, 1.0, 0]]), np.array([2.0]))
    points = joined(cut_shape(ball, FRONT, FIELD))
    np.testing.assert_allclose(np.hypot(*points.T), np.sqrt(3), atol=0.002)  # 2**2 - 1**2


def test_cone_through_its_axis() -> None:
    cone = Cone(np.array([0, 0, 5.0]), np.array([0, 0, -5.0]), 2.5, 1.0)
    u, v = joined(cut_shape(cone, FRONT, FIELD)).T
    side = (np.abs(v) < 4.7) & (np.abs(u) > 0.5)
    np.testing.assert_allclose(np.abs(u[side]), 2.5 - (5 - v[side]) * 0.15, atol=0.01)
    assert v.max() == pytest.approx(5, abs=0.01)
    assert v.min() == pytest.approx(-5, abs=0.01)


def test_solid_in_its_own_plane_is_its_outline_exactly() -> None:
    solid = Solid(np.array([0, 2.0, 2.0, 10.0]), np.array([2.0, 2.0, 1.5, 0.5]))
    (outline,) = cut_solid(solid, Pose(np.array([1.0, 0, 3.0]), np.array([0, 0, -1.0])), FRONT, FIELD)
    for z, r in zip(solid.z_mm, solid.r_mm, strict=True):
        for side in (-1, 1):
            corner = np.array([1.0 + side * r, 3.0 - z])
            assert np.abs(outline - corner).sum(axis=1).min() < 1e-12


def test_solid_across_is_a_circle() -> None:
    solid = Solid(np.array([0, 10.0]), np.array([2.0, 1.0]))
    pose = Pose(np.array([0, 0, 3.0]), np.array([0, 0, -1.0]))
    points = joined(cut_solid(solid, pose, flat_plane(np.array([0.0, 0, -2])), FIELD))
    np.testing.assert_allclose(np.hypot(*points.T), 1.5, atol=0.002)  # half way down


def test_mesh_cut_equals_another_librarys_section() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=6.0)
    surface = Surface(np.asarray(ball.vertices), np.asarray(ball.faces, dtype=np.int64), np.array([0, 0, 1.0]), True)
    plane = Plane(np.array([0.3, 1.7, 0.2]), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]))
    pieces = cut_shape(surface, plane, FIELD)
    length = sum(float(np.linalg.norm(np.diff(piece, axis=0), axis=1).sum()) for piece in pieces)
    theirs = ball.section(plane_origin=plane.origin_lps_mm, plane_normal=plane.toward)
    assert theirs is not None
    assert length == pytest.approx(theirs.length, rel=1e-6)


def test_margin_of_an_open_floor_lies_on_the_allowed_side_only() -> None:
    flat = np.array([[-9.0, -9, 4], [9, -9, 4], [9, 9, 4], [-9, 9, 4]])
    floor = Surface(flat, np.array([[0, 1, 2], [0, 2, 3]]), np.array([0, 0, 1.0]))
    points = joined(cut_shape(floor, FRONT, FIELD, grow_mm=2.0))
    inner = points[np.abs(points[:, 0]) < 8]
    np.testing.assert_allclose(inner[:, 1], 2.0, atol=0.02)  # samples on the mesh lie 0.2 mm apart
    assert points[:, 1].max() < 4.1


def test_height_over_plane() -> None:
    tube = Tube(np.array([[0, -5.0, 0], [3, -4, 0]]), np.array([1.0, 1.0]))
    assert height_over_plane(tube, FRONT) == pytest.approx(3.0)  # nearer the viewer, who looks along +y
    assert height_over_plane(straight(np.array([0, 1.0, 0]), 1.0), FRONT) == 0
