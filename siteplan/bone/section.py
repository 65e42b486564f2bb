"""The buccolingual section through the axis as a picture, and which part of it is the bone of this site."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from siteplan.bone.block import SiteBlock
from siteplan.bone.levels import GreyLevels

SLAB_MM = 0.5
"""Half thickness of the slab averaged into the section picture."""
_LEAST_RUN_MM = 2.0
"""A shorter run of bone on the axis is a chip, a crown's edge or noise."""
_SEARCH_FROM_MM = -4.0
"""Bone entry is looked for from here on: the planned point may lie this far inside bone."""
_FRACTION_OF_SHELL = 0.22
"""Bone starts at this share of the way from soft tissue to dense bone when that is lower than the plain floor."""


@dataclass(frozen=True, eq=False)
class Section:
    """Mean of the block over a thin slab around distal 0, and its bone.

    Attributes:
        grey: (D, B), NaN outside the scan. bone: (D, B) bone of this site with its holes filled.
        soft, dense: local grey of soft tissue and of the densest tissue in the section.

    """

    grey: NDArray[np.float32]
    bone: NDArray[np.bool_]
    entry_index: int | None
    floor: float
    soft: float
    dense: float


def section_of(block: SiteBlock, levels: GreyLevels) -> Section:
    """Section picture and bone mask of a block."""
    near = np.abs(block.distal_mm) <= SLAB_MM + 1e-9
    slab = block.values[:, :, near]
    grey = slab.mean(axis=2)
    known = np.isfinite(grey)
    filled = np.where(known, grey, levels.soft).astype(np.float32)
    dense = float(np.percentile(filled[known], 98)) if known.any() else levels.soft
    shell = levels.soft + _FRACTION_OF_SHELL * (dense - levels.soft)
    floor = min(levels.bone_floor, max(shell, levels.soft + 0.1 * levels.step))
    bone, entry = _bone_of_site(filled > floor, block)
    return Section(grey, bone, entry, floor, levels.soft, dense)


def _bone_of_site(mask: NDArray[np.bool_], block: SiteBlock) -> tuple[NDArray[np.bool_], int | None]:
    """The connected bone that the axis enters, holes filled, and the index of the entry on the axis.

    The lower edge of the block counts as closed while holes are filled, so cancellous bone darker than the floor
    stays bone where plates stand on both sides of it.
    """
    closed = np.vstack([mask, np.ones((1, mask.shape[1]), dtype=bool)])
    whole = ndimage.binary_fill_holes(closed)[:-1] if mask.any() else mask
    column = whole[:, int(np.argmin(np.abs(block.buccal_mm)))]
    start = int(np.searchsorted(block.depth_mm, _SEARCH_FROM_MM))
    need = round(_LEAST_RUN_MM / block.spacing_mm)
    entry = _first_run(column, start, need)
    if entry is None:
        return np.zeros_like(mask), None
    labels, _ = ndimage.label(whole)
    axis = int(np.argmin(np.abs(block.buccal_mm)))
    return labels == labels[entry, axis], entry


def _first_run(column: NDArray[np.bool_], start: int, need: int) -> int | None:
    """First index >= start where at least `need` values in a row are true."""
    padded = np.concatenate([[False], column[start:], [False]]).astype(np.int8)
    change = np.diff(padded)
    begins, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    for begin, end in zip(begins, ends, strict=True):
        if end - begin >= need:
            return int(begin + start)
    return None
