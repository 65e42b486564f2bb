"""`Scan`: one volume as the scanner gave it, valid from birth and never changed."""

import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siteplan.errors import GeometryError
from siteplan.scan.findings import ScanFinding


@dataclass(frozen=True, slots=True)
class GreyScale:
    """What the stored grey values are.

    Attributes:
        rescale_type: Rescale Type (0028,1054) as stored, "" when absent.
        may_be_hu: whether the values may be called Hounsfield units without a calibration.
        why: one sentence with the reason for that.
        manufacturer, model: as stored; device facts, not a person's.
        kvp, exposure_mas, reconstruction_diameter_mm: None when absent.
        lossy: the pixels went through lossy compression at some time.
    """

    rescale_type: str
    may_be_hu: bool
    why: str
    manufacturer: str = ""
    model: str = ""
    kvp: float | None = None
    exposure_mas: float | None = None
    reconstruction_diameter_mm: float | None = None
    lossy: bool = False


@dataclass(frozen=True, slots=True)
class Patient:
    """Identity as the scan gives it. Kept out of `repr`, logs and errors on purpose."""

    name: str = field(default="", repr=False)
    identifier: str = field(default="", repr=False)
    birth_date: str = field(default="", repr=False)
    sex: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class SeriesFacts:
    """What identifies and describes the series. Dates are DICOM DA strings (YYYYMMDD), "" when absent."""

    series_uid: str
    study_uid: str
    modality: str
    sop_class_uid: str
    transfer_syntaxes: tuple[str, ...]
    description: str
    study_date: str
    files: int
    frame_of_reference_uid: str = ""


@dataclass(frozen=True, slots=True)
class SourceImages:
    """What other objects need to refer to the images that a volume was read from. Kept out of `repr`: it identifies.

    Attributes:
        instance_uids, frames: (K,) SOP Instance UID of each slice of `Scan.voxels` and its frame in that instance,
            counted from 1, or 0 where the instance has a single frame.
        on_grid: False when slices were moved to straighten them, so that voxels are not the stored pixels.
        study_time, study_id, accession_number: as stored, "" when absent.
        burned_in: Burned In Annotation (0028,0301) of any slice: "YES" if one says so, else as stored, "" when absent.
    """

    instance_uids: tuple[str, ...] = field(default=(), repr=False)
    frames: tuple[int, ...] = field(default=(), repr=False)
    on_grid: bool = True
    study_time: str = field(default="", repr=False)
    study_id: str = field(default="", repr=False)
    accession_number: str = field(default="", repr=False)
    burned_in: str = ""


@dataclass(frozen=True, eq=False)
class Scan:
    """A volume in patient space.

    Attributes:
        voxels: (K, J, I) stored values, in their stored integer type (or float32 after a resampling that a
            finding reports). Read-only.
        affine: (4, 4) float64; maps (i, j, k, 1), voxel centres, to LPS millimetres
            (DICOM PS3.3 C.7.6.2.1.1). Its three columns are at right angles. Read-only.
        slope, intercept: (K,) float64 per slice; grey = slope * stored + intercept.
        padding: stored value that marks voxels without data (0028,0120), or None.
        grey, patient, series: descriptions.
        findings: what intake has to say; never contains a refusal.
        source: the images it was read from; empty for a volume that was made otherwise.

    Raises:
        GeometryError: shape, affine or slopes do not fit together.
    """

    voxels: NDArray[Any]
    affine: NDArray[np.float64]
    slope: NDArray[np.float64]
    intercept: NDArray[np.float64]
    grey: GreyScale
    patient: Patient
    series: SeriesFacts
    findings: tuple[ScanFinding, ...] = ()
    padding: int | None = None
    source: SourceImages = field(default_factory=SourceImages)

    def __post_init__(self) -> None:
        if self.voxels.ndim != 3 or 0 in self.voxels.shape:
            raise GeometryError(f"voxels: a volume (K, J, I) is needed, not shape {self.voxels.shape}.")
        if self.affine.shape != (4, 4) or not np.isfinite(self.affine).all():
            raise GeometryError("affine: a finite 4 x 4 matrix is needed.")
        columns = self.affine[:3, :3]
        lengths = np.linalg.norm(columns, axis=0)
        if (lengths < 1e-6).any():
            raise GeometryError("affine: a voxel spacing of zero.")
        gram = (columns / lengths).T @ (columns / lengths)
        if np.abs(gram - np.eye(3)).max() > 1e-3:
            raise GeometryError("affine: the three voxel directions are not at right angles.")
        for name in ("slope", "intercept"):
            if getattr(self, name).shape != (self.voxels.shape[0],):
                raise GeometryError(f"{name}: one number per slice is needed.")
        for array in (self.voxels, self.affine, self.slope, self.intercept):
            array.setflags(write=False)

    @property
    def shape(self) -> tuple[int, int, int]:
        """(K, J, I)."""
        k, j, i = self.voxels.shape
        return k, j, i

    @cached_property
    def digest(self) -> str:
        """Hash of values and geometry (SHA-256, hexadecimal), independent of file order, file names and compression.

        Made on first use: it takes longer than reading the files.
        """
        kind = self.voxels.dtype.newbyteorder("<").str
        total = hashlib.sha256(f"{self.shape} {kind} {self.padding}".encode())
        total.update((np.round(self.affine, 6) + 0.0).astype("<f8").tobytes())
        total.update(np.stack([self.slope, self.intercept]).astype("<f8").tobytes())
        with ThreadPoolExecutor() as pool:
            for part in pool.map(_slice_hash, self.voxels):
                total.update(part)
        return total.hexdigest()

    @cached_property
    def spacing_kji_mm(self) -> tuple[float, float, float]:
        """Voxel size along k (between slices), j (between rows), i (between columns)."""
        i, j, k = np.linalg.norm(self.affine[:3, :3], axis=0)
        return float(k), float(j), float(i)

    @cached_property
    def _inverse(self) -> NDArray[np.float64]:
        return np.asarray(np.linalg.inv(self.affine), dtype=np.float64)

    def index_to_lps(self, index_kji: ArrayLike) -> NDArray[np.float64]:
        """Patient points (..., 3) in LPS mm of voxel indices (..., 3) in order k, j, i; fractions allowed."""
        kji = np.asarray(index_kji, dtype=np.float64)
        points: NDArray[np.float64] = kji[..., ::-1] @ self.affine[:3, :3].T + self.affine[:3, 3]
        return points

    def lps_to_index(self, points_lps_mm: ArrayLike) -> NDArray[np.float64]:
        """Voxel indices (..., 3) in order k, j, i (fractions) of patient points (..., 3) in LPS mm."""
        ijk = np.asarray(points_lps_mm, dtype=np.float64) @ self._inverse[:3, :3].T + self._inverse[:3, 3]
        return ijk[..., ::-1]

    def contains(self, points_lps_mm: ArrayLike) -> NDArray[np.bool_]:
        """Which of the points (..., 3) lie between the outermost voxel centres."""
        index = self.lps_to_index(points_lps_mm)
        last = np.array(self.shape) - 1
        inside = (index >= -1e-6) & (index <= last + 1e-6)
        return np.asarray(inside.all(axis=-1))

    def values(self, region: tuple[slice, slice, slice]) -> NDArray[np.float32]:
        """Grey values (slope and intercept applied) of a box of voxels; `region` is slices in k, j, i."""
        k = region[0]
        raw = self.voxels[region].astype(np.float32)
        raw *= self.slope[k].astype(np.float32)[:, None, None]
        raw += self.intercept[k].astype(np.float32)[:, None, None]
        return raw


def _slice_hash(values: NDArray[Any]) -> bytes:
    """Hash of one slice (J, I); hashing releases the interpreter, so slices go in parallel."""
    plain = np.ascontiguousarray(values, dtype=values.dtype.newbyteorder("<"))
    return hashlib.sha256(plain.data).digest()
