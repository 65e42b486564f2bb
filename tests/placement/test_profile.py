"""Signed distance of points to solids of revolution: closed forms, trimesh, and the properties that proofs rest on."""

import numpy as np
import pytest
import trimesh
from _brute import random_pose, surface_samples  # type: ignore[import-not-found]
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.fixture import Solid, load_catalogue
from siteplan.placement.profile import convex_pieces, half_plane, signed_distance, signed_distance_and_slope

CYLINDER = Solid(np.array([0.0, 10.0]), np.array([2.0, 2.0]))
NAMES = ("demo-basal-4.5x20", "demo-compressive-4.0x10", "demo-two-piece-4.0x10")


@pytest.mark.parametrize(
    ("z", "rho", "expected"),
    [
        (5.0, 3.0, 1.0),  # beside: distance to the side
        (12.0, 0.5, 2.0),  # beyond an end: distance to the flat end
        (13.0, 6.0, 5.0),  # beyond the rim: Pythagoras 3-4-5
        (5.0, 0.0, -2.0),  # on the axis: the radius
        (9.5, 1.0, -0.5),  # inside, nearest to the end
        (-4.0, 5.0, 5.0),
    ],
)
def test_cylinder_in_closed_form(z: float, rho: float, expected: float) -> None:
    assert signed_distance(CYLINDER, np.array(z), np.array(rho)) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_against_trimesh(name: str) -> None:
    solid = load_catalogue().get(name).body
    outline = np.stack([np.r_[0, solid.r_mm, 0], np.r_[solid.z_mm[0], solid.z_mm, solid.z_mm[-1]]], axis=1)
    mesh = trimesh.creation.revolve(outline, sections=720)
    rng = np.random.default_rng(4)
    points = rng.uniform((-5, -5, -4), (5, 5, solid.z_mm[-1] + 4), (400, 3))
    ours = signed_distance(solid, points[:, 2], np.hypot(points[:, 0], points[:, 1]))
    theirs = -trimesh.proximity.signed_distance(mesh, points)
    # A polygon of 720 sides lies up to r * (1 - cos(pi / 720)) = 2.4e-5 mm inside the circle.
    np.testing.assert_allclose(ours, theirs, atol=1e-4)


@pytest.mark.parametrize("name", NAMES)
def test_pieces_are_convex_and_cover_the_solid(name: str) -> None:
    solid = load_catalogue().get(name).body
    pieces = convex_pieces(solid)
    z, rho = (v.ravel() for v in np.meshgrid(np.linspace(-3, 24, 240), np.linspace(0, 6, 90), indexing="ij"))
    whole = signed_distance(solid, z, rho)
    parts = np.min([signed_distance(p, z, rho) for p in pieces], axis=0)
    outside = whole > 0
    np.testing.assert_allclose(parts[outside], whole[outside], atol=1e-12)
    assert (parts[~outside] <= 1e-12).all()
    for piece in pieces:  # the slope of a convex outline never grows
        lateral = np.diff(piece.r_mm)[np.diff(piece.z_mm) > 0] / np.diff(piece.z_mm)[np.diff(piece.z_mm) > 0]
        assert (np.diff(lateral) <= 1e-9).all()
    # A shoulder that widens towards the apex parts the convex pieces; the two-piece body has none.
    assert len(pieces) == (1 if "two-piece" in name else 2)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_changes_by_at_most_the_step_and_has_the_slope_it_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    solid = load_catalogue().get(NAMES[seed % 3]).body
    z, rho = rng.uniform(-5, 25, 40), rng.uniform(0.01, 6, 40)
    dz, dr = rng.normal(0, 0.5, 40), rng.normal(0, 0.5, 40)
    there = np.abs(rho + dr)
    jump = signed_distance(solid, z + dz, there) - signed_distance(solid, z, rho)
    assert (np.abs(jump) <= np.hypot(dz, there - rho) + 1e-12).all()
    value, by_z, by_rho = signed_distance_and_slope(solid, z, rho)
    np.testing.assert_allclose(value, signed_distance(solid, z, rho), atol=1e-12)
    step = 1e-6
    numeric = (signed_distance(solid, z + step, rho) - signed_distance(solid, z - step, rho)) / (2 * step)
    assert np.mean(np.abs(numeric - by_z) < 1e-4) > 0.9  # all but points beside a crease
    np.testing.assert_allclose(np.hypot(by_z, by_rho), 1.0, atol=1e-9)


def test_half_plane_does_not_depend_on_the_frame() -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        pose = random_pose(rng)
        samples = surface_samples(CYLINDER, pose, 5, 16)
        z, rho = half_plane(samples - pose.platform_lps_mm, pose.axis)
        assert np.abs(signed_distance(CYLINDER, z, rho)).max() < 1e-9
