"""From grey values to Hounsfield units, with the interval of the scale carried along.

grey = slope x HU + intercept (linear within one device and protocol: Reeves, Mah and McDavid 2012,
Dentomaxillofac Radiol 41:500-508).
"""

import math
from dataclasses import dataclass, field
from enum import StrEnum

from siteplan.bone.levels import GreyLevels
from siteplan.flags import Flag
from siteplan.measures import Measure

_NORMAL_95 = 1.959964
AIR_HU = -1000.0
"""By the definition of the Hounsfield scale."""
SOFT_TISSUE_HU = 50.0
"""Muscle and gum; textbooks give 35 to 70 (from memory)."""
_SOFT_TISSUE_SD_HU = 25.0
"""Muscle against fat-rich or wet tissue (our own estimate)."""
_PROVISIONAL_SLOPE_SHARE = 0.05
"""Relative SD of a slope from air and soft tissue alone, used far beyond them (our own estimate; devices differ
far more where scatter is not corrected, Pauwels 2013, Br J Radiol 86:20120135)."""


class CalibrationKind(StrEnum):
    """How a scale came about."""

    GIVEN = "given"
    PHANTOM = "phantom"
    PROVISIONAL = "provisional"


@dataclass(frozen=True, slots=True)
class Calibration:
    """grey = slope * HU + intercept.

    Attributes:
        slope, intercept: grey per HU, and grey of water.
        slope_sd, intercept_sd, covariance: their standard errors (grey per HU, grey) and covariance; zero when
            the scale was given without any.
        scatter_hu: SD of single materials about the line, in HU: what the line itself cannot follow.
        source, date, device, protocol, field_of_view_mm: where and when it was made and for what it holds.
    """

    slope: float
    intercept: float
    slope_sd: float = 0.0
    intercept_sd: float = 0.0
    covariance: float = 0.0
    scatter_hu: float = 0.0
    kind: CalibrationKind = CalibrationKind.GIVEN
    source: str = ""
    date: str = ""
    device: str = ""
    protocol: str = ""
    field_of_view_mm: float | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def trusted(self) -> bool:
        """Whether values may be called HU: not so for a provisional scale."""
        return self.kind is not CalibrationKind.PROVISIONAL

    def to_hu(self, grey: float) -> float:
        """HU of a grey value."""
        return (grey - self.intercept) / self.slope

    def sd_hu(self, grey: float, grey_sd: float) -> float:
        """SD in HU of one grey value with its own SD: scale, scatter about the line and value together."""
        hu = self.to_hu(grey)
        scale = self.intercept_sd**2 + (hu * self.slope_sd) ** 2 + 2 * hu * self.covariance
        return math.sqrt((max(scale, 0.0) + grey_sd**2) / self.slope**2 + self.scatter_hu**2)

    def apply(self, grey: Measure) -> Measure:
        """The measure in HU with both uncertainties in its interval."""
        flags = grey.flags if self.trusted else (*grey.flags, Flag.PROVISIONAL_SCALE, Flag.NOT_CALIBRATED)
        if grey.value is None:
            return Measure.absent("HU", *flags, depth_mm=grey.depth_mm)
        known = grey.low is not None and grey.high is not None
        own = (grey.high - grey.low) / (2 * _NORMAL_95) if grey.low is not None and grey.high is not None else 0.0
        value = self.to_hu(grey.value)
        reach = _NORMAL_95 * self.sd_hu(grey.value, own)
        return Measure(
            value,
            "HU",
            value - reach if known else None,
            value + reach if known else None,
            f"{grey.method}; {self.kind.value} calibration",
            tuple(dict.fromkeys(flags)),
            grey.depth_mm,
            None if grey.sd is None else grey.sd / abs(self.slope),
            grey.samples,
        )


def provisional_calibration(levels: GreyLevels) -> Calibration | None:
    """Scale from air and soft tissue in the scan itself; None when the scan holds no air.

    Both are far below bone, so the scale is carried beyond what was seen: its interval is wide and everything
    made with it is marked.
    """
    if levels.air is None:
        return None
    slope = (levels.soft - levels.air) / (SOFT_TISSUE_HU - AIR_HU)
    intercept = levels.soft - slope * SOFT_TISSUE_HU
    slope_sd = _PROVISIONAL_SLOPE_SHARE * abs(slope)
    return Calibration(
        slope,
        intercept,
        slope_sd=slope_sd,
        intercept_sd=abs(slope) * _SOFT_TISSUE_SD_HU,
        kind=CalibrationKind.PROVISIONAL,
        source="air and soft tissue of the scan itself",
    )
