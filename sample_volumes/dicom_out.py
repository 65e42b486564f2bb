"""A volume as a series of CT Image Storage files (DICOM PS3.3 A.3), Explicit VR Little Endian."""

import uuid
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, CTImageStorage, ExplicitVRLittleEndian

from sample_volumes.patients import Patient
from sample_volumes.render import STORED_OFFSET

_MAKER = "sample_volumes/make_samples.py"


def uid(*parts: object) -> UID:
    """A UID below 2.25 (PS3.5 B.2) that depends on the parts alone."""
    return UID(f"2.25.{uuid.uuid5(uuid.NAMESPACE_OID, '/'.join(map(str, ('sample', *parts)))).int}")


def write_series(
    folder: Path, patient: Patient, stored: NDArray[np.uint16], origin: NDArray[np.float64], voxel_mm: float
) -> None:
    """One file per slice, numbered from the feet upwards."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.dcm"):
        old.unlink()
    for number, plane in enumerate(stored):
        position = origin + np.array([0, 0, number * voxel_mm])
        data = _slice(patient, number, plane, position, voxel_mm)
        data.save_as(folder / f"{number + 1:03d}.dcm", enforce_file_format=True)


def _slice(
    patient: Patient, number: int, plane: NDArray[np.uint16], position: NDArray[np.float64], voxel_mm: float
) -> Dataset:
    data = _common(patient)
    data.SOPInstanceUID = uid(patient.folder, "slice", number)
    data.InstanceNumber = number + 1
    data.ImagePositionPatient = [f"{value:.4f}" for value in position]
    data.SliceLocation = f"{position[2]:.4f}"
    data.SliceThickness = f"{voxel_mm:g}"
    data.PixelSpacing = [f"{voxel_mm:g}"] * 2
    data.Rows, data.Columns = plane.shape
    data.PixelData = np.ascontiguousarray(plane, "<u2").tobytes()
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = uid("implementation")
    meta.ImplementationVersionName = "SAMPLE_1"
    data.file_meta = meta
    return data


def _common(patient: Patient) -> Dataset:
    """What all slices of a series share."""
    data = Dataset()
    data.SpecificCharacterSet = "ISO_IR 192"
    data.ImageType = ["DERIVED", "SECONDARY", "AXIAL"]  # computed, not acquired
    data.SOPClassUID = CTImageStorage
    data.StudyDate = data.StudyTime = ""  # nothing was ever scanned; both may be empty (type 2)
    data.AccessionNumber = ""
    data.Modality = "CT"
    data.Manufacturer = _MAKER
    data.ManufacturerModelName = "closed-form shapes"
    data.ReferringPhysicianName = ""
    data.StudyDescription = "Invented patient"
    data.SeriesDescription = patient.title
    data.PatientName = patient.name
    data.PatientID = patient.identifier
    data.PatientBirthDate = ""
    data.PatientSex = "O"
    data.BodyPartExamined = "JAW"
    data.KVP = "90"
    data.PatientPosition = "HFS"
    data.StudyInstanceUID = uid(patient.folder, "study")
    data.SeriesInstanceUID = uid(patient.folder, "series")
    data.FrameOfReferenceUID = uid(patient.folder, "frame")
    data.StudyID = "1"
    data.SeriesNumber = 1
    data.AcquisitionNumber = 1
    data.ImageOrientationPatient = ["1", "0", "0", "0", "1", "0"]
    data.PositionReferenceIndicator = ""
    data.SamplesPerPixel = 1
    data.PhotometricInterpretation = "MONOCHROME2"
    data.BitsAllocated = 16
    data.BitsStored = 12
    data.HighBit = 11
    data.PixelRepresentation = 0
    data.RescaleIntercept = f"{STORED_OFFSET:g}"
    data.RescaleSlope = "1"
    data.RescaleType = "US"  # unspecified (PS3.3 C.11.1.1.2): these are not Hounsfield units
    data.WindowCenter = "700"
    data.WindowWidth = "3000"
    data.BurnedInAnnotation = "NO"
    return data
