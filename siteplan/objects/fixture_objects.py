"""Encapsulated STL (PS3.3 A.85.1) of a fixture in its own frame, and its Spatial Registration (A.39.1)."""

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr.codedict import codes
from pydicom.uid import UID, EncapsulatedSTLStorage, SpatialRegistrationStorage

from siteplan.fixture import Fixture
from siteplan.objects.codes import code_item
from siteplan.objects.context import Context, NewSeries, new_uid
from siteplan.objects.dataset import in_source_frame, new_object
from siteplan.objects.document_object import encapsulate
from siteplan.objects.fixture_frame import fixture_mesh, stl_bytes


def stl_series() -> NewSeries:
    """The series of fixture shapes."""
    return NewSeries("M3D", 9005, "Planned fixtures, each in its own frame")


def registration_series() -> NewSeries:
    """The series of their places."""
    return NewSeries("REG", 9006, "Planned fixtures, frame to patient")


def stl_object(fixture: Fixture, tooth: int, context: Context, of: NewSeries, number: int) -> Dataset:
    """The outer shape of a fixture, millimetres, in a new frame of reference of its own; see `fixture_frame`."""
    ds = new_object(context, EncapsulatedSTLStorage, of, number=number)
    ds.FrameOfReferenceUID = UID(new_uid())
    ds.PositionReferenceIndicator = ""
    encapsulate(ds, stl_bytes(fixture_mesh(fixture)), "model/stl", f"Tooth {tooth}: {fixture.name}"[:64])
    ds.BurnedInAnnotation = "NO"
    ds.MeasurementUnitsCodeSequence = Sequence([code_item(codes.UCUM.Millimeter)])
    ds.ModelModification = "NO"
    ds.ModelMirroring = "NO"
    ds.ModelUsageCodeSequence = Sequence([code_item(codes.cid7064.PlanningIntent)])
    return ds


def registration_object(
    fixture_to_patient: NDArray[np.float64], stl: Dataset, tooth: int, context: Context, of: NewSeries, number: int
) -> Dataset:
    """Where the frame of an STL object lies in the frame of the scan.

    Args:
        fixture_to_patient: (4, 4) rigid matrix, LPS mm.
    """
    ds = new_object(context, SpatialRegistrationStorage, of, number=number)
    in_source_frame(ds, context)
    ds.ContentLabel = f"TOOTH_{tooth}"
    ds.ContentDescription = f"Planned place of the fixture for tooth {tooth}"
    ds.ContentCreatorName = ""
    ds.RegistrationSequence = Sequence(
        [
            _registered(context.frame_of_reference_uid, np.eye(4), "the scan"),
            _registered(stl.FrameOfReferenceUID, fixture_to_patient, f"fixture of tooth {tooth}"),
        ]
    )
    return ds


def _registered(frame_uid: str, matrix: NDArray[np.float64], what: str) -> Dataset:
    rigid = Dataset()
    rigid.FrameOfReferenceTransformationMatrixType = "RIGID"
    rigid.FrameOfReferenceTransformationMatrix = [decimal(value) for value in matrix.ravel()]
    step = Dataset()
    step.FrameOfReferenceTransformationComment = what
    step.RegistrationTypeCodeSequence = Sequence([])
    step.MatrixSequence = Sequence([rigid])
    item = Dataset()
    item.FrameOfReferenceUID = UID(frame_uid)
    item.MatrixRegistrationSequence = Sequence([step])
    return item


def decimal(value: float) -> str:
    """A number as Decimal String: at most 16 characters (PS3.5 section 6.2), as many digits as fit, never -0."""
    for digits in range(17, 0, -1):
        text = f"{value + 0.0:.{digits}g}"
        if len(text) <= 16:
            return text
    raise ValueError(f"{value} does not fit a Decimal String")
