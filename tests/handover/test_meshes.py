"""Meshes: closed, of the right volume, at the right place, and read alike by trimesh and by VTK."""

import io
import json
import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

import siteplan
from siteplan.anatomy import Cone, Surface, Tube
from siteplan.findings import Findings
from siteplan.fixture import Pose, Solid, load_catalogue
from siteplan.handover.bodies import Body, bodies_of
from siteplan.handover.bone_surface import bone_surface
from siteplan.handover.mesh_files import glb_bytes, obj_bytes, stl_bytes, write_meshes
from siteplan.report.closed_mesh import SIDES, ClosedMesh, closed_shape, revolved, sagitta_mm

POLYGON = SIDES / (2 * math.pi) * math.sin(2 * math.pi / SIDES)
"""Area of a regular polygon over that of its circle; volumes of revolution shrink by the same share."""


def frusta_mm3(solid: Solid) -> float:
    """Closed form: sum of cone frusta, pi h (r1^2 + r1 r2 + r2^2) / 3 (any handbook of geometry)."""
    h, a, b = np.diff(solid.z_mm), solid.r_mm[:-1], solid.r_mm[1:]
    return float((math.pi * h * (a * a + a * b + b * b) / 3).sum())


def opened(mesh: ClosedMesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.points_lps_mm, mesh.triangles, process=False)


@pytest.fixture(scope="module")
def bodies(findings: Findings) -> list[Body]:
    return bodies_of(findings, findings.scan)


@pytest.mark.parametrize("name", load_catalogue().names[::4])
def test_a_fixture_encloses_its_closed_form_volume(name: str) -> None:
    fixture = load_catalogue().get(name)
    pose = Pose(np.array([30.0, -5.0, -40.0]), np.array([0.36, 0.48, -0.8]))
    for solid in (fixture.body, fixture.core, fixture.above):
        mesh = revolved(solid, pose)
        seen = opened(mesh)
        assert seen.is_watertight
        assert seen.is_winding_consistent
        assert seen.volume == pytest.approx(POLYGON * frusta_mm3(solid), rel=1e-9)
        assert seen.volume == pytest.approx(frusta_mm3(solid), rel=1e-3)
        assert mesh.volume_mm3 == pytest.approx(seen.volume, rel=1e-9)
        offset = mesh.points_lps_mm - pose.platform_lps_mm
        z = offset @ pose.axis
        r = np.linalg.norm(offset - z[:, None] * pose.axis, axis=1)
        assert z.min() == pytest.approx(solid.z_mm[0], abs=1e-9)
        assert z.max() == pytest.approx(solid.z_mm[-1], abs=1e-9)
        assert r.max() == pytest.approx(solid.max_radius_mm, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.01, 4.0), st.floats(0.0, 5.0)), min_size=2, max_size=7),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1)).filter(lambda v: np.linalg.norm(v) > 0.1),
)
def test_any_outline_turned_any_way_is_closed(steps: list[tuple[float, float]], way: tuple[float, ...]) -> None:
    z = np.cumsum([step for step, _ in steps])
    r = np.array([radius for _, radius in steps])
    if (r < 0.05).all():
        return
    axis = np.array(way) / np.linalg.norm(way)
    solid = Solid(z, np.where(r < 0.05, 0.0, r))
    mesh = revolved(solid, Pose(np.array([1.0, 2.0, 3.0]), axis))
    assert mesh.volume_mm3 == pytest.approx(POLYGON * frusta_mm3(solid), rel=1e-6)


def test_a_cone_and_a_straight_tube_have_their_closed_form_volume() -> None:
    cone = closed_shape(Cone(np.array([1.0, 2, 3]), np.array([1.0, 2, -9]), 2.5, 1.0))
    assert opened(cone).volume == pytest.approx(POLYGON * math.pi * 12 * (6.25 + 2.5 + 1) / 3, rel=1e-9)
    points = np.array([[0.0, y, -3.0] for y in (0.0, 4.0, 10.0)])
    tube = opened(closed_shape(Tube(points, np.full(3, 1.4))))
    assert tube.is_watertight
    # Cylinder with two half balls; the balls' rings cut another 0.6 % of their own volume.
    assert tube.volume == pytest.approx(math.pi * 1.4**2 * 10 + 4 / 3 * math.pi * 1.4**3, rel=3e-3)
    ball = opened(closed_shape(Tube(np.array([[5.0, 5, 5]]), np.array([2.0]))))
    assert ball.is_watertight
    assert ball.volume == pytest.approx(4 / 3 * math.pi * 8, rel=1e-2)


def test_a_bent_tube_lies_at_its_radius_everywhere() -> None:
    t = np.linspace(0, 2.5, 14)
    points = np.stack([20 * np.cos(t), 18 * np.sin(t), -3 * t], axis=1)
    mesh = closed_shape(Tube(points, np.full(len(t), 1.3)))
    assert opened(mesh).is_watertight
    dense = np.concatenate([np.linspace(a, b, 400) for a, b in pairwise(points)])
    far = np.array([np.linalg.norm(dense - p, axis=1).min() for p in mesh.points_lps_mm])
    assert np.abs(far - 1.3).max() < 2e-3  # samples lie 0.01 mm apart; a ring not stretched at its bend is 13 um short


def test_a_closed_surface_is_turned_outwards_and_an_open_one_stays_as_it_is() -> None:
    box = trimesh.creation.box((2, 3, 4))
    inside_out = Surface(np.array(box.vertices), np.array(box.faces)[:, ::-1], np.array([0, 0, 1.0]), closed=True)
    assert closed_shape(inside_out).volume_mm3 == pytest.approx(24)
    floor = Surface(np.eye(3), np.array([[0, 1, 2]]), np.array([0, 0, 1.0]))
    assert (closed_shape(floor).triangles == [[0, 1, 2]]).all()


def test_names_and_closedness(bodies: list[Body]) -> None:
    assert [body.name for body in bodies] == [
        "site-36-fixture", "site-36-abutment", "site-37-fixture", "site-37-abutment",
        "structure-a-left-canal", "structure-b-left-root", "structure-c-sinus-floor", "bone-around-sites",
    ]  # fmt: skip
    for body in bodies:
        assert opened(body.mesh).is_watertight is body.closed, body.name
        assert opened(body.mesh).is_winding_consistent
        if body.closed:
            assert body.mesh.volume_mm3 > 0


def test_the_bone_ends_where_the_bar_ends(bodies: list[Body]) -> None:
    """The invented jaw is a bar: crest at z = 0, width 10 mm around x = 30."""
    bone = bodies[-1].mesh.points_lps_mm
    middle = bone[(np.abs(bone[:, 2] + 8) < 4) & (np.abs(bone[:, 1]) < 8)]
    assert middle[:, 0].min() == pytest.approx(25.0, abs=0.2)
    assert middle[:, 0].max() == pytest.approx(35.0, abs=0.2)
    top = bone[(np.abs(bone[:, 0] - 30) < 2) & (np.abs(bone[:, 1]) < 5)]
    assert top[:, 2].max() == pytest.approx(0.0, abs=0.2)


@pytest.mark.parametrize("jaw", ["lower_jaw", "upper_jaw"])
def test_the_bone_of_the_samples_is_as_wide_as_their_shapes(jaw: str, root: Path) -> None:
    """Widths across the mesh at every site and depth against closed-form truths; the bound is what `METHOD` says."""
    folder = root / "sample_volumes" / jaw
    sites = json.loads((folder / "truth.json").read_text("utf-8"))["sites"]
    crests = np.array([site["crest_mm"] for site in sites])
    ends = crests + 10 * np.array([site["axis"] for site in sites])
    found = bone_surface(siteplan.read_scan(folder / "series"), np.concatenate([crests, ends]))
    assert found is not None
    mesh = opened(found)
    assert mesh.is_watertight
    errors = []
    for site in sites:
        for width in site["ridge_width"]:
            if width["value"]:
                point = np.array(site["crest_mm"]) + width["depth_mm"] * np.array(site["axis"])
                errors.append(_width(mesh, point, np.array(site["buccal"])) - width["value"])
    assert len(errors) >= 8
    assert np.abs(np.mean(errors)) < 0.2
    assert np.abs(errors).max() < 0.4


def _width(mesh: trimesh.Trimesh, point: np.ndarray, buccal: np.ndarray) -> float:
    """From the outermost surface on one side to that on the other, within 14 mm."""
    total = 0.0
    for way in (buccal, -buccal):
        hits, *_ = mesh.ray.intersects_location([point + 14 * way], [-way])
        total += float(((hits - point) @ way).max())
    return total


@pytest.mark.parametrize("kind", ["stl", "obj"])
def test_trimesh_and_vtk_read_patient_millimetres(bodies: list[Body], findings: Findings, kind: str, tmp_path: Path):
    from vtkmodules.util.numpy_support import vtk_to_numpy
    from vtkmodules.vtkIOGeometry import vtkOBJReader, vtkSTLReader

    for body in bodies:
        raw = (stl_bytes if kind == "stl" else obj_bytes)(body)
        seen = trimesh.load(io.BytesIO(raw), file_type=kind, force="mesh")
        path = tmp_path / f"{body.name}.{kind}"
        path.write_bytes(raw)
        reader = vtkSTLReader() if kind == "stl" else vtkOBJReader()
        reader.SetFileName(str(path))
        reader.Update()
        other = vtk_to_numpy(reader.GetOutput().GetPoints().GetData())
        assert reader.GetOutput().GetNumberOfPolys() == len(body.mesh.triangles)
        low, high = body.mesh.points_lps_mm.min(axis=0), body.mesh.points_lps_mm.max(axis=0)
        for points in (np.asarray(seen.vertices), other):
            # float32 at 50 mm resolves 4e-6 mm
            assert points.min(axis=0) == pytest.approx(low, abs=5e-6)
            assert points.max(axis=0) == pytest.approx(high, abs=5e-6)
        if body.closed:
            assert seen.is_watertight
            assert seen.volume == pytest.approx(body.mesh.volume_mm3, rel=1e-4)
    placed = findings.sites[0].placed
    assert placed is not None
    fixture = bodies[0].mesh.points_lps_mm
    assert np.linalg.norm(fixture - placed.pose.platform_lps_mm, axis=1).min() < 1e-9
    assert np.linalg.norm(fixture - placed.pose.point(10.0), axis=1).min() < 1e-9


def test_stl_and_obj_say_unit_and_frame(bodies: list[Body]) -> None:
    raw = stl_bytes(bodies[0])
    assert not raw.startswith(b"solid")  # a reader would take it for the text form
    assert b"unit mm; frame DICOM patient LPS; site-36-fixture" in raw[:80]
    head = obj_bytes(bodies[0])[:400].decode()
    assert "LPS" in head
    assert "millimetres" in head


def test_glb_follows_the_convention_of_gltf(bodies: list[Body], findings: Findings) -> None:
    """glTF 2.0, section 3.4: metres, right-handed, +Y up, +Z forward, -X right."""
    scene = trimesh.load(io.BytesIO(glb_bytes(bodies)), file_type="glb")
    assert set(scene.graph.nodes_geometry) == {body.name for body in bodies}
    for body in bodies:
        matrix, geometry = scene.graph[body.name]
        assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1e-9)  # no mirror; (0.001 m/mm) cubed
        points = trimesh.transform_points(scene.geometry[geometry].vertices, matrix)
        left, back, head = body.mesh.points_lps_mm.T
        assert points[:, 0].max() == pytest.approx(left.max() / 1000, abs=1e-8)  # -X is the patient's right
        assert points[:, 1].max() == pytest.approx(head.max() / 1000, abs=1e-8)  # up is the head
        assert points[:, 2].max() == pytest.approx(-back.min() / 1000, abs=1e-8)  # the face looks along +Z
    placed = findings.sites[0].placed
    assert placed is not None
    x, y, z = placed.pose.point(placed.fixture.length_mm) / 1000
    matrix, geometry = scene.graph["site-36-fixture"]
    points = trimesh.transform_points(scene.geometry[geometry].vertices, matrix)
    assert np.linalg.norm(points - (x, z, -y), axis=1).min() < 1e-8


def test_vtk_reads_the_glb_too(bodies: list[Body], tmp_path: Path) -> None:
    from vtkmodules.vtkIOGeometry import vtkGLTFReader

    path = tmp_path / "plan.glb"
    path.write_bytes(glb_bytes(bodies))
    reader = vtkGLTFReader()
    reader.SetFileName(str(path))
    reader.Update()
    blocks = reader.GetOutput()
    assert blocks.GetNumberOfCells() == sum(len(body.mesh.triangles) for body in bodies)
    found = [0.0] * 6
    blocks.GetBounds(found)
    bounds = np.array(found).reshape(3, 2)
    points = np.concatenate([body.mesh.points_lps_mm for body in bodies])
    wanted = np.stack([points[:, 0], points[:, 2], -points[:, 1]], axis=1) / 1000
    assert bounds[:, 0] == pytest.approx(wanted.min(axis=0), abs=1e-7)
    assert bounds[:, 1] == pytest.approx(wanted.max(axis=0), abs=1e-7)


def test_the_same_case_gives_the_same_bytes(bodies: list[Body]) -> None:
    for kind in ("stl", "obj", "glb"):
        assert write_meshes(bodies, kind) == write_meshes(bodies, kind)


def test_flats_cut_less_than_two_micrometres() -> None:
    assert sagitta_mm(2.5) < 0.002


def test_a_site_without_a_fixture_hands_over_bone_and_structures(findings: Findings) -> None:
    bare = replace(findings, sites=tuple(replace(site, placed=None) for site in findings.sites))
    names = [body.name for body in bodies_of(bare, bare.scan)]
    assert not [name for name in names if name.startswith("site-")]
    assert names[-1] == "bone-around-sites"
