"""A calibration from a scan of a phantom with inserts of known Hounsfield value.

The relation is taken as linear for one device and protocol (Reeves, Mah and McDavid 2012, Dentomaxillofac Radiol
41:500-508, who fit five materials); how far single inserts lie off the line becomes part of the interval.
"""

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.stats import t as student

from siteplan.bone.calibration import Calibration, CalibrationKind
from siteplan.errors import LibraryFileError
from siteplan.scan.volume import Scan

_LEAST_INSERTS = 3
"""A line through two points has no interval."""
_FLAT_SD = 2.0
"""Voxels whose local gradient is below this many noise SD belong to an even region."""
_LEAST_VOLUME_MM3 = 20.0
_NORMAL_95 = 1.959964


@dataclass(frozen=True, slots=True)
class Insert:
    """One insert: its Hounsfield value and, when given, centre (LPS mm) and radius of an even ball inside it."""

    name: str
    hu: float
    centre_mm: tuple[float, float, float] | None
    radius_mm: float


@dataclass(frozen=True, slots=True)
class InsertReading:
    """What the scan shows in an insert; residual_hu is filled by the fit."""

    insert: Insert
    grey: float
    sd: float
    samples: int
    radius_from_centre_mm: float
    residual_hu: float = math.nan


def read_inserts(path: Path) -> list[Insert]:
    """Inserts from a TOML file: `[[insert]]` with `name`, `hu` and, unless to be found, `centre_mm` and `radius_mm`.

    Raises:
        LibraryFileError: the file cannot be read or an entry is wrong.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise LibraryFileError(f"{path}: the insert file cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LibraryFileError(f"{path}: this is not valid TOML: {error}.") from error
    entries = content.get("insert")
    if not isinstance(entries, list) or len(entries) < _LEAST_INSERTS:
        raise LibraryFileError(f"{path}: at least {_LEAST_INSERTS} entries [[insert]] with name and hu are needed.")
    inserts = [_insert(path, k, entry) for k, entry in enumerate(entries)]
    if len({i.hu for i in inserts}) < _LEAST_INSERTS:
        raise LibraryFileError(f"{path}: at least {_LEAST_INSERTS} different Hounsfield values are needed.")
    if len({i.centre_mm is None for i in inserts}) > 1:
        raise LibraryFileError(f"{path}: give centre_mm for every insert, or for none so that they are looked for.")
    return inserts


def _insert(path: Path, k: int, entry: object) -> Insert:
    where = f"{path}: insert {k + 1}"
    if not isinstance(entry, dict):
        raise LibraryFileError(f"{where} must be a table.")
    hu, radius, centre = entry.get("hu"), entry.get("radius_mm", 1.5), entry.get("centre_mm")
    for name, value in (("hu", hu), ("radius_mm", radius)):
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise LibraryFileError(f"{where}: `{name}` must be a number, not {value!r}.")
    if radius <= 0:
        raise LibraryFileError(f"{where}: `radius_mm` must be above zero.")
    point = None
    if centre is not None:
        if not isinstance(centre, list) or len(centre) != 3 or not all(isinstance(c, int | float) for c in centre):
            raise LibraryFileError(f"{where}: `centre_mm` must be three numbers, patient millimetres.")
        point = (float(centre[0]), float(centre[1]), float(centre[2]))
    return Insert(str(entry.get("name", f"insert {k + 1}")), float(hu or 0.0), point, float(radius))


def measure_inserts(scan: Scan, inserts: list[Insert]) -> list[InsertReading]:
    """Mean grey value of each insert, at its given place or where it is found.

    Raises:
        LibraryFileError: an insert lies outside the scan, or not as many even regions are found as there are inserts.
    """
    if inserts[0].centre_mm is None:
        inserts = _found(scan, inserts)
    middle = scan.index_to_lps((np.array(scan.shape) - 1) / 2)
    return [_reading(scan, one, middle) for one in inserts]


def _reading(scan: Scan, insert: Insert, middle: NDArray[np.float64]) -> InsertReading:
    centre = np.array(insert.centre_mm)
    index = scan.lps_to_index(centre)
    reach = insert.radius_mm / np.array(scan.spacing_kji_mm)
    low, high = np.ceil(index - reach).astype(int), np.floor(index + reach).astype(int) + 1
    if (low < 0).any() or (high > np.array(scan.shape)).any() or (high - low < 1).any():
        raise LibraryFileError(
            f"insert {insert.name}: it does not lie inside the scan, or is smaller than a voxel; "
            "check centre_mm (patient millimetres) and radius_mm."
        )
    grey = scan.values((slice(low[0], high[0]), slice(low[1], high[1]), slice(low[2], high[2]))).astype(np.float64)
    k, j, i = np.ogrid[low[0] : high[0], low[1] : high[1], low[2] : high[2]]
    steps = [(a - c) * s for a, c, s in zip((k, j, i), index, scan.spacing_kji_mm, strict=True)]
    inside = steps[0] ** 2 + steps[1] ** 2 + steps[2] ** 2 <= insert.radius_mm**2
    values = grey[inside] if inside.any() else grey.ravel()
    off = centre - middle
    normal = scan.affine[:3, 2] / np.linalg.norm(scan.affine[:3, 2])
    return InsertReading(
        insert,
        float(np.median(values)) if len(values) < 5 else float(values.mean()),
        float(values.std()),
        len(values),
        float(np.linalg.norm(off - (off @ normal) * normal)),
    )


def _found(scan: Scan, inserts: list[Insert]) -> list[Insert]:
    """The largest even regions of distinct grey value, matched to the inserts in order of their values.

    Grey rises with Hounsfield value, so the order fixes which is which; the background and air are left out by
    taking regions that do not touch the edge of the scan.
    """
    grey = scan.values((slice(None), slice(None), slice(None)))
    smooth = ndimage.gaussian_filter(grey, [0.5 / s for s in scan.spacing_kji_mm])
    steep = ndimage.gaussian_gradient_magnitude(smooth, 1.0)
    noise = 1.4826 * float(np.median(np.abs(steep - np.median(steep)))) + float(np.median(steep))
    labels, count = ndimage.label(steep < _FLAT_SD * noise)
    sizes = ndimage.sum_labels(np.ones_like(labels), labels, np.arange(1, count + 1)) * float(
        np.prod(scan.spacing_kji_mm)
    )
    edge = np.unique(
        np.concatenate([labels[f].ravel() for f in (np.s_[:, 0], np.s_[:, -1], np.s_[:, :, 0], np.s_[:, :, -1])])
    )
    good = [k for k in np.argsort(sizes)[::-1] + 1 if sizes[k - 1] > _LEAST_VOLUME_MM3 and k not in edge]
    # The body that holds the inserts is even too: it is the region that surrounds the others.
    boxes = ndimage.find_objects(labels)
    good = [k for k in good if not _surrounds(boxes, k, good)]
    if len(good) < len(inserts):
        raise LibraryFileError(
            f"inserts: {len(inserts)} are listed but only {len(good)} even regions were found in the scan; "
            "give centre_mm and radius_mm of each."
        )
    chosen = sorted(good[: len(inserts)], key=lambda k: float(np.median(grey[labels == k])))
    out = []
    for one, k in zip(sorted(inserts, key=lambda i: i.hu), chosen, strict=True):
        region = labels == k
        # One voxel of border on each side, so that the end of the scan counts as the end of the insert.
        padded = np.pad(region[boxes[k - 1]], 1)
        depth = ndimage.distance_transform_edt(padded, sampling=scan.spacing_kji_mm)
        best = np.array(np.unravel_index(int(np.argmax(depth)), depth.shape)) - 1 + [b.start for b in boxes[k - 1]]
        centre = scan.index_to_lps(best)
        out.append(
            Insert(
                one.name,
                one.hu,
                (float(centre[0]), float(centre[1]), float(centre[2])),
                max(0.8 * float(depth.max()), 0.3),
            )
        )
    return out


def _surrounds(boxes: list[tuple[slice, ...] | None], k: int, others: list[int]) -> bool:
    """Whether the box of region k holds the boxes of at least two other regions in slices."""
    own = boxes[k - 1]
    if own is None:
        return True
    inside = 0
    for other in others:
        box = boxes[other - 1]
        if other != k and box is not None:
            inside += all(a.start <= b.start and b.stop <= a.stop for a, b in zip(own[1:], box[1:], strict=True))
    return inside >= 2


def fit_inserts(readings: list[InsertReading]) -> tuple[Calibration, list[InsertReading]]:
    """Straight line through the inserts with its interval, and the readings with their distance from it in HU.

    Raises:
        LibraryFileError: the grey values do not rise with the Hounsfield values.
    """
    hu = np.array([r.insert.hu for r in readings])
    grey = np.array([r.grey for r in readings])
    n = len(hu)
    middle = hu.mean()
    spread = float(((hu - middle) ** 2).sum())
    slope = float(((hu - middle) * grey).sum() / spread)
    if slope <= 0:
        raise LibraryFileError(
            "inserts: grey values do not rise with the Hounsfield values; check the order of the inserts."
        )
    intercept = float(grey.mean() - slope * middle)
    rest = grey - slope * hu - intercept
    variance = float((rest**2).sum() / (n - 2))
    # Few inserts: widen the standard errors so that a normal interval is as wide as Student's.
    widen = float(student.ppf(0.975, n - 2)) / _NORMAL_95
    slope_sd = widen * math.sqrt(variance / spread)
    intercept_sd = widen * math.sqrt(variance * (1 / n + middle**2 / spread))
    covariance = -(widen**2) * variance * middle / spread
    calibration = Calibration(
        slope,
        intercept,
        slope_sd,
        intercept_sd,
        covariance,
        math.sqrt(variance) / slope,
        CalibrationKind.PHANTOM,
        source=f"phantom scan with {n} inserts",
        notes=_drift(readings, rest / slope),
    )
    done = [
        InsertReading(r.insert, r.grey, r.sd, r.samples, r.radius_from_centre_mm, float(e))
        for r, e in zip(readings, rest / slope, strict=True)
    ]
    return calibration, done


def _drift(readings: list[InsertReading], rest_hu: NDArray[np.float64]) -> tuple[str, ...]:
    """A sentence about cupping when the inserts' distances from the line go with their distance from the middle."""
    r = np.array([x.radius_from_centre_mm for x in readings])
    if len(r) < 4 or np.ptp(r) < 3.0:
        return ()
    slope = float(np.polyfit(r, rest_hu, 1)[0])
    return (f"drift from the middle of the field outwards: {10 * slope:+.0f} HU per 10 mm (inserts off the line)",)
