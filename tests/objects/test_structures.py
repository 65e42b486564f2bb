"""Segmentations read by highdicom: the right voxels at the right place, and volumes of closed forms."""

from pathlib import Path
from typing import Any

import highdicom as hd
import numpy as np
import pydicom
import pytest
import trimesh

import siteplan
from siteplan.anatomy import Cone, Kind, MadeBy, Structure, Surface, Tube
from siteplan.objects import segmentation, surface_segmentation
from siteplan.objects.context import context_of
from siteplan.objects.dataset import save
from siteplan.objects.voxels import tube_distance, voxel_mask
from siteplan.report import Identity
from siteplan.report.naming import Naming
from siteplan.scan.volume import GreyScale, Patient, Scan, SeriesFacts
from tests.scan import series_maker as make


def empty_scan(spacing: float, size: int, turned: bool = False) -> Scan:
    """A cube of voxels around the origin, its axes along the patient's or turned at random."""
    affine = np.eye(4)
    if turned:
        q, _ = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))
        affine[:3, :3] = q * np.sign(np.linalg.det(q))
    affine[:3, :3] *= spacing
    affine[:3, 3] = -affine[:3, :3] @ (np.ones(3) * (size - 1) / 2)
    ones = np.ones(size)
    return Scan(
        np.zeros((size, size, size), np.int16), affine, ones, 0 * ones, GreyScale("", False, ""), Patient(),
        SeriesFacts("2.25.1", "2.25.2", "CT", "1.2.840.10008.5.1.4.1.1.2", (), "", "", size),
    )  # fmt: skip


def volume(scan: Scan, shape: Any) -> float:
    found = voxel_mask(scan, shape)
    assert found is not None
    return float(found[1].sum() * np.prod(scan.spacing_kji_mm))


@pytest.mark.parametrize("turned", [False, True])
def test_volumes_of_closed_forms(turned: bool) -> None:
    """Voxel counts against textbook solids; 1 % is three standard deviations of counting voxels of 0.25 mm there.

    Cylinder, ball, cone stump: any table of solids. A tube of one radius is a cylinder and a ball (two half balls). A
    tube whose radius changes is the hull of two balls: cone stump between the circles of tangency, and two caps.
    """
    scan = empty_scan(0.25, 81, turned)
    way = np.array([0.37, 0.61, 0.70])
    way /= np.linalg.norm(way)
    line = np.stack([-6 * way, 6 * way])
    straight = Tube(line, np.array([1.5, 1.5]))
    assert volume(scan, straight) == pytest.approx(np.pi * 1.5**2 * 12 + 4 / 3 * np.pi * 1.5**3, rel=0.01)
    ball = Tube(np.array([[0.3, 0.1, -0.2]]), np.array([4.0]))
    assert volume(scan, ball) == pytest.approx(4 / 3 * np.pi * 64, rel=0.01)
    stump = Cone(line[0], line[1], 3.0, 1.0)
    assert volume(scan, stump) == pytest.approx(np.pi * 12 / 3 * (9 + 3 + 1), rel=0.01)
    narrowing = Tube(line, np.array([3.0, 1.0]))
    assert volume(scan, narrowing) == pytest.approx(two_balls(3.0, 1.0, 12.0), rel=0.01)
    cube = trimesh.creation.box((7.0, 5.0, 9.0))
    cube.apply_transform(trimesh.transformations.rotation_matrix(0.7, way))
    closed = Surface(np.asarray(cube.vertices), np.asarray(cube.faces, np.int64), np.zeros(3), closed=True)
    assert volume(scan, closed) == pytest.approx(7 * 5 * 9, rel=0.01)


def two_balls(r0: float, r1: float, apart: float) -> float:
    """Volume of the convex hull of two balls. The common tangent touches both where sin(a) = (r0 - r1) / apart."""
    sine = (r0 - r1) / apart
    cosine = np.sqrt(1 - sine**2)
    a, b = r0 * cosine, r1 * cosine
    height = apart - (r0 - r1) * sine
    stump = np.pi * height / 3 * (a * a + a * b + b * b)

    def cap(radius: float, depth: float) -> float:
        return float(np.pi * depth**2 / 3 * (3 * radius - depth))

    return float(stump + (4 / 3 * np.pi * r0**3 - cap(r0, r0 - r0 * sine)) + cap(r1, r1 - r1 * sine))


def test_a_tube_is_the_union_of_its_balls() -> None:
    rng = np.random.default_rng(1)
    tube = Tube(rng.normal(scale=5, size=(5, 3)), rng.uniform(0.5, 2.0, 5))
    points = rng.normal(scale=6, size=(400, 3))
    share = np.linspace(0, 1, 4001)[:, None]
    best = np.full(400, np.inf)
    for n in range(4):
        centres = tube.points_lps_mm[n] + share * (tube.points_lps_mm[n + 1] - tube.points_lps_mm[n])
        radii = tube.radius_mm[n] + share[:, 0] * (tube.radius_mm[n + 1] - tube.radius_mm[n])
        best = np.minimum(best, (np.linalg.norm(points[:, None] - centres, axis=2) - radii).min(axis=1))
    # Samples lie 4 micrometres apart or less, so the least sampled distance is at most that much too large.
    assert np.abs(tube_distance(tube, points) - best).max() < 4e-3


def test_an_open_floor_is_one_layer_without_holes() -> None:
    scan = empty_scan(0.5, 41)
    corners = np.array([[-8, -8, 0.3], [8, -8, 0.3], [8, 8, 1.1], [-8, 8, 1.1]], float)
    floor = Surface(corners, np.array([[0, 1, 2], [0, 2, 3]]), np.array([0, 0, 1.0]))
    found = voxel_mask(scan, floor)
    assert found is not None
    layers = found[1].sum(axis=0)
    assert layers.min() >= 1
    assert layers.max() <= 2


def segments(path: Path) -> dict[str, tuple[np.ndarray, np.ndarray, Any]]:
    """By label: mask (K, J, I), affine of the mask to LPS, and segment description; all read by highdicom."""
    seg = hd.seg.segread(path)
    whole = seg.get_volume(combine_segments=False)
    masks, affine = np.asarray(whole.array) > 0, np.asarray(whole.affine)
    described = [seg.get_segment_description(number) for number in seg.segment_numbers]
    return {one.segment_label: (masks[..., n], affine, one) for n, one in enumerate(described)}


def test_the_canal_lies_where_it_was_drawn(each: Any) -> None:
    """Every marked voxel centre, placed by the file's own geometry, is inside the drawn tube, and none is missing."""
    naming = Naming.of(each.findings.structures, each.identity)
    found = segments(each.files["structures.dcm"])
    assert set(found) <= {naming.name(s.name)[:64] for s in each.findings.structures}
    tubes = [s for s in each.findings.structures if isinstance(s.shape, Tube)]
    for structure in tubes:
        mask, affine, description = found[naming.name(structure.name)[:64]]
        assert description.segmented_property_type.scheme_designator == "99SITEPLAN"  # no verified code is known
        assert description.segmented_property_type.value == structure.kind.value
        tube = structure.shape
        ends = (tube.points_lps_mm - affine[:3, 3]) @ np.linalg.inv(affine[:3, :3]).T
        reach = tube.radius_mm.max() / np.linalg.norm(affine[:3, :3], axis=0) + 1
        near = np.zeros(mask.shape, bool)
        low, high = np.maximum(ends.min(axis=0) - reach, 0).astype(int), (ends.max(axis=0) + reach + 1).astype(int)
        near[low[0] : high[0], low[1] : high[1], low[2] : high[2]] = True
        points = np.argwhere(near) @ affine[:3, :3].T + affine[:3, 3]
        assert np.array_equal(tube_distance(tube, points) <= 0, mask[near])
        assert not mask[~near].any()
        assert mask.sum() > 20
    if not tubes:
        label = next(naming.name(s.name) for s in each.findings.structures if s.kind.value == "sinus-floor")
        assert found[label][2].anatomic_regions[0].value == "15924003"  # Maxillary sinus (SCT, CID 7601)
        assert found[label][0].sum() > 20


def test_frames_name_the_images_that_they_lie_on(lower: Any) -> None:
    """The position of each frame equals that of the stored image which it refers to, read from the files."""
    position = {}
    for path in lower.series.iterdir():
        ds = pydicom.dcmread(path, stop_before_pixels=True)
        position[ds.SOPInstanceUID] = np.array(ds.ImagePositionPatient, float)
    seg = pydicom.dcmread(lower.files["structures.dcm"])
    assert (seg.StudyInstanceUID, seg.FrameOfReferenceUID) == (ds.StudyInstanceUID, ds.FrameOfReferenceUID)
    assert (seg.PatientName, seg.PatientID) == (ds.PatientName, ds.PatientID)
    assert seg.ReferencedSeriesSequence[0].SeriesInstanceUID == ds.SeriesInstanceUID
    for frame in seg.PerFrameFunctionalGroupsSequence:
        source = frame.DerivationImageSequence[0].SourceImageSequence[0]
        own = np.array(frame.PlanePositionSequence[0].ImagePositionPatient, float)
        assert np.allclose(position[source.ReferencedSOPInstanceUID], own, atol=1e-4)


def test_surfaces_are_the_structures(each: Any) -> None:
    """Points and triangles of the surface segmentation, as a mesh for trimesh: volume, closedness, place."""
    ds = pydicom.dcmread(each.files["surfaces.dcm"])
    assert ds.NumberOfSurfaces == len(ds.SurfaceSequence) == len(each.findings.structures)
    for item, structure in zip(ds.SurfaceSequence, each.findings.structures, strict=True):
        points = np.frombuffer(item.SurfacePointsSequence[0].PointCoordinatesData, "<f4").reshape(-1, 3)
        index = np.frombuffer(item.SurfaceMeshPrimitivesSequence[0].LongTrianglePointIndexList, "<u4").reshape(-1, 3)
        assert len(points) == item.SurfacePointsSequence[0].NumberOfSurfacePoints
        assert index.min() == 1  # counted from 1, PS3.3 C.27.4
        assert index.max() == len(points)
        mesh = trimesh.Trimesh(points.astype(float), index.astype(int) - 1, process=False)
        if item.FiniteVolume == "YES":
            assert mesh.is_watertight
            assert mesh.volume > 0
        if isinstance(structure.shape, Tube) and len(structure.shape.points_lps_mm) > 1:
            # Vertices lie on the drawn tube; bends of the line cost a little, see the mesh's own tests.
            assert np.abs(tube_distance(structure.shape, points.astype(float))).max() < 0.2


def test_structures_that_overlap_keep_all_their_voxels(told: Any, tmp_path: Path) -> None:
    """Two tubes through one place: each segment read by highdicom holds exactly its own mask."""
    found = told.findings
    canal = next(s for s in found.structures if isinstance(s.shape, Tube))
    wider = Tube(canal.shape.points_lps_mm, canal.shape.radius_mm + 0.8)
    structures = (canal, Structure(Kind.OTHER, "wider", wider))
    context, naming = context_of(found.scan, Identity.AS_GIVEN), Naming.of(structures, Identity.AS_GIVEN)
    seg = segmentation.segmentation_object(found.scan, structures, context, segmentation.series(), naming)
    assert seg is not None
    save(seg, tmp_path / "seg.dcm")
    read = segments(tmp_path / "seg.dcm")
    for structure in structures:
        own = voxel_mask(found.scan, structure.shape)
        assert own is not None
        assert read[structure.name[:64]][0].sum() == own[1].sum()


def test_a_volume_in_one_file(tmp_path: Path) -> None:
    """A multi-frame source: every frame of the segmentation names the frame that it lies on."""
    recipe = make.Recipe(count=20, rows=40, columns=44, gap=0.4)
    values = make.stored_values(recipe)
    ds = make.multi_frame_dataset(recipe, values)
    (tmp_path / "in").mkdir()
    (tmp_path / "in/one.dcm").write_bytes(make.file_bytes(ds, make.EXPLICIT))
    scan = siteplan.read_scan(tmp_path / "in")
    centre = scan.index_to_lps(np.array(scan.shape) / 2)
    tube = Tube(np.stack([centre - (0, 0, 1.0), centre + np.ones(3)]), np.array([1.0, 1.0]))
    structures = (Structure(Kind.CANAL, "canal", tube),)
    context = context_of(scan, Identity.AS_GIVEN)
    naming = Naming.of(structures, Identity.AS_GIVEN)
    seg = segmentation.segmentation_object(scan, structures, context, segmentation.series(), naming)
    assert seg is not None
    save(seg, tmp_path / "seg.dcm")
    mask, affine, _ = segments(tmp_path / "seg.dcm")["canal"]
    index = np.argwhere(mask)
    assert (tube_distance(tube, index @ affine[:3, :3].T + affine[:3, 3]) <= 1e-6).all()
    for frame in pydicom.dcmread(tmp_path / "seg.dcm").PerFrameFunctionalGroupsSequence:
        source = frame.DerivationImageSequence[0].SourceImageSequence[0]
        assert source.ReferencedSOPInstanceUID == ds.SOPInstanceUID
        place = ds.PerFrameFunctionalGroupsSequence[int(source.ReferencedFrameNumber) - 1].PlanePositionSequence[0]
        own = frame.PlanePositionSequence[0].ImagePositionPatient
        assert np.allclose(np.array(place.ImagePositionPatient, float), np.array(own, float), atol=1e-4)


@pytest.mark.parametrize("made_by", list(MadeBy))
def test_what_the_program_traced_is_written_too_and_says_who_confirmed_it(
    tmp_path: Path, tool: Any, made_by: MadeBy
) -> None:
    """A segment that is not MANUAL needs its algorithm (PS3.3 C.8.20.2); highdicom refuses it otherwise."""
    recipe = make.Recipe(count=12, rows=40, columns=44, gap=0.4)
    (tmp_path / "in").mkdir()
    ds = make.multi_frame_dataset(recipe, make.stored_values(recipe))
    (tmp_path / "in/one.dcm").write_bytes(make.file_bytes(ds, make.EXPLICIT))
    scan = siteplan.read_scan(tmp_path / "in")
    centre = scan.index_to_lps(np.array(scan.shape) / 2)
    tube = Tube(np.stack([centre - (0, 0, 1.0), centre + np.ones(3)]), np.array([1.0, 1.0]))
    structures = (Structure(Kind.CANAL, "canal", tube, made_by=made_by),)
    context, naming = context_of(scan, Identity.AS_GIVEN), Naming.of(structures, Identity.AS_GIVEN)
    voxels = segmentation.segmentation_object(scan, structures, context, segmentation.series(), naming)
    mesh = surface_segmentation.surface_object(structures, context, surface_segmentation.series(), naming)
    assert voxels is not None
    assert mesh is not None
    for name, written in (("voxels", voxels), ("mesh", mesh)):
        save(written, tmp_path / f"{name}.dcm")
        said = tool("dciodvfy", str(tmp_path / f"{name}.dcm"))
        assert "Error" not in said.stdout + said.stderr, said.stderr
    segment = pydicom.dcmread(tmp_path / "voxels.dcm").SegmentSequence[0]
    surface = pydicom.dcmread(tmp_path / "mesh.dcm").SegmentSequence[0]
    drawn = made_by is MadeBy.DRAWN
    assert segment.SegmentAlgorithmType == surface.SegmentAlgorithmType == ("MANUAL" if drawn else "SEMIAUTOMATIC")
    made = surface.ReferencedSurfaceSequence[0].SegmentSurfaceGenerationAlgorithmIdentificationSequence[0]
    assert ("not confirmed by a person" in made.AlgorithmName) is (made_by is MadeBy.FOUND)
    if not drawn:
        assert segment.SegmentAlgorithmName == made.AlgorithmName
        assert made.AlgorithmFamilyCodeSequence[0].CodeMeaning == "Edge Detection"  # CID 7162
