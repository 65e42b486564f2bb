"""What tells that a traced root may be wrong: metal in it or beside it, an outline that runs on into a plate of bone,
and one that lies on no edge."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from siteplan.anatomy.levels import Levels
from siteplan.anatomy.root_rough import RoughRoot
from siteplan.anatomy.sample import Sampler

Floats = NDArray[np.float64]

BESIDE_MM = 2.0
"""Dense without a gap this far beyond both sides of an outline is a plate, no root (our own)."""

RUN_MM = 1.5
"""Length along the axis over which that must be so (our own)."""

LONG_RUN_MM, NEAR_TIP_MM = 4.0, 4.0
"""A run at least so long, or one that ends at most so far before the tip, is no crest (simulated roots)."""

APICAL_SHARE = 0.55
"""The part of the length, from the apex, that is looked at: crowns touch on both sides (our own)."""

MARGIN_MM = 4.0
"""Added to what lies below the first such height: a thin plate shows late (simulated roots, 3 of 3 overruns)."""

LEAST_FALL = 0.15
"""Grey that falls outwards by a smaller share of what lies between soft tissue and the root makes no edge (our own)."""

NO_EDGE_SHARE = 0.05
"""An outline that lies on no edge over a larger share of its apical half is doubted: right ones stay at 0.04 and below,
wrong ones began at 0.06 (54 simulated roots and 7 of a real head)."""

BLIND_SHARE = 0.25
"""An outline that lies on no edge over this share of its apical half may be anywhere: its standard deviation is
then the most that there is, and less in proportion below (our own)."""

MOST_SD_MM = 5.0
"""What a case file takes at most as a standard deviation."""

HAND_MM = 1.2
"""A click further outside an outline did not mean it: three standard deviations of a careful hand (our own)."""

STREAKS_MM = 3.0
"""Metal this far beside a root sends streaks over it (our own)."""


def holds_metal(source: Sampler, rough: RoughRoot, radius: Floats, levels: Levels, end: int) -> bool:
    """Whether the first (0) or last (1) third is mostly metal inside: a crown may be, the end of a root is not."""
    third = max(1, len(radius) // 3)
    part = slice(-third, None) if end else slice(0, third)
    inside = radius[part, :, None] * np.array([0.6, 0.7, 0.8])
    points = rough.to_lps(rough.height_mm[part, None, None], rough.turn_rad[None, :, None], inside)
    return bool(np.nanmedian(source.at(points)) >= levels.metal_edge)


def overrun_mm(source: Sampler, rough: RoughRoot, radius: Floats) -> float:
    """How far a root whose apex is the last height may have run on into a plate, mm; 0 where nothing tells so.

    A ligament ends a root on at least one of two opposite sides; a plate goes on dense on both.
    """
    at = radius[:, :, None] + np.arange(0.0, BESIDE_MM + 0.01, 0.2)
    h = rough.height_mm
    grey = source.at(rough.to_lps(h[:, None, None], rough.turn_rad[None, :, None], at))
    leak = np.min(np.where(np.isfinite(grey), grey, -np.inf), axis=2) >= rough.edge
    plate = (leak & np.roll(leak, leak.shape[1] // 2, axis=1)).any(axis=1)
    plate &= h[-1] - h <= APICAL_SHARE * (h[-1] - h[0])
    step = float(h[1] - h[0])
    runs, count = ndimage.label(ndimage.binary_closing(np.pad(plate, 2), iterations=1)[2:-2])
    for run in (np.flatnonzero(runs == n) for n in range(1, count + 1)):
        length, before_tip = len(run) * step, float(h[-1] - h[run[-1]])
        # The crest's plate lies on both sides of every root, but for a short way and far from the tip.
        if length >= LONG_RUN_MM or (length >= RUN_MM and before_tip <= NEAR_TIP_MM):
            return float(h[-1] - h[run[0]] + MARGIN_MM)
    return 0.0


def doubts_of(
    source: Sampler, rough: RoughRoot, radius: Floats, levels: Levels, click_lps_mm: Floats
) -> tuple[str, float]:
    """What speaks against a fitted outline (H, A), apex last, in words, and the standard deviation in mm that it asks
    for; nothing and 0 where nothing does."""
    words, sd = [], 0.0
    outside = outside_mm(rough, radius, click_lps_mm)
    if outside > HAND_MM:
        sd = MOST_SD_MM
        words.append(f"The click lies {outside:.0f} mm outside it, so it may be another root: set the tip by hand.")
    blind = no_edge_share(source, rough, radius, levels)
    if blind > NO_EDGE_SHARE:
        sd = max(sd, MOST_SD_MM * min(1.0, blind / BLIND_SHARE))
        words.append(
            f"Over {blind:.0%} of its half towards the tip the outline lies on no edge, so it may not be this root's: "
            "set the tip by hand, or draw it."
        )
    too_long = overrun_mm(source, rough, radius)
    if too_long > 0:
        sd = max(sd, too_long / 1.96)
        words.append(
            f"Where its tip ends could not be told from the plate: it may be up to {too_long:.0f} mm too long; set the "
            "tip by hand."
        )
    if lies_beside_metal(source, rough, radius, levels):
        words.append(
            "Something as bright as metal lies beside it, and streaks may move its outline: check it in every section."
        )
    return " ".join(words), sd


def outside_mm(rough: RoughRoot, radius: Floats, point_lps_mm: Floats) -> float:
    """How far a point lies outside an outline (H, A), taken round at each height; 0 inside."""
    offset = point_lps_mm - rough.centre_lps_mm
    height, h = float(offset @ rough.axis), rough.height_mm
    nearest = int(np.argmin(np.abs(h - height)))
    ring, w = radius[nearest], rough.turn_rad
    middle = 2 * np.mean(ring * np.cos(w)) * rough.a + 2 * np.mean(ring * np.sin(w)) * rough.b
    beside = float(np.linalg.norm(offset - height * rough.axis - middle)) - float(ring.mean())
    return max(0.0, beside, float(h[0]) - height, height - float(h[-1]))


def no_edge_share(source: Sampler, rough: RoughRoot, radius: Floats, levels: Levels) -> float:
    """Share of the apical half's outline (0 to 1) beyond which it is not darker than inside, so that it is no edge."""
    reach = max(0.4, float(np.mean(source.scan.spacing_kji_mm)))
    half = slice(len(radius) // 2, None)
    edge, h = radius[half], rough.height_mm[half, None]

    def grey(r: Floats) -> Floats:
        return np.asarray(source.at(rough.to_lps(h, rough.turn_rad[None, :], r), smooth=True), dtype=np.float64)

    inside = grey(np.maximum(edge - reach, 0.3 * edge))
    outside = np.fmin(grey(edge + reach), grey(edge + 0.6 * reach))
    fall = (inside - outside) / (float(np.nanmedian(inside)) - levels.soft)
    return float(np.mean(fall < LEAST_FALL))


def lies_beside_metal(source: Sampler, rough: RoughRoot, radius: Floats, levels: Levels) -> bool:
    """Whether metal lies beside the apical two thirds of it."""
    part = slice(len(radius) // 3, None)
    at = radius[part, :, None] + np.arange(0.0, STREAKS_MM + 0.01, 0.5)
    grey = source.at(rough.to_lps(rough.height_mm[part, None, None], rough.turn_rad[None, :, None], at))
    return bool(np.nanmax(grey) >= levels.metal_edge)
