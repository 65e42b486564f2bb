"""Which bone is a jaw: the horseshoe of the lower (or upper) jaw in a wide field, or all bone in a narrow one."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from siteplan.anatomy.levels import Levels, levels_of
from siteplan.anatomy.sample import Box, box_around
from siteplan.anatomy.side import midline_mm
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]
Mask = NDArray[np.bool_]

BONE_SHARE = 0.3
"""Share of the way from soft tissue to dense bone from which a voxel counts as bone (our own)."""

WIDTH_MM, DEPTH_MM = (42.0, 118.0), (18.0, 85.0)
"""Width and depth that a jaw's horseshoe has in an axial slice, generously (from memory)."""

FULLNESS = 0.5
"""Share of its rectangle that a horseshoe fills at most; a vertebra fills more (our own)."""

DENSEST = 1.9
"""Dense bone lies at most this many times as far above soft tissue as air below it: 1900 HU (from memory)."""

METAL_MM2 = 15.0
"""A slice with more metal than this is not used: its streaks look like bone (our own)."""

ONE_JAW_MM = 40.0
"""A run of horseshoes higher than this may be two jaws with their teeth together (our own)."""

LEAST_RUN_MM = 8.0
"""A jaw shows as a horseshoe over at least this height (our own)."""


@dataclass(frozen=True, eq=False)
class Jaw:
    """bone: (K, J, I) mask over `box`; wide: both sides are in it; midline_mm: LPS x, None in a narrow field.

    metal: (K,) planes that hold much metal. note: what was taken for the jaw, where that needs a word.
    """

    box: Box
    bone: Mask
    wide: bool
    midline_mm: float | None
    levels: Levels
    metal: Mask
    note: str = ""


def find_jaw(scan: Scan, *, upper: bool = False, spacing_mm: float = 1.0, height_mm: float | None = None) -> Jaw:
    """The bone of one jaw.

    Args:
        height_mm: LPS z at which the jaw is wanted, where that is known; then all bone is given, whatever its jaw.

    Raises:
        GeometryError: no bone, or no horseshoe in a wide field.
    """
    levels = _without_metal(levels_of(scan))
    ends = scan.index_to_lps([(0, 0, 0), (scan.shape[0] - 1, scan.shape[1] - 1, scan.shape[2] - 1)])
    middle = midline_mm(scan)
    box = box_around(scan, ends, 0.0, spacing_mm)
    bone = box.filled > levels.soft + BONE_SHARE * (levels.bone - levels.soft)
    if not bone.any():
        raise GeometryError("scan: no bone can be told from soft tissue in it.")
    metal = (box.filled > levels.metal_edge).sum(axis=(1, 2)) * spacing_mm**2 > METAL_MM2
    if height_mm is not None:
        return Jaw(box, bone, middle is not None, middle, levels, metal)
    if middle is None:
        return Jaw(box, _largest(bone), False, None, levels, metal)
    bone[metal] = False
    shoe, note = _horseshoe(bone, box, upper)
    return _cropped(Jaw(box, shoe, True, middle, levels, metal, note))


def _without_metal(levels: Levels) -> Levels:
    """Levels whose dense bone is no metal: many crowns would raise it, and thin bone would then be taken for none."""
    if levels.air is None:
        return levels
    return replace(levels, bone=min(levels.bone, levels.soft + DENSEST * (levels.soft - levels.air)))


def _cropped(jaw: Jaw) -> Jaw:
    """The same jaw in the smallest box that holds it and a little around it."""
    (part,) = ndimage.find_objects(jaw.bone.astype(int))
    around = max(1, round(5.0 / jaw.box.spacing_mm))
    cut = tuple(slice(max(s.start - around, 0), s.stop + around) for s in part)
    origin = jaw.box.to_lps([s.start for s in cut])
    box = Box(jaw.box.values[cut].copy(), origin, jaw.box.spacing_mm)
    return replace(jaw, box=box, bone=jaw.bone[cut].copy(), metal=jaw.metal[cut[0]].copy())


def _largest(mask: Mask) -> Mask:
    labels, count = ndimage.label(mask)
    if count == 0:
        return mask
    return np.asarray(labels == np.bincount(labels.ravel())[1:].argmax() + 1)


def _horseshoe(bone: Mask, box: Box, upper: bool) -> tuple[Mask, str]:
    """The lowest run of slices that hold a horseshoe, or the next one above it; and a word where only one shows."""
    shoes = [_shoe_in(bone[k], box.spacing_mm) for k in range(len(bone))]
    has = ndimage.binary_closing(
        np.array([s is not None for s in shoes]), iterations=max(1, round(1.5 / box.spacing_mm))
    )
    labels, count = ndimage.label(has)
    runs = [np.flatnonzero(labels == n) for n in range(1, count + 1)]
    runs = [r for r in runs if len(r) * box.spacing_mm >= LEAST_RUN_MM]
    which, note = (1 if upper else 0), ""
    if upper and len(runs) == 1 and len(runs[0]) * box.spacing_mm <= ONE_JAW_MM:
        which, note = 0, "Only one jaw shows its arch in this scan; it is taken for the upper one. "
    if len(runs) <= which:
        raise GeometryError(f"scan: no {'upper' if upper else 'lower'} jaw shows its arch in it; set points by hand.")
    out = np.zeros_like(bone)
    for k in runs[which]:
        shoe = shoes[k]
        if shoe is not None:
            out[k] = shoe
    return out, note


def _shoe_in(slice_bone: Mask, spacing_mm: float) -> Mask | None:
    """The most anterior connected bone of an axial slice that has the size and emptiness of a horseshoe."""
    labels, _ = ndimage.label(ndimage.binary_closing(slice_bone, iterations=2))
    for n, (rows, columns) in enumerate(ndimage.find_objects(labels), start=1):
        depth, width = ((s.stop - s.start) * spacing_mm for s in (rows, columns))
        part = labels[rows, columns] == n
        hollow = part.mean() <= FULLNESS
        if WIDTH_MM[0] <= width <= WIDTH_MM[1] and DEPTH_MM[0] <= depth <= DEPTH_MM[1] and hollow:
            return np.asarray(labels == n)
    return None


def interior(jaw: Jaw) -> Mask:
    """What lies inside the jaw bone: its holes filled slice by slice, its outermost voxels taken off."""
    filled = ndimage.binary_closing(jaw.bone, iterations=2)
    for axis in range(3):
        moved = np.moveaxis(filled, axis, 0)
        for k in range(len(moved)):
            moved[k] |= ndimage.binary_fill_holes(moved[k])
    return np.asarray(ndimage.binary_erosion(filled, iterations=max(1, round(1.2 / jaw.box.spacing_mm))))
