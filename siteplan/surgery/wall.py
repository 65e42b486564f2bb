"""`WallBone`: the bone that a fixture will rub against, layer by layer down its axis."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.bone import BoneFindings
from siteplan.bone.grey import region_weights
from siteplan.fixture import Fixture
from siteplan.measures import Measure

Array = NDArray[np.float64]

SHELL_MM = 0.75
"""Thickness of the layer around the core whose grey value stands for the wall (our own choice: thread and a voxel)."""

UNCALIBRATED_SD_HU = 300.0
"""Taken for grey values without a calibration. Between devices the error of calibrated values alone ran from 35 to 1562
(Pauwels R et al., 2013, Br J Radiol 86:20120135); this value inside that range is our own."""

CALIBRATED_SD_HU = 60.0
"""The least taken with a calibration: beside the scale's own error, blur and scatter in the jaw (our own estimate)."""

CLASS_HU = {"D1": 1400.0, "D2": 1050.0, "D3": 600.0, "D4": 250.0, "D5": 75.0}
"""Middles of the classes of Misch CE, Contemporary Implant Dentistry, for use where nothing was measured."""

CLASS_SD_HU = 250.0
"""SD where only the class is known: about that of published regional means (Norton and Gamble 2001: 227 to 269)."""

NO_BONE_HU = 0.0
"""What stands outside bone or outside the scan: nothing that could hold."""


@dataclass(frozen=True, eq=False)
class WallBone:
    """Bone around the axis.

    Attributes:
        depth_mm: (D,) below the bone entry, rising.
        hu: (D,) mean CT number of the layer; on a guessed scale when not calibrated.
        hu_sd: its systematic SD, the same for all layers.
        cortex: (start, thickness as Measure, mm) of each cortex that the axis meets.
        basis: in words, what the numbers rest on.
    """

    depth_mm: Array
    hu: Array
    hu_sd: float
    cortex: tuple[tuple[float, Measure], ...]
    basis: str


def wall_from_class(bone: str, cortex: Measure, deepest_mm: float) -> WallBone:
    """Wall where only a class of bone is known; unknown names count as the middle class."""
    depth = np.array([0.0, max(deepest_mm, 1.0)])
    hu = np.full(2, CLASS_HU.get(bone, CLASS_HU["D3"]))
    return WallBone(depth, hu, CLASS_SD_HU, _crestal(cortex), f"only the class of bone ({bone}), no grey values")


def wall_from_findings(bone: BoneFindings, fixture: Fixture) -> WallBone | None:
    """Wall from the measured block; None where no grey scale is known at all."""
    scale = _scale(bone)
    if scale is None:
        return None
    slope, intercept, sd, basis = scale
    grey = _shell_means(bone, fixture.core_diameter_mm / 2)
    hu = (grey - intercept) / slope
    hu[~np.isfinite(hu)] = NO_BONE_HU
    inside = bone.block.depth_mm >= 0
    cortex = _crestal(bone.crestal_cortex)
    if bone.second_cortex_depth.value is not None and bone.second_cortex.value is not None:
        cortex += ((bone.second_cortex_depth.value, bone.second_cortex),)
    return WallBone(bone.block.depth_mm[inside], hu[inside], sd, cortex, basis)


def _crestal(cortex: Measure) -> tuple[tuple[float, Measure], ...]:
    return ((0.0, cortex),) if cortex.value is not None else ()


def _scale(bone: BoneFindings) -> tuple[float, float, float, str] | None:
    """(slope, intercept, SD in HU, words) of grey to HU."""
    calibration = bone.calibration
    if calibration is not None and calibration.trusted:
        middle = bone.mean_grey.value or calibration.intercept
        sd = float(np.hypot(CALIBRATED_SD_HU, calibration.sd_hu(middle, 0.0)))
        return calibration.slope, calibration.intercept, sd, "grey values, calibrated"
    if bone.provisional_hu.value is None or bone.mean_grey.value is None or bone.context.step <= 0:
        return None
    from siteplan.bone.calibration import AIR_HU, SOFT_TISSUE_HU

    slope = bone.context.step / (SOFT_TISSUE_HU - AIR_HU)
    intercept = bone.context.soft - slope * SOFT_TISSUE_HU
    return slope, intercept, UNCALIBRATED_SD_HU, "grey values on a guessed scale (air and soft tissue of the scan)"


def _shell_means(bone: BoneFindings, radius_mm: float) -> Array:
    """(D,) mean grey value of each layer between `radius_mm` and `SHELL_MM` outside it; NaN outside the scan."""
    block = bone.block
    ends = np.array([block.depth_mm[0] - 1, block.depth_mm[-1] + 1])
    weights = region_weights(block, ends, np.full(2, radius_mm), shell_mm=SHELL_MM)
    values = block.values.astype(np.float64)
    known = np.isfinite(values)
    total = np.sum(weights * known, axis=(1, 2))
    summed = np.sum(np.where(known, values, 0.0) * weights, axis=(1, 2))
    means: Array = np.where(total > 0, summed / np.maximum(total, 1e-9), np.nan)
    return means
