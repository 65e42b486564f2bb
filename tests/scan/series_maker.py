"""Makes small CT series as DICOM files: sound ones, and ones with a chosen defect.

Files are written by pydicom (and their pixels compressed by imagecodecs), so that nothing here comes from the code
under test. Nothing in them was scanned.
"""

import io
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import imagecodecs
import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import UID

CT = "1.2.840.10008.5.1.4.1.1.2"
ENHANCED_CT = "1.2.840.10008.5.1.4.1.1.2.1"
CRANIOFACIAL = "1.2.840.10008.5.1.4.1.1.13.1.2"

IMPLICIT = "1.2.840.10008.1.2"
EXPLICIT = "1.2.840.10008.1.2.1"
DEFLATED = "1.2.840.10008.1.2.1.99"
BIG_ENDIAN = "1.2.840.10008.1.2.2"
RLE = "1.2.840.10008.1.2.5"
JPEG_14 = "1.2.840.10008.1.2.4.57"
JPEG_SV1 = "1.2.840.10008.1.2.4.70"
JPEG_BASELINE = "1.2.840.10008.1.2.4.50"
JPEG_LS = "1.2.840.10008.1.2.4.80"
JPEG_LS_NEAR = "1.2.840.10008.1.2.4.81"
JPEG_2000 = "1.2.840.10008.1.2.4.90"
JPEG_2000_ANY = "1.2.840.10008.1.2.4.91"
HTJ2K = "1.2.840.10008.1.2.4.201"

PATIENT = "QUIXANO^ALONSO"
PATIENT_ID = "MANCHA-1605"
"""Invented; tests look for them in every message."""

Tweak = Callable[[Dataset, int], None]


@dataclass(frozen=True)
class Recipe:
    """What a series is like. Lengths in mm; `axes` holds the directions of a row, of a column and of the stack."""

    count: int = 12
    rows: int = 18
    columns: int = 22
    row_spacing: float = 0.3
    column_spacing: float = 0.3
    gap: float = 0.3
    origin: tuple[float, float, float] = (-10.0, 5.0, 40.0)
    axes: np.ndarray = field(default_factory=lambda: np.eye(3))
    stored: int = 16
    allocated: int = 16
    signed: bool = False
    slope: float = 1.0
    intercept: float = -1000.0
    rescale_type: str | None = "US"
    syntax: str = EXPLICIT
    series_uid: str = "2.25.1001"
    study_uid: str = "2.25.1000"
    patient: str = PATIENT
    patient_id: str = PATIENT_ID
    date: str = "20260601"
    seed: int = 0

    def position(self, k: float) -> np.ndarray:
        """LPS mm of the first voxel of slice k."""
        return np.array(self.origin) + k * self.gap * self.axes[2]


def stored_values(recipe: Recipe) -> np.ndarray:
    """(K, J, I) smooth ramps with noise over the whole range of the stored bits."""
    rng = np.random.default_rng(recipe.seed)
    k, j, i = np.meshgrid(*(np.linspace(0, 1, n) for n in (recipe.count, recipe.rows, recipe.columns)), indexing="ij")
    share = 0.4 * k + 0.3 * j + 0.25 * i + 0.05 * rng.random(k.shape)
    low = -(1 << (recipe.stored - 1)) if recipe.signed else 0
    values = low + np.floor(share * ((1 << recipe.stored) - 1))
    return values.astype(f"{'i' if recipe.signed else 'u'}{recipe.allocated // 8}")


def slice_dataset(recipe: Recipe, k: int, values: np.ndarray) -> FileDataset:
    """One CT Image Storage data set with uncompressed pixels of slice k."""
    ds = _base(recipe, CT, f"{recipe.series_uid}.{k + 1}")
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.InstanceNumber = k + 1
    ds.ImagePositionPatient = [_decimal(x) for x in recipe.position(k)]
    ds.ImageOrientationPatient = [_decimal(x) for x in recipe.axes[:2].ravel()]
    ds.PixelSpacing = [_decimal(recipe.row_spacing), _decimal(recipe.column_spacing)]
    ds.SliceThickness = _decimal(recipe.gap)
    ds.RescaleIntercept, ds.RescaleSlope = _decimal(recipe.intercept), _decimal(recipe.slope)
    if recipe.rescale_type is not None:
        ds.RescaleType = recipe.rescale_type
    ds.PixelData = values.astype(values.dtype.newbyteorder("<")).tobytes()
    ds["PixelData"].VR = "OW"
    return ds


def multi_frame_dataset(recipe: Recipe, values: np.ndarray, sop_class: str = ENHANCED_CT) -> FileDataset:
    """The whole series as one file with shared and per-frame functional groups (PS3.3 C.7.6.16)."""
    ds = _base(recipe, sop_class, f"{recipe.series_uid}.1")
    ds.ImageType = ["ORIGINAL", "PRIMARY", "VOLUME", "NONE"]
    ds.NumberOfFrames = recipe.count
    shared, measures, orientation, rescale = Dataset(), Dataset(), Dataset(), Dataset()
    measures.PixelSpacing = [_decimal(recipe.row_spacing), _decimal(recipe.column_spacing)]
    measures.SliceThickness = _decimal(recipe.gap)
    orientation.ImageOrientationPatient = [_decimal(x) for x in recipe.axes[:2].ravel()]
    rescale.RescaleIntercept, rescale.RescaleSlope = _decimal(recipe.intercept), _decimal(recipe.slope)
    rescale.RescaleType = recipe.rescale_type or "US"
    shared.PixelMeasuresSequence = Sequence([measures])
    shared.PlaneOrientationSequence = Sequence([orientation])
    shared.PixelValueTransformationSequence = Sequence([rescale])
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    frames = []
    for k in range(recipe.count):
        frame, place = Dataset(), Dataset()
        place.ImagePositionPatient = [_decimal(x) for x in recipe.position(k)]
        frame.PlanePositionSequence = Sequence([place])
        frames.append(frame)
    ds.PerFrameFunctionalGroupsSequence = Sequence(frames)
    ds.PixelData = values.astype(values.dtype.newbyteorder("<")).tobytes()
    ds["PixelData"].VR = "OW"
    return ds


def file_bytes(ds: FileDataset, syntax: str, frames: np.ndarray | None = None) -> bytes:
    """The data set as a file in a transfer syntax; `frames` (N, J, I) are what is compressed."""
    ds.file_meta.TransferSyntaxUID = UID(syntax)
    implicit, little = syntax == IMPLICIT, syntax != BIG_ENDIAN
    if frames is not None and syntax not in (IMPLICIT, EXPLICIT, DEFLATED, BIG_ENDIAN):
        ds.PixelData = encapsulate([compressed(frame, syntax, int(ds.BitsStored)) for frame in frames])
        ds["PixelData"].VR = "OB"
        ds["PixelData"].is_undefined_length = True
    elif not little and int(ds.BitsAllocated) == 16:
        ds.PixelData = np.frombuffer(ds.PixelData, "<u2").astype(">u2").tobytes()
    out = io.BytesIO()
    pydicom.dcmwrite(out, ds, implicit_vr=implicit, little_endian=little, enforce_file_format=True)
    return out.getvalue()


def compressed(frame: np.ndarray, syntax: str, bits: int) -> bytes:
    """One frame as a compressed stream, without loss unless the transfer syntax is a lossy one."""
    bare = np.ascontiguousarray(frame).view(np.dtype(f"u{frame.itemsize}")) & np.array((1 << bits) - 1).astype(
        f"u{frame.itemsize}"
    )
    if syntax == RLE:
        return rle(frame)
    if syntax in (JPEG_14, JPEG_SV1):
        predictor = 1 if syntax == JPEG_SV1 else 5
        bare = bare.astype(np.uint8) if bits <= 8 else bare
        return imagecodecs.jpeg8_encode(bare, lossless=True, predictor=predictor, bitspersample=max(bits, 2))
    if syntax == JPEG_BASELINE:
        return imagecodecs.jpeg8_encode(bare.astype(np.uint8), level=80)
    if syntax == JPEG_LS:
        return imagecodecs.jpegls_encode(bare)
    if syntax == JPEG_LS_NEAR:
        return imagecodecs.jpegls_encode(bare, level=3)
    if syntax == JPEG_2000:
        return imagecodecs.jpeg2k_encode(bare, level=0, reversible=True, codecformat="j2k")
    if syntax == JPEG_2000_ANY:
        return imagecodecs.jpeg2k_encode(bare, level=60, reversible=False, codecformat="j2k")
    if syntax == HTJ2K:
        return imagecodecs.htj2k_encode(bare, reversible=True)
    return frame.tobytes()  # an unknown syntax: nothing can decode it anyway


def rle(frame: np.ndarray) -> bytes:
    """PS3.5 annex G: byte planes, the highest first, every row coded by itself."""
    raw = np.ascontiguousarray(frame).astype(frame.dtype.newbyteorder(">")).view(np.uint8)
    planes = raw.reshape(*frame.shape, frame.itemsize)
    segments = []
    for byte in range(frame.itemsize):
        packed = b"".join(imagecodecs.packbits_encode(row.tobytes()) for row in planes[..., byte])
        segments.append(packed + b"\0" * (len(packed) & 1))
    starts = np.cumsum([64, *(len(segment) for segment in segments)])[:-1]
    return struct.pack("<16I", len(segments), *starts, *[0] * (15 - len(starts))) + b"".join(segments)


def series_bytes(recipe: Recipe, tweak: Tweak | None = None, values: np.ndarray | None = None) -> list[bytes]:
    """All files of a series, one per slice; `tweak(ds, k)` may spoil a data set before it is written."""
    values = stored_values(recipe) if values is None else values
    out = []
    for k in range(recipe.count):
        ds = slice_dataset(recipe, k, values[k])
        if tweak is not None:
            tweak(ds, k)
        out.append(file_bytes(ds, recipe.syntax, values[k : k + 1]))
    return out


def write_series(
    folder: Path, recipe: Recipe, tweak: Tweak | None = None, *, values: np.ndarray | None = None, prefix: str = "s"
) -> Path:
    """Writes a series into `folder` under names that do not follow the order of its slices."""
    folder.mkdir(parents=True, exist_ok=True)
    names = np.random.default_rng(recipe.seed + 1).permutation(recipe.count)
    for name, data in zip(names, series_bytes(recipe, tweak, values), strict=True):
        (folder / f"{prefix}{name:04d}.dcm").write_bytes(data)
    return folder


def _base(recipe: Recipe, sop_class: str, instance: str) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = UID(sop_class), UID(instance)
    meta.TransferSyntaxUID = UID(EXPLICIT)
    ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.SOPInstanceUID = UID(sop_class), UID(instance)
    ds.StudyDate = ds.SeriesDate = ds.ContentDate = recipe.date
    ds.StudyTime, ds.StudyID, ds.AccessionNumber = "120000", "1", ""
    ds.Modality, ds.Manufacturer = "CT", "NOBODY"
    ds.PatientName, ds.PatientID, ds.PatientBirthDate, ds.PatientSex = recipe.patient, recipe.patient_id, "", ""
    ds.StudyInstanceUID, ds.SeriesInstanceUID = UID(recipe.study_uid), UID(recipe.series_uid)
    ds.FrameOfReferenceUID, ds.SeriesNumber = UID(recipe.study_uid + ".1"), 1
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.Rows, ds.Columns = recipe.rows, recipe.columns
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = recipe.allocated, recipe.stored, recipe.stored - 1
    ds.PixelRepresentation = int(recipe.signed)
    return ds


def _decimal(x: float) -> str:
    """A decimal string of at most 16 characters (PS3.5 table 6.2-1), as exact as they allow."""
    for digits in range(15, 3, -1):
        text = f"{x:.{digits}g}"
        if len(text) <= 16:
            return text
    raise ValueError(x)
