"""Which grey values a picture shows as black and as white, chosen from the data."""

import numpy as np
from numpy.typing import NDArray

from siteplan.bone.levels import grey_levels
from siteplan.report.scene import GreyRange
from siteplan.scan.volume import Scan

_BELOW_SOFT = 0.45
"""Black lies this share of the step from air to soft tissue below soft tissue, so that gum and muscle stay visible."""
_ABOVE_SOFT = 3.5
"""White is never more than this many such steps above soft tissue: beyond it there is metal only (own choice)."""
_LEAST_SPAN = 1.2
"""Fewer steps than this between black and white would blow noise up into a pattern (own choice)."""
_TOP_PERCENT = 99.7
"""Grey value that only this share of the picture's samples stay below becomes white."""

NOT_CALIBRATED_WORDS = "grey value, not Hounsfield units"
CALIBRATED_WORDS = "grey value; calibrated numbers in the table"


def grey_range(scan: Scan, samples: NDArray[np.float32], unit_words: str = NOT_CALIBRATED_WORDS) -> GreyRange:
    """Range for pictures cut from `samples` (any shape, NaN ignored); the same range for all pictures of a site."""
    levels = grey_levels(scan)
    finite = samples[np.isfinite(samples)]
    top = float(np.percentile(finite, _TOP_PERCENT)) if finite.size else levels.soft + levels.step
    high = float(np.clip(top, levels.soft + _LEAST_SPAN * levels.step, levels.soft + _ABOVE_SOFT * levels.step))
    return GreyRange(_round(levels.soft - _BELOW_SOFT * levels.step), _round(high), unit_words)


def _round(grey: float) -> float:
    """To tens, so that the printed range is the range that is used."""
    return float(round(grey, -1))
