"""Grey levels of air and soft tissue in the scan itself, whatever its scale."""

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from siteplan.scan.volume import Scan

_STRIDE = 3
"""Every 3rd voxel in each direction is enough for a histogram."""
_BINS = 256
_SMOOTH_BINS = 2.0
_LEAST_SHARE = 0.02
"""A class with a smaller share of the voxels is not a peak that can be trusted (our own bound)."""


@dataclass(frozen=True, slots=True)
class GreyLevels:
    """Where air and soft tissue lie on the scan's grey scale.

    Attributes:
        air, soft: the two modes; `air` is None when the scan holds no air to speak of.
        air_spread, soft_spread: half width of each peak at about 61 % of its height (one SD of a bell curve).
        step: distance from air to soft tissue, or a stand-in when there is no air: the unit in which "much
            denser than soft tissue" is said on a scale that is not in Hounsfield units.
    """

    air: float | None
    soft: float
    air_spread: float
    soft_spread: float
    step: float

    @property
    def bone_floor(self) -> float:
        """Least grey value that is counted as bone when nothing local is known.

        Two elevenths of the way from air to soft tissue above soft tissue: about 240 HU on a true scale, above
        muscle and blood and below thin cortex blurred to a third of its height (our own bound).
        """
        return self.soft + 0.18 * self.step


_known: WeakKeyDictionary[Scan, GreyLevels] = WeakKeyDictionary()


def grey_levels(scan: Scan) -> GreyLevels:
    """Modes of the scan's histogram; found once for as long as the scan lives, because it never changes."""
    known = _known.get(scan)
    if known is None:
        known = _known[scan] = _levels(scan)
    return known


def _levels(scan: Scan) -> GreyLevels:
    k, j, i = (symmetric_stride(n, _STRIDE) for n in scan.shape)
    part = scan.voxels[k, j, i]
    grey = part * scan.slope[k, None, None] + scan.intercept[k, None, None]
    keep = np.ones(part.shape, dtype=bool) if scan.padding is None else part != scan.padding
    return levels_of(grey[keep])


def symmetric_stride(count: int, stride: int) -> slice:
    """Every `stride`-th of `count` positions (stride odd), the same ones when counted from the other end.

    So a volume stored in another slice order gives the same numbers to the last digit.
    """
    start = next(o for o in range(stride) if (count - 1 - 2 * o) % stride == 0)
    return slice(start, None, stride)


def levels_of(grey: NDArray[np.float64]) -> GreyLevels:
    """Levels from a flat sample of grey values: three classes by Otsu's rule, then the mode of the lower two."""
    from skimage.filters import gaussian, threshold_multiotsu

    low, high = np.percentile(grey, (0.2, 99.8))
    if high - low < 1e-6:
        return GreyLevels(None, float(low), 0.0, 0.0, 1.0)
    counts, edges = np.histogram(grey, bins=_BINS, range=(float(low), float(high)))
    centres = (edges[:-1] + edges[1:]) / 2
    smooth = gaussian(counts.astype(float), _SMOOTH_BINS)
    first, second = threshold_multiotsu(classes=3, hist=(counts, centres))
    lower, middle, upper = centres <= first, (centres > first) & (centres <= second), centres > second
    share = counts[lower].sum() / counts.sum()
    if share < _LEAST_SHARE:
        soft, spread = _mode(centres, smooth, lower | middle)
        return GreyLevels(None, soft, 0.0, spread, max(float(centres[upper].mean()) - soft, 1.0))
    air, air_spread = _mode(centres, smooth, lower)
    soft, spread = _mode(centres, smooth, middle)
    return GreyLevels(air, soft, air_spread, spread, soft - air)


def _mode(centres: NDArray[np.float64], counts: NDArray[np.float64], where: NDArray[np.bool_]) -> tuple[float, float]:
    """Position of the highest bin among `where`, and the half width of its peak at exp(-1/2) of the height."""
    inside = np.flatnonzero(where)
    top = int(inside[np.argmax(counts[inside])])
    limit = counts[top] * np.exp(-0.5)
    left, right = top, top
    while left > 0 and counts[left] > limit:
        left -= 1
    while right < len(counts) - 1 and counts[right] > limit:
        right += 1
    return float(centres[top]), float(centres[right] - centres[left]) / 2
