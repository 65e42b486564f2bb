"""The modules that all our objects have in common: patient, study, series, equipment, source, de-identification.

Numbers in comments are sections of DICOM PS3.3.
"""

from collections.abc import Iterable
from pathlib import Path

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.sr.codedict import codes
from pydicom.uid import UID, ExplicitVRLittleEndian

from siteplan import __version__
from siteplan.objects.codes import PRIVATE_SCHEME, code_item, scheme_item
from siteplan.objects.context import Context, ImageReference, NewSeries, new_uid

MAKER = "siteplan"
SERIAL_NUMBER = "0"
"""Device Serial Number is required (C.7.5.2) but software has none, and one of a machine would say where it stands."""
IMPLEMENTATION_UID = "2.25.135602362903485704917730841784076624216"
"""Implementation Class UID (PS3.7 D.3.3.2): one random UUID, drawn once for this program."""
NO_DATE, NO_TIME = "19000101", "000000"
"""What stands where the standard asks for a date and identity is removed (PS3.15 table E.1-1, action D)."""
_PROFILE = (
    codes.cid7050.BasicApplicationConfidentialityProfile,
    codes.cid7050.CleanDescriptorsOption,
    codes.cid7050.CleanStructuredContentOption,
)
_WITHOUT_BODY_PART = ("SR", "M3D", "DOC")
"""Modalities whose series module does not have it."""
_DATED = ("Content", "Series", "InstanceCreation", "StructureSet", "PresentationCreation")


def new_object(context: Context, sop_class_uid: str, series: NewSeries, *, number: int = 1) -> Dataset:
    """An object with the common modules and nothing of its own yet; `number` counts instances in the series."""
    ds = bare_object(sop_class_uid)
    ds.Modality = series.modality
    ds.SeriesInstanceUID = UID(series.uid)
    ds.SeriesNumber = series.number
    ds.InstanceNumber = number
    return stamp(ds, context, series)


def bare_object(sop_class_uid: str) -> Dataset:
    """An object without patient, study and series, as the standard wants implant templates: file meta, SOP common
    (C.12.1) and equipment (C.7.5.1, C.7.5.2) only."""
    ds = Dataset()
    ds.SOPClassUID = UID(sop_class_uid)
    ds.SOPInstanceUID = UID(new_uid())
    _made_by_us(ds)
    return ds


def stamp(ds: Dataset, context: Context, series: NewSeries) -> Dataset:
    """Put patient, study, source frame, equipment, dates and de-identification into an object, whoever built it."""
    _made_by_us(ds)
    ds.PatientName = context.patient.name
    ds.PatientID = context.patient.identifier
    ds.PatientBirthDate = context.patient.birth_date
    ds.PatientSex = context.patient.sex
    ds.StudyInstanceUID = UID(context.study_uid)
    ds.StudyDate, ds.StudyTime = context.study_date, context.study_time
    ds.StudyID, ds.AccessionNumber = context.study_id, context.accession_number
    ds.ReferringPhysicianName = ""
    ds.SeriesDescription = series.description
    if series.modality not in _WITHOUT_BODY_PART:
        ds.BodyPartExamined = "JAW"  # without it Laterality becomes conditional (C.7.3.1)
    day, time = context.made.strftime("%Y%m%d"), context.made.strftime("%H%M%S")
    ds.ContentDate, ds.ContentTime = (NO_DATE, NO_TIME) if context.removed else (day, time)
    for word in _DATED[1:]:
        for part, value in (("Date", day), ("Time", time)):
            if f"{word}{part}" in ds:
                setattr(ds, f"{word}{part}", value)
                if context.removed:
                    delattr(ds, f"{word}{part}")
    if not context.removed:
        ds.InstanceCreationDate, ds.InstanceCreationTime = day, time
    for equipment in ds.get("ContributingEquipmentSequence", []):
        if context.removed and "ContributionDateTime" in equipment:
            del equipment.ContributionDateTime
    if context.removed:
        ds.PatientIdentityRemoved = "YES"  # C.7.1.1
        ds.DeidentificationMethod = "Written from geometry and measurements alone; UIDs by keyed hash"
        ds.DeidentificationMethodCodeSequence = Sequence([code_item(code) for code in _PROFILE])
        ds.LongitudinalTemporalInformationModified = "REMOVED"  # C.12.1
    return ds


def _made_by_us(ds: Dataset) -> None:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = ds.SOPClassUID
    meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(IMPLEMENTATION_UID)
    meta.ImplementationVersionName = "SITEPLAN"
    ds.file_meta = meta
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.Manufacturer = MAKER
    ds.ManufacturerModelName = MAKER
    ds.DeviceSerialNumber = SERIAL_NUMBER
    ds.SoftwareVersions = __version__


def instance_reference(sop_class_uid: str, instance_uid: str, frame: int = 0) -> Dataset:
    """An item that names one instance (table 10-11), with its frame when `frame` is not 0 (table 10-3)."""
    item = Dataset()
    item.ReferencedSOPClassUID = sop_class_uid
    item.ReferencedSOPInstanceUID = instance_uid
    if frame:
        item.ReferencedFrameNumber = frame
    return item


def source_references(images: Iterable[ImageReference]) -> Sequence:
    """An item for each image."""
    return Sequence([instance_reference(i.sop_class_uid, i.instance_uid, i.frame) for i in images])


def refer_to_source(ds: Dataset, context: Context) -> None:
    """Common Instance Reference (C.12.2) to the source series; nothing where the scan has no stored images."""
    refer_to(ds, {context.series_uid: [(i.sop_class_uid, i.instance_uid) for i in context.instances]})


def refer_to(ds: Dataset, instances: dict[str, list[tuple[str, str]]]) -> None:
    """Common Instance Reference (C.12.2): instances of the same study as (class, instance) by Series Instance UID."""
    items = []
    for series_uid, members in instances.items():
        if not members:
            continue
        item = Dataset()
        item.SeriesInstanceUID = series_uid
        item.ReferencedInstanceSequence = Sequence([instance_reference(*member) for member in members])
        items.append(item)
    if items:
        ds.ReferencedSeriesSequence = Sequence(items)


def in_source_frame(ds: Dataset, context: Context) -> None:
    """Frame of Reference (C.7.4.1) of the scan."""
    ds.FrameOfReferenceUID = context.frame_of_reference_uid
    ds.PositionReferenceIndicator = ""


def save(ds: Dataset, path: Path) -> None:
    """Write one object as a DICOM file; it explains our coding scheme (C.12.1.1.5) where it uses it."""
    if any(e.value == PRIVATE_SCHEME for e in ds.iterall() if e.keyword == "CodingSchemeDesignator"):
        ds.CodingSchemeIdentificationSequence = Sequence([scheme_item()])
    ds.save_as(path, enforce_file_format=True)
