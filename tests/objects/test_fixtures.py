"""Encapsulated STL and its registration: the mesh, moved by the matrix, is the planned fixture in the patient."""

import io
from typing import Any

import numpy as np
import pydicom
import pytest
import trimesh

from siteplan.objects.fixture_objects import decimal


def matrices(registration: pydicom.Dataset) -> dict[str, np.ndarray]:
    """4 x 4 matrix by the frame of reference that it starts from (PS3.3 C.20.2: to the registered frame)."""
    return {
        item.FrameOfReferenceUID: np.array(
            item.MatrixRegistrationSequence[0].MatrixSequence[0].FrameOfReferenceTransformationMatrix, float
        ).reshape(4, 4)
        for item in registration.RegistrationSequence
    }


def test_registered_mesh_is_the_planned_fixture(each: Any) -> None:
    placed = [site for site in each.findings.sites if site.placed]
    assert placed
    for site in placed:
        tooth, plan = site.entry.tooth, site.placed
        stl = pydicom.dcmread(each.files[f"fixture-{tooth}.dcm"])
        registration = pydicom.dcmread(each.files[f"fixture-{tooth}-place.dcm"])
        by_frame = matrices(registration)
        assert np.array_equal(by_frame[registration.FrameOfReferenceUID], np.eye(4))
        matrix = by_frame[stl.FrameOfReferenceUID]
        assert np.allclose(matrix[:3, :3] @ matrix[:3, :3].T, np.eye(3), atol=1e-12)
        assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1.0)
        assert np.allclose(matrix[:3, 0], site.bone.frame.buccal, atol=1e-9)
        mesh = trimesh.load(io.BytesIO(stl.EncapsulatedDocument), file_type="stl")
        assert mesh.is_watertight
        assert mesh.volume > 0
        points = mesh.vertices @ matrix[:3, :3].T + matrix[:3, 3]
        # Independent of the matrix: place along and across the planned axis, against the catalogue's outline.
        along = (points - plan.pose.platform_lps_mm) @ plan.pose.axis
        across = np.linalg.norm(points - plan.pose.platform_lps_mm - along[:, None] * plan.pose.axis, axis=1)
        fixture = plan.fixture
        assert along.max() == pytest.approx(fixture.length_mm, abs=1e-5)
        assert along.min() == pytest.approx(float(fixture.above.z_mm[0]), abs=1e-5)
        z = np.concatenate([fixture.above.z_mm, fixture.body.z_mm])
        r = np.concatenate([fixture.above.r_mm, fixture.body.r_mm])
        on_ring = (np.abs(along[:, None] - z) < 1e-4) & (np.abs(across[:, None] - r) < 1e-4)
        at_end = (across < 1e-4) & (np.minimum(np.abs(along - z[0]), np.abs(along - z[-1])) < 1e-4)
        assert (on_ring.any(axis=1) | at_end).all()
        for at in range(len(z)):  # every ring of the outline is there, all round
            ring = points[on_ring[:, at]]
            middle = plan.pose.platform_lps_mm + z[at] * plan.pose.axis
            assert len(ring) >= 48
            assert np.allclose(ring.mean(axis=0), middle, atol=1e-3)
        # A stack of cone stumps (any table of solids); 96 flats take 0.07 % of a circle away.
        solid = np.sum(np.diff(z) * np.pi / 3 * (r[1:] ** 2 + r[1:] * r[:-1] + r[:-1] ** 2))
        assert mesh.volume == pytest.approx(solid, rel=2e-3)


def test_stl_says_millimetres_and_what_it_is(each: Any) -> None:
    for name, path in each.files.items():
        if name.startswith("fixture") and "place" not in name:
            ds = pydicom.dcmread(path)
            unit = ds.MeasurementUnitsCodeSequence[0]
            assert (unit.CodeValue, unit.CodingSchemeDesignator) == ("mm", "UCUM")
            assert ds.MIMETypeOfEncapsulatedDocument == "model/stl"
            assert len(ds.EncapsulatedDocument) == ds.EncapsulatedDocumentLength


def test_decimal_strings() -> None:
    # PS3.5 section 6.2: at most 16 characters.
    rng = np.random.default_rng(0)
    values = [0.0, -0.0, 1.0, -1.0, 1e-17, -np.pi * 1e-12, *(rng.normal(size=200) * 10.0 ** rng.integers(-9, 6, 200))]
    for value in values:
        text = decimal(float(value))
        assert len(text) <= 16
        assert float(text) == pytest.approx(float(value), rel=1e-8, abs=1e-15)
    assert decimal(-0.0) == "0"
