"""The source images as headers only, in the identity of an export, for libraries that ask for them.

They are made from what a `Scan` keeps, so nothing of the original files' headers can slip through.
"""

from collections.abc import Iterator

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian

from siteplan.objects.context import Context, ImageReference
from siteplan.objects.fixture_objects import decimal
from siteplan.scan.volume import Scan


def source_images(scan: Scan, context: Context) -> list[Dataset]:
    """One header for each instance, in the order of the volume's slices; a multi-frame instance has all its frames."""
    by_instance: dict[str, list[tuple[int, ImageReference]]] = {}
    for k, image in enumerate(context.images):
        by_instance.setdefault(image.instance_uid, []).append((k, image))
    return [_header(scan, context, members) for members in by_instance.values()]


def _header(scan: Scan, context: Context, members: list[tuple[int, ImageReference]]) -> Dataset:
    first_slice, image = members[0]
    ds = _common(scan, context, image)
    if not image.frame:
        ds.update(_spacing(scan))
        ds.update(_orientation(scan))
        ds.ImagePositionPatient = _position(scan, first_slice)
        ds.InstanceNumber = first_slice + 1
        return ds
    slice_of = {member.frame: k for k, member in members}
    ds.InstanceNumber = 1
    ds.NumberOfFrames = max(slice_of)
    shared = Dataset()
    shared.PixelMeasuresSequence = Sequence([_spacing(scan)])
    shared.PlaneOrientationSequence = Sequence([_orientation(scan)])
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    # A frame that is no slice of the volume (there is none today) would stand at the place of the first one.
    frames = [_frame(scan, slice_of.get(number, first_slice)) for number in range(1, ds.NumberOfFrames + 1)]
    ds.PerFrameFunctionalGroupsSequence = Sequence(frames)
    return ds


def _common(scan: Scan, context: Context, image: ImageReference) -> Dataset:
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SOPClassUID = UID(image.sop_class_uid)
    ds.SOPInstanceUID = UID(image.instance_uid)
    ds.Modality = context.modality
    ds.StudyInstanceUID = UID(context.study_uid)
    ds.SeriesInstanceUID = UID(context.series_uid)
    ds.FrameOfReferenceUID = UID(context.frame_of_reference_uid)
    ds.PatientName, ds.PatientID = context.patient.name, context.patient.identifier
    ds.PatientBirthDate, ds.PatientSex = context.patient.birth_date, context.patient.sex
    ds.StudyDate, ds.StudyTime = context.study_date, context.study_time
    ds.StudyID, ds.AccessionNumber = context.study_id, context.accession_number
    ds.ReferringPhysicianName = ""
    ds.Rows, ds.Columns = scan.shape[1], scan.shape[2]
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 16, 15, 0
    return ds


def _spacing(scan: Scan) -> Dataset:
    k, j, i = scan.spacing_kji_mm
    item = Dataset()
    item.PixelSpacing = [decimal(j), decimal(i)]
    item.SliceThickness = decimal(k)
    item.SpacingBetweenSlices = decimal(k)
    return item


def _orientation(scan: Scan) -> Dataset:
    item = Dataset()
    item.ImageOrientationPatient = [decimal(value) for value in _directions(scan)]
    return item


def _directions(scan: Scan) -> Iterator[float]:
    """Direction cosines of a row (columns counting up), then of a column (PS3.3 C.7.6.2.1.1)."""
    for column in (0, 1):
        step = scan.affine[:3, column]
        yield from (float(value) for value in step / np.linalg.norm(step))


def _position(scan: Scan, k: int) -> list[str]:
    return [decimal(value) for value in scan.index_to_lps((k, 0, 0))]


def _frame(scan: Scan, k: int) -> Dataset:
    position = Dataset()
    position.ImagePositionPatient = _position(scan, k)
    content = Dataset()
    content.StackID, content.InStackPositionNumber = "1", k + 1
    content.DimensionIndexValues = [1, k + 1]
    item = Dataset()
    item.PlanePositionSequence = Sequence([position])
    item.FrameContentSequence = Sequence([content])
    return item
