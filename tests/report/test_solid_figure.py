"""Meshes for the 3D picture against closed forms, and the picture itself where this machine can draw."""

import numpy as np
import pytest
import trimesh
from made_case import CENTRE_X, HALF_WIDTH, made_scan

from siteplan.anatomy import Cone, Tube
from siteplan.bone.sample import sample_block
from siteplan.findings import Findings
from siteplan.fixture.solid import Pose, Solid
from siteplan.frame import site_frame
from siteplan.report import vtk_gateway
from siteplan.report.meshes import Mesh, bone_mesh, shape_mesh, solid_mesh
from siteplan.report.solid_figure import camera_of, site_meshes
from siteplan.report.staging import scenes_of
from siteplan.report.vtk_gateway import Camera, render, trial

DOWN = np.array([0.0, 0.0, -1.0])
# A regular polygon of 48 corners holds this share of its circle (closed form).
SHARE = 48 / (2 * np.pi) * np.sin(2 * np.pi / 48)


def volume(mesh: Mesh) -> float:
    solid = trimesh.Trimesh(mesh.points_lps_mm, mesh.triangles, process=True)
    assert solid.is_watertight
    return abs(float(solid.volume))


def test_cylinder() -> None:
    mesh = solid_mesh(Solid(np.array([0, 10.0]), np.array([2.0, 2.0])), Pose(np.array([1.0, 2, 3]), DOWN), "#ffffff")
    assert volume(mesh) == pytest.approx(np.pi * 4 * 10 * SHARE, rel=1e-6)
    assert mesh.points_lps_mm[:, 2].min() == pytest.approx(-7)


def test_cone_stump() -> None:
    mesh = shape_mesh(Cone(np.zeros(3), np.array([3.0, 4, 0]), 2.0, 1.0), "#ffffff")
    assert volume(mesh) == pytest.approx(np.pi * 5 / 3 * (4 + 2 + 1) * SHARE, rel=1e-6)


def test_straight_tube() -> None:
    tube = Tube(np.array([[0.0, 0, 0], [0, 5, 0], [0, 12, 0]]), np.full(3, 1.5))
    assert volume(shape_mesh(tube, "#ffffff")) == pytest.approx(np.pi * 1.5**2 * 12 * SHARE, rel=1e-6)


def test_bone_surface_lies_on_the_bone() -> None:
    frame = site_frame((CENTRE_X, 3.0, 0.0), (0, 0, -1), (1, 0, 0), 36)
    block = sample_block(made_scan(), frame, depth_range_mm=(-5, 20), buccal_reach_mm=10, distal_reach_mm=8)
    mesh = bone_mesh(block, 400.0, -400.0, "#ffffff", 1.0)
    assert mesh is not None
    aside = np.abs(mesh.points_lps_mm[:, 0] - CENTRE_X)
    middle = (
        (mesh.points_lps_mm[:, 2] < -4) & (mesh.points_lps_mm[:, 2] > -18) & (np.abs(mesh.points_lps_mm[:, 1] - 3) < 5)
    )
    # The smoothing of 0.5 mm for the picture moves an edge of unequal sides by a few tenths.
    assert np.percentile(aside[middle], 50) == pytest.approx(HALF_WIDTH, abs=0.5)
    assert aside[middle].min() > HALF_WIDTH - 1.0, "the marrow is not drawn"


def test_no_bone_no_mesh() -> None:
    frame = site_frame((CENTRE_X, 3.0, 9.0), (0, 0, 1), (1, 0, 0), 26)
    block = sample_block(made_scan(), frame, depth_range_mm=(-2, 2), buccal_reach_mm=4, distal_reach_mm=4)
    assert bone_mesh(block, 400.0, -400.0, "#ffffff", 1.0) is None


@pytest.mark.opengl
def test_picture_shows_a_ball_at_its_place() -> None:
    if not trial().works:
        pytest.skip(trial().why)
    ball = shape_mesh(Tube(np.array([[5.0, 0, 5]]), np.array([2.0])), "#ff0000")
    camera = Camera(np.zeros(3), np.array([0, -1.0, 0]), np.array([0, 0, 1.0]), 10.0)
    picture = render([ball], camera, 200, 200).astype(int)
    red = (picture[..., 0] - picture[..., 1]) > 40
    rows, columns = np.nonzero(red)
    # Ten pixels to the millimetre: 5 mm right and up of the middle, 4 mm across.
    assert (columns.mean(), rows.mean()) == pytest.approx((150, 50), abs=1.5)
    assert np.ptp(columns) == pytest.approx(40, abs=2)


@pytest.mark.opengl
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_what_is_half_clear_lies_over_what_is_behind_it(side: float) -> None:
    """Porter and Duff 1984 (Computer Graphics 18:253-259), "over": a half-clear sheet lets half of what is behind it
    through. Seen from either side, whatever the order in which the sheets were given."""
    if not trial().works:
        pytest.skip(trial().why)
    corners = np.array([[-9.0, 0, -9], [9, 0, -9], [9, 0, 9], [-9, 0, 9]])
    triangles = np.array([[0, 1, 2], [0, 2, 3]])
    red, blue = (
        Mesh(corners + np.array([0, at, 0]), triangles, colour, 0.5)
        for at, colour in ((-2.0, "#ff0000"), (2.0, "#0000ff"))
    )
    camera = Camera(np.zeros(3), np.array([0, -side, 0]), np.array([0, 0, 1.0]), 4.0)
    picture = render([red, blue], camera, 40, 40)[20, 20] / 255
    front, back = (0, 2) if side > 0 else (2, 0)
    seen = np.full((2, 3), 0.15)  # the sheen of a lamp that shines from the viewer's place
    seen[0, front], seen[1, back] = 1.0, 1.0
    assert picture == pytest.approx(0.5 * seen[0] + 0.25 * seen[1] + 0.25, abs=0.02)


@pytest.mark.opengl
def test_site_picture_holds_fixture_and_canal(findings: Findings) -> None:
    if not trial().works:
        pytest.skip(trial().why)
    scene = scenes_of(findings)[0]
    picture = render(site_meshes(findings.scan, scene), camera_of(scene.frame, 18.0), 300, 240).astype(int)
    red, green, blue = picture[..., 0], picture[..., 1], picture[..., 2]
    assert ((red > 150) & (green > 120) & (blue < 0.75 * green)).sum() > 300, "yellow fixture"
    assert ((red > 150) & (green < 0.8 * red) & (blue > green)).sum() > 300, "pink canal"


def test_trial_runs_once(monkeypatch: pytest.MonkeyPatch) -> None:
    trial.cache_clear()
    monkeypatch.setattr(vtk_gateway, "TRIAL_CODE", "raise SystemExit(3)")
    first = trial()
    monkeypatch.setattr(vtk_gateway, "TRIAL_CODE", "print('drawn')")
    assert trial() is first
    trial.cache_clear()
    assert trial().works
    trial.cache_clear()


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("import os; os.abort()", "this machine offers no OpenGL"),
        ("import vtkmodules_that_is_not_there", "the VTK library is not installed"),
        ("import time; time.sleep(30)", "did not finish within"),
    ],
)
def test_trial_says_why(code: str, why: str, monkeypatch: pytest.MonkeyPatch) -> None:
    trial.cache_clear()
    monkeypatch.setattr(vtk_gateway, "TRIAL_SECONDS", 2)
    monkeypatch.setattr(vtk_gateway, "TRIAL_CODE", code)
    assert not trial().works
    assert why in trial().why
    trial.cache_clear()
