"""Bone left on both sides: closed form on a synthetic ridge, phantom truths on measured bone."""

import json

import numpy as np
import pytest

import siteplan
from siteplan.bone import measure_bone
from siteplan.fixture import Pose, Solid, load_catalogue
from siteplan.frame import SiteFrame, site_frame
from siteplan.placement import bone_cover, load_margins
from siteplan.placement.cover import cover_mm
from siteplan.placement.profile import Poses
from siteplan.placement.ridge import Ridge

FRAME = SiteFrame(np.zeros(3), np.array([0, 0, -1.0]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
DEPTH = np.arange(-3, 25, 0.25)
DISTAL = np.arange(-4.0, 4.5, 1.0)
CYLINDER = Solid(np.array([0.0, 10.0]), np.array([2.0, 2.0]))


def ridge(buccal, lingual) -> Ridge:
    d, m = np.meshgrid(DEPTH, DISTAL, indexing="ij")
    return Ridge(FRAME, DEPTH, DISTAL, buccal(d, m), lingual(d, m), 0.1)


def test_upright_walls() -> None:
    block = ridge(lambda d, m: 0 * d + 4.0, lambda d, m: 0 * d - 3.0)
    depths = np.array([1.0, 5.0, 9.0])
    upright = Poses.of(Pose(np.zeros(3), FRAME.axis))
    np.testing.assert_allclose(cover_mm(block, CYLINDER, upright, depths, 1)[0], [[2.0] * 3], atol=1e-9)
    np.testing.assert_allclose(cover_mm(block, CYLINDER, upright, depths, -1)[0], [[1.0] * 3], atol=1e-9)


def test_tilted_body_between_upright_walls() -> None:
    # The axis at height z lies z sin(t) buccally; across the axis a wall at 4 mm is (4 - z sin t) / cos t away.
    block = ridge(lambda d, m: 0 * d + 4.0, lambda d, m: 0 * d - 4.0)
    t = np.radians(10.0)
    pose = Poses.of(Pose(np.zeros(3), np.cos(t) * FRAME.axis + np.sin(t) * FRAME.buccal))
    depths = np.array([2.0, 5.0, 8.0])
    z = depths / np.cos(t)
    expected = (4 - z * np.sin(t)) / np.cos(t) - 2.0
    np.testing.assert_allclose(cover_mm(block, CYLINDER, pose, depths, 1)[0][0], expected, atol=1e-6)
    expected = (4 + z * np.sin(t)) / np.cos(t) - 2.0
    np.testing.assert_allclose(cover_mm(block, CYLINDER, pose, depths, -1)[0][0], expected, atol=1e-6)


def test_slanted_wall_and_shifted_body() -> None:
    # Wall at buccal 4 + 0.5 m: its distance from a point is measured square to it: divide by sqrt(1 + 0.5^2).
    block = ridge(lambda d, m: 4.0 + 0.5 * m, lambda d, m: 0 * d - 6.0)
    pose = Poses.of(Pose(np.array([0.5, 0.6, 0.0]), FRAME.axis))
    found = cover_mm(block, CYLINDER, pose, np.array([3.0]), 1)[0][0, 0]
    assert found == pytest.approx((4.0 + 0.5 * 0.6 - 0.5) / np.sqrt(1.25) - 2.0, abs=1e-9)


def test_a_body_outside_the_bone_is_below_zero() -> None:
    block = ridge(lambda d, m: 0 * d + 1.0, lambda d, m: 0 * d - 6.0)
    pose = Poses.of(Pose(np.array([1.5, 0.0, 0.0]), FRAME.axis))
    assert cover_mm(block, CYLINDER, pose, np.array([3.0]), 1)[0][0, 0] == pytest.approx(-2.5)


def test_a_shoulder_counts_with_its_wider_radius() -> None:
    fixture = load_catalogue().get("demo-basal-4.5x20")
    block = ridge(lambda d, m: 0 * d + 4.0, lambda d, m: 0 * d - 4.0)
    upright = Poses.of(Pose(np.zeros(3), FRAME.axis))
    start = fixture.thread_start_mm
    found = cover_mm(block, fixture.body, upright, np.array([start - 1, start, start + 1e-6]), 1)[0][0]
    np.testing.assert_allclose(found, [4 - 1.1, 4 - 2.25, 4 - 2.25], atol=1e-4)


@pytest.mark.shared
@pytest.mark.parametrize("name", ["mandible_posterior", "maxilla_posterior"])
def test_phantom_bone_on_both_sides(shared, name: str) -> None:
    """truth.json: to_buccal_surface_mm and to_lingual_surface_mm from 1, 2 and 3 mm on. Asked of bone: 0.3 mm."""
    scan = siteplan.read_scan(shared / "phantoms" / name / "series")
    truth = json.loads((shared / "phantoms" / name / "truth.json").read_text())
    errors = []
    for site in truth["sites"]:
        bone = measure_bone(scan, site_frame(site["crest_lps"], site["axis"], site["buccal"], int(site["name"])))
        planned = site["fixtures"][0]
        solid = Solid(np.array([0.0, planned["length_mm"]]), np.full(2, planned["diameter_mm"] / 2))
        pose = Pose(np.array(site["crest_lps"]), np.array(site["axis"]))
        found = bone_cover(bone, solid, pose, load_margins())
        assert [c.distance.depth_mm for c in found[6:8]] == [1.0, 1.0]
        for start, both in zip("123", (found[0:2], found[2:4], found[4:6]), strict=True):
            for side, c in zip(("buccal", "lingual"), both, strict=True):
                errors.append(c.distance.value - planned[f"to_{side}_surface_mm"][start])
    assert np.abs(errors).max() < 0.1
    assert np.abs(errors).mean() < 0.03
