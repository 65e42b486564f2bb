"""Which end of a tooth is its crown: in metal, in open air, of enamel, less held by bone, or else the wider one."""

import numpy as np
from numpy.typing import NDArray

from siteplan.anatomy.levels import Levels
from siteplan.anatomy.root_doubt import holds_metal
from siteplan.anatomy.root_rough import RoughRoot
from siteplan.anatomy.sample import Sampler

Floats = NDArray[np.float64]

ENAMEL_SHARE = 0.2
"""An end that is this much brighter inside, as a share of what lies between soft tissue and the middle third, is
enamel: it holds about twice the mineral of dentine (from memory)."""

OPEN_SHARE, OPEN_GREY = 0.12, 0.1
"""An end is the crown where so much more of what lies beside it is no denser than soft tissue and that share of the
way to dense bone: right for 9 teeth of a real head, whose incisors' crowns are narrower than their roots."""

WIDER_MM = 0.6
"""An end whose radius is so much greater is the crown in any case: marrow, too, can pass for soft tissue (one of 6
simulated stumps; incisors differed by up to 0.5)."""

TAPER_MM = 0.1
"""A stump whose radius differs less between its ends may lie the other way round: fitted radii are good to about
that (simulated roots)."""


def crown_told(source: Sampler, rough: RoughRoot, levels: Levels) -> bool | None:
    """Whether grey tells that the crown is at the last height; None where it tells nothing, as of a stump in bone.

    Neighbours that touch it leave no air beside it, so enamel is asked too.
    """
    radius = rough.radius_mm
    metal = [holds_metal(source, rough, radius, levels, end) for end in (0, 1)]
    if metal[0] != metal[1]:
        return metal[1]
    air = [_stands_in_air(source, rough, levels, end) for end in (0, 1)]
    if air[0] != air[1]:
        return air[1]
    low, middle, high = (_inside(source, rough, third) for third in range(3))
    # The middle is the measure: an end can be dark where it is thin, and the densest of a scan may be its enamel.
    if max(low, high) - middle > ENAMEL_SHARE * (middle - levels.soft):
        return high > low
    return None


def crown_is_last(source: Sampler, rough: RoughRoot, radius: Floats, levels: Levels) -> tuple[bool, bool]:
    """Whether the crown is at the last height of an outline (H, A), and whether that is sure.

    Not sure are ends of about the same width, and a wider end that is held by bone while the other one is not.
    """
    told = crown_told(source, rough, levels)
    if told is not None:
        return told, True
    wider, more_open = widening_mm(radius), _open(source, rough, levels, 1) - _open(source, rough, levels, 0)
    if abs(more_open) > OPEN_SHARE and abs(wider) < WIDER_MM:
        return more_open > 0, (wider > -TAPER_MM if more_open > 0 else wider < TAPER_MM)
    return wider > 0, abs(wider) > TAPER_MM and not (abs(more_open) > OPEN_SHARE and (more_open > 0) != (wider > 0))


def widening_mm(radius: Floats) -> float:
    """How much wider the last third of the heights is than the first, in radius (H, A); negative: narrower."""
    low, high = (radius[_third(radius, end)].mean() for end in (0, 1))
    return float(high - low)


def _third(radius: Floats, end: int) -> slice:
    third = max(1, len(radius) // 3)
    return slice(-third, None) if end else slice(0, third)


def _stands_in_air(source: Sampler, rough: RoughRoot, levels: Levels, end: int) -> bool:
    """Whether most of what lies beside the first (0) or last (1) third is air: then it is the crown, however wide."""
    if levels.air is None:
        return False
    part = _third(rough.radius_mm, end)
    beside = rough.radius_mm[part, :, None] + np.array([1.0, 1.5, 2.0])
    points = rough.to_lps(rough.height_mm[part, None, None], rough.turn_rad[None, :, None], beside)
    return bool(np.nanmedian(source.at(points, smooth=True)) < levels.air_edge)


def _open(source: Sampler, rough: RoughRoot, levels: Levels, end: int) -> float:
    """Share of what lies beside the first (0) or last (1) third that is air or soft tissue."""
    part = _third(rough.radius_mm, end)
    beside = rough.radius_mm[part, :, None] + np.array([1.0, 1.5, 2.0])
    points = rough.to_lps(rough.height_mm[part, None, None], rough.turn_rad[None, :, None], beside)
    return float(np.mean(source.at(points, smooth=True) < levels.soft + OPEN_GREY * (levels.bone - levels.soft)))


def _inside(source: Sampler, rough: RoughRoot, third: int) -> float:
    """Grey of the outer half of the inside of the first (0), middle (1) or last (2) third, the pulp left out."""
    part = np.array_split(np.arange(len(rough.height_mm)), 3)[third]
    inside = rough.radius_mm[part, :, None] * np.array([0.5, 0.6, 0.7, 0.8])
    points = rough.to_lps(rough.height_mm[part, None, None], rough.turn_rad[None, :, None], inside)
    return float(np.nanmedian(source.at(points, smooth=True)))
