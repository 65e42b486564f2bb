"""Fixtures as Generic Implant Templates and back: the same solids, every required attribute, nothing else believed."""

import io
import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from siteplan.errors import LibraryFileError
from siteplan.fixture import Catalogue, Design, Fixture, load_catalogue
from siteplan.fixture.design import Shape, make_fixture
from siteplan.objects.template_form import LANDMARKS, places_of, sizes_of
from siteplan.objects.template_read import catalogue_from_templates, read_template
from siteplan.objects.template_write import template, template_bytes, template_files, template_uid

DESCRIPTION = {  # PS3.3 table C.29.1.1-1: Type 1 attributes and the Type 2 one, and those of SOP Common (C.12.1)
    "Manufacturer", "FrameOfReferenceUID", "ImplantName", "ImplantPartNumber", "ImplantTemplateVersion", "ImplantType",
    "EffectiveDateTime", "MaterialsCodeSequence", "ImplantTypeCodeSequence", "FixationMethodCodeSequence",
    "SOPClassUID", "SOPInstanceUID",
}  # fmt: skip


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="module")
def folder(catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All invented fixtures as template files."""
    out = tmp_path_factory.mktemp("templates")
    for name, raw in template_files(catalogue).items():
        (out / name).write_bytes(raw)
    return out


def equal_within_float32(one: Fixture, other: Fixture) -> None:
    """Solids, sizes, torques and names; 1e-6 is float32's relative step (2^-23) rounded up eightfold."""
    assert one.name == other.name
    assert one.core.z_mm.shape == other.core.z_mm.shape
    assert (one.family, one.design, one.source) == (other.family, other.design, other.source)
    assert (one.torque_target_ncm, one.torque_ceiling_ncm) == (other.torque_target_ncm, other.torque_ceiling_ncm)
    for solid in ("body", "core", "above"):
        mine, theirs = getattr(one, solid), getattr(other, solid)
        assert mine.z_mm == pytest.approx(theirs.z_mm, rel=1e-6, abs=1e-6)
        assert mine.r_mm == pytest.approx(theirs.r_mm, rel=1e-6, abs=1e-6)
    for size in ("length_mm", "outer_diameter_mm", "core_diameter_mm", "neck_mm", "thread_lead_mm", "thread_start_mm"):
        assert getattr(one, size) == pytest.approx(getattr(other, size), rel=1e-6)


def test_the_whole_catalogue_comes_back(folder: Path, catalogue: Catalogue, tmp_path: Path) -> None:
    target = tmp_path / "own.toml"
    target.write_text(catalogue_from_templates(sorted(folder.iterdir())), encoding="utf-8")
    again = load_catalogue([target])
    assert set(again.names) == set(catalogue.names)
    assert len(tomllib.loads(target.read_text("utf-8"))["fixture"]) < len(catalogue.names)  # lengths were joined
    for fixture in catalogue.fixtures:
        equal_within_float32(again.get(fixture.name), fixture)
        assert again.get(fixture.name) is not fixture


def mm(low: float, high: float) -> st.SearchStrategy[float]:
    """Sizes as catalogues write them: whole micrometres."""
    return st.integers(round(1000 * low), round(1000 * high)).map(lambda n: n / 1000)


shapes = st.builds(
    Shape,
    outer_diameter_mm=mm(2.5, 7.0), core_diameter_mm=mm(1.2, 2.4), shaft_diameter_mm=mm(0.4, 4), smooth_mm=mm(0, 2),
    thread_mm=st.one_of(st.none(), mm(3, 5)), taper_deg=mm(0, 3), tip_diameter_mm=mm(0.4, 4), tip_mm=mm(0.1, 1.5),
    neck_diameter_mm=mm(0.4, 4), transgingival_mm=mm(0.4, 4), abutment_diameter_mm=mm(0.4, 4),
    abutment_top_diameter_mm=mm(0.4, 4), abutment_height_mm=mm(0.4, 4), thread_lead_mm=mm(0.4, 4),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(shape=shapes, length=mm(6, 20))
def test_any_shape_comes_back(shape: Shape, length: float) -> None:
    if shape.core_diameter_mm / 2 <= shape.narrowing_mm(length):
        return  # the catalogue's own check refuses it
    fixture = make_fixture("any", Design.TWO_PIECE, shape, length, source="x")
    sizes = sizes_of(places_of(fixture).__getitem__)
    run = sizes.pop("length_mm")
    equal_within_float32(
        make_fixture("any", Design.TWO_PIECE, Shape(**sizes, thread_mm=None), run, source="x"), fixture
    )


def test_required_attributes_are_there(catalogue: Catalogue) -> None:
    for fixture in catalogue.fixtures[::7]:
        ds = template(fixture)
        for keyword in DESCRIPTION:
            assert ds.get(keyword) not in (None, "", []), keyword
        assert "OverallTemplateSpatialTolerance" in ds
        assert ds.SOPClassUID == "1.2.840.10008.5.1.4.43.1"  # PS3.6 annex A
        for keyword in ("PatientName", "PatientID", "StudyInstanceUID", "SeriesInstanceUID"):
            assert keyword not in ds  # the information model has no patient (PS3.3 7.13.3)


def test_presence_by_the_tables_that_highdicom_ships(catalogue: Catalogue) -> None:
    """Every Type 1 and 2 attribute of every module that we write, by PS3.3 as highdicom packs it (private tables)."""
    import highdicom

    standard = Path(highdicom.__file__).parent / "_standard"
    if not (standard / "module_attribute_map.json").is_file():
        pytest.skip("this highdicom ships its tables elsewhere")
    modules = json.loads((standard / "module_attribute_map.json").read_text())
    wanted = [
        entry["key"] for entry in json.loads((standard / "iod_module_map.json").read_text())["generic-implant-template"]
    ]
    ds = template(catalogue.fixtures[0])
    looked_at = 0
    for module in wanted:
        if module == "generic-implant-template-2d-drawings":
            continue  # not written
        for attribute in modules[module]:
            if attribute["type"] in ("1", "2"):
                looked_at += sum(1 for _ in _checked(ds, attribute["path"], attribute))
    assert looked_at > 60


def _checked(ds: Dataset, path: list[str], attribute: dict[str, Any]) -> Any:
    """Yield once for each place where the attribute must be, after a look that it is there."""
    if path:
        for item in ds.get(path[0]) or ():
            yield from _checked(item, path[1:], attribute)
        return
    assert attribute["keyword"] in ds, f"{attribute['keyword']} is missing"
    if attribute["type"] == "1":
        assert ds[attribute["keyword"]].value not in (None, ""), f"{attribute['keyword']} is empty"
    yield attribute


def test_the_mesh_is_the_fixture(catalogue: Catalogue) -> None:
    fixture = catalogue.get("demo-compressive-4.0x10")
    ds = pydicom.dcmread(io.BytesIO(template_bytes(fixture)))
    for surface, solid in zip(ds.SurfaceSequence, (fixture.body, fixture.above), strict=True):
        points = np.frombuffer(surface.SurfacePointsSequence[0].PointCoordinatesData, "<f4").reshape(-1, 3)
        raw = surface.SurfaceMeshPrimitivesSequence[0].LongTrianglePointIndexList
        triangles = np.frombuffer(raw, "<u4").reshape(-1, 3)
        assert triangles.min() == 1  # PS3.3 C.27, Surface Mesh: points count from 1
        assert triangles.max() == surface.SurfacePointsSequence[0].NumberOfSurfacePoints == len(points)
        mesh = trimesh.Trimesh(points, triangles - 1, process=False)
        assert mesh.is_watertight
        assert mesh.volume > 0
        assert points[:, 2].min() == pytest.approx(solid.z_mm[0], abs=1e-5)
        assert points[:, 2].max() == pytest.approx(solid.z_mm[-1], abs=1e-5)
        assert np.hypot(points[:, 0], points[:, 1]).max() == pytest.approx(solid.max_radius_mm, abs=1e-5)
    marks = {item.PlanningLandmarkDescription: item.ThreeDPointCoordinates for item in ds.PlanningLandmarkPointSequence}
    assert marks[LANDMARKS["apex"]] == [0.0, 0.0, 10.0]
    assert marks[LANDMARKS["thread-crest"]] == [2.0, 0.0, 0.6]


def test_the_same_fixture_is_the_same_object_and_another_is_not(catalogue: Catalogue) -> None:
    first, second = catalogue.fixtures[:2]
    assert template_bytes(first) == template_bytes(first)
    assert template_uid(first) != template_uid(second)
    assert len({template_uid(fixture) for fixture in catalogue.fixtures}) == len(catalogue.fixtures)
    assert template(first).FrameOfReferenceUID != template(second).FrameOfReferenceUID


def test_reads_back_identically(catalogue: Catalogue) -> None:
    raw = template_bytes(catalogue.fixtures[3])
    again = io.BytesIO()
    pydicom.dcmread(io.BytesIO(raw)).save_as(again, enforce_file_format=True)
    assert again.getvalue() == raw


def test_a_template_in_another_frame_gives_the_same_sizes(catalogue: Catalogue, tmp_path: Path) -> None:
    """Sizes are read about the line from platform to apex, so a turned and moved template is the same fixture."""
    ds = template(catalogue.get("demo-compressive-4.0x10"))
    turn = trimesh.transformations.rotation_matrix(0.7, (1, 2, 3), (4, 5, 6))
    for item in ds.PlanningLandmarkPointSequence:
        item.ThreeDPointCoordinates = list(trimesh.transform_points([item.ThreeDPointCoordinates], turn)[0])
    ds.save_as(tmp_path / "turned.dcm", enforce_file_format=True)
    entry = read_template(tmp_path / "turned.dcm")
    assert entry["length_mm"] == pytest.approx(10.0, abs=1e-8)
    assert entry["core_diameter_mm"] == pytest.approx(2.7, abs=1e-8)
    assert entry["taper_deg"] == pytest.approx(1.2, abs=1e-6)


def save(ds: Dataset, path: Path) -> Path:
    ds.save_as(path, enforce_file_format=True)
    return path


def wrong(ds: Dataset, tmp_path: Path, match: str) -> None:
    with pytest.raises(LibraryFileError, match=match) as caught:
        catalogue_from_templates([save(ds, tmp_path / "t.dcm")])
    assert "\n" not in str(caught.value)


def test_a_template_of_others_says_what_is_missing_and_what_it_measures(catalogue: Catalogue, tmp_path: Path) -> None:
    ds = template(catalogue.get("demo-compressive-4.0x10"))
    del ds.PlanningLandmarkPointSequence
    wrong(ds, tmp_path, r"does not say its platform, apex, .* its surface spans \d\.\d\d x \d\.\d\d x 17\.50 mm")
    ds = template(catalogue.fixtures[0])
    ds.ImplantTypeCodeSequence[0].CodingSchemeDesignator = "99OTHER"
    wrong(ds, tmp_path, "does not say how the fixture is meant to hold")


def test_values_that_cannot_be(catalogue: Catalogue, tmp_path: Path) -> None:
    names = list(LANDMARKS)
    for landmark, point, match in (
        ("apex", [0.0, 0.0, 0.0], "platform and apex are the same point"),
        ("thread-root", [float("nan"), 0.0, 0.6], "a landmark lies nowhere"),
        ("thread-root", [9.0, 0.0, 0.6], "core_diameter_mm .* must be smaller"),
        ("apex", [0.0, 0.0, 900.0], "no valid catalogue"),
        ("neck", [1.0, 0.0, 5.0], "no valid catalogue"),
        ("one-turn", [0.0, 0.0, -1.0], "no valid catalogue"),
    ):
        ds = template(catalogue.get("demo-compressive-4.0x10"))
        ds.PlanningLandmarkPointSequence[names.index(landmark)].ThreeDPointCoordinates = point
        wrong(ds, tmp_path, match)


def test_text_of_strangers_stays_text(catalogue: Catalogue, tmp_path: Path) -> None:
    """A name with quotes, line breaks and TOML in it makes no other keys."""
    ds = template(catalogue.get("demo-compressive-4.0x10"))
    ds.ImplantName = 'x"\n[[fixture]]\nfamily = "y'
    block = ds.private_block(0x0069, "SITEPLAN CATALOGUE")
    block[0x03].value = 'so "said" \\ \r\n torque_ceiling_ncm = 299'
    text = catalogue_from_templates([save(ds, tmp_path / "t.dcm")])
    (entry,) = tomllib.loads(text)["fixture"]
    assert entry["torque_ceiling_ncm"] == 60.0
    assert entry["source"] == 'so "said" \\ torque_ceiling_ncm = 299'
    assert "\n" not in entry["family"]


def test_files_that_are_no_template(tmp_path: Path, catalogue: Catalogue) -> None:
    (tmp_path / "a.dcm").write_bytes(b"not DICOM")
    with pytest.raises(LibraryFileError, match=r"a\.dcm: no DICOM file"):
        read_template(tmp_path / "a.dcm")
    with pytest.raises(LibraryFileError, match="cannot be read"):
        read_template(tmp_path / "absent.dcm")
    ds = template(catalogue.fixtures[0])
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.2"
    with pytest.raises(LibraryFileError, match="a DICOM file of another kind"):
        read_template(save(ds, tmp_path / "ct.dcm"))
    raw = template_bytes(catalogue.fixtures[0])
    (tmp_path / "cut.dcm").write_bytes(raw[: len(raw) // 2])
    with pytest.raises(LibraryFileError):
        read_template(tmp_path / "cut.dcm")
    twice = [save(template(catalogue.fixtures[0]), tmp_path / name) for name in ("one.dcm", "two.dcm")]
    with pytest.raises(LibraryFileError, match=r"two\.dcm: the same fixture as in one\.dcm"):
        catalogue_from_templates(twice)
