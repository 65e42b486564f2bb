"""Which grey values are air, soft tissue and dense bone in this piece of this scan: nothing is assumed of its scale."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.scan.volume import Scan

_BIN_SHARE = 1 / 256
_LEAST_AIR_SHARE = 0.4
"""Air lies this share of the way from soft tissue to dense bone below soft tissue, or more: 1000 HU against 1000 to
1900 HU (from memory). Less means that the darkest peak is soft tissue and the next one marrow: the scan has no air."""

_CUT_OFF_COUNT = 8
"""So many sampled voxels at the very top of the scale are no chance (our own)."""

_BONE_PERCENT = 97.0
"""Dense bone is read at this percentile of everything brighter than soft tissue (our own)."""

_USUAL_PERCENT = 75.0
"""The same where the question is only whether the darkest peak is air: enamel and metal must not answer it (our own;
simulated jaws with crowns)."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Grey of air, of soft tissue and of dense bone. `air` is None where the scan shows none.

    `ceiling` is just below the highest grey where many voxels share it: the scale was cut off there.
    """

    air: float | None
    soft: float
    bone: float
    ceiling: float = np.inf

    @property
    def air_edge(self) -> float:
        """Half way between air and soft tissue."""
        return 0.5 * ((self.air if self.air is not None else self.soft) + self.soft)

    @property
    def metal_edge(self) -> float:
        """Grey that dense bone does not reach: half as far again above soft tissue, or the scale's end (our own).

        Where a field holds little dense bone its grey is set too low, and dentine passed for metal: then twice as far
        above soft tissue as air is below it, about 2100 HU, must be reached as well.
        """
        least = self.soft if self.air is None else self.soft + 2.0 * (self.soft - self.air)
        return min(max(self.soft + 1.5 * (self.bone - self.soft), least), self.ceiling)

    @property
    def bone_edge(self) -> float:
        """Half way between soft tissue and dense bone."""
        return 0.5 * (self.soft + self.bone)


def levels_of(scan: Scan) -> Levels:
    """Levels from the histogram of the whole scan, thinned out.

    Soft tissue is the highest peak that is not air: a scan of a head holds more of it than of anything else. Air is a
    peak far below. Source: histogram modes, common practice, no source.
    """
    k, j, i = (max(1, int(n // 75)) for n in scan.shape)
    grey = scan.values((slice(None, None, k), slice(None, None, j), slice(None, None, i)))
    if scan.padding is not None:
        grey = grey[scan.voxels[::k, ::j, ::i] != scan.padding]
    return levels_in(np.asarray(grey, dtype=np.float32).ravel())


def levels_in(grey: NDArray[np.float32]) -> Levels:
    """Levels from grey values (N,) that hold soft tissue, bone and perhaps air."""
    grey = grey[np.isfinite(grey)]
    highest, spread = float(grey.max()), max(float(np.ptp(np.percentile(grey, [0.05, 99.95]))), 1.0)
    cut_off = int((grey >= highest - 1e-3 * spread).sum()) >= _CUT_OFF_COUNT
    ceiling = highest - 0.05 * spread if cut_off else np.inf
    # What is cut off is metal: crowns alone can be its highest peak and most of what is brighter than bone.
    grey = grey[grey < ceiling]
    bottom, top = np.percentile(grey, [0.05, 99.95])
    counts, edges = np.histogram(grey, bins=int(1 / _BIN_SHARE), range=(float(bottom), float(top) + 1e-3))
    smooth = np.convolve(counts, np.ones(5) / 5, mode="same")
    middle = 0.5 * (edges[1:] + edges[:-1])
    darkest, rest = _split(middle, counts)
    air: float | None = None
    soft = float(middle[rest][np.argmax(smooth[rest])])
    if counts[darkest].sum() > 0.003 * counts.sum() and darkest.any():
        air = float(middle[darkest][np.argmax(smooth[darkest])])
        if soft - air < _LEAST_AIR_SHARE * (_dense(grey, soft, float(top), _USUAL_PERCENT) - soft):
            soft, air = air, None
    return Levels(air, soft, _dense(grey, soft, float(top)), ceiling)


def _dense(grey: NDArray[np.float32], soft: float, top: float, percent: float = _BONE_PERCENT) -> float:
    """Grey of dense bone, given that of soft tissue."""
    bright = grey[grey > soft + 0.1 * (top - soft)]
    return float(np.percentile(bright, percent)) if bright.size else top


def _split(middle: NDArray[np.float64], counts: NDArray[np.int64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Darkest of three classes against the other two, by the greatest variance between classes (Otsu N, 1979)."""
    from skimage.filters import threshold_multiotsu

    low = threshold_multiotsu(hist=(counts.astype(np.float64), middle), classes=3)[0]
    darkest: NDArray[np.bool_] = middle <= low
    return darkest, ~darkest
