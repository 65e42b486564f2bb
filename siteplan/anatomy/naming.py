"""A plain name of its own for each traced structure: a case file takes no two of the same name."""

from collections.abc import Sequence
from dataclasses import replace

from siteplan.anatomy.structure import Cone, Kind, Structure
from siteplan.frame import Vector

_ONE_A_SIDE = (Kind.CANAL, Kind.MENTAL_FORAMEN, Kind.SINUS_FLOOR, Kind.NASAL_FLOOR)
"""Kinds of which a patient has one on each side: the side tells them apart."""


def named(structure: Structure, *, name: str | None = None, tooth: int | None = None) -> Structure:
    """The structure under a name that others of its kind do not have.

    A tooth (ISO 3950) or a name given by a person comes first; then the side, where a patient has one on each; else
    the place of its middle in whole mm (LPS), as roots and fixtures lie further apart than that.
    """
    if name is not None:
        return replace(structure, name=name)
    if tooth is not None:
        return replace(structure, name=f"{structure.name}, tooth {tooth}")
    if structure.side and structure.kind in _ONE_A_SIDE:
        return replace(structure, name=f"{structure.name}, {structure.side}")
    place = ", ".join(f"{round(float(x))}" for x in _middle(structure))
    return replace(structure, name=f"{structure.name} at {place} mm")


def all_named(found: Sequence[Structure], *, name: str | None = None, tooth: int | None = None) -> list[Structure]:
    """The same for several at once; a name given for more than one is numbered."""
    out = [named(s, name=name, tooth=tooth) for s in found]
    if len({s.name for s in out}) == len(out):
        return out
    return [replace(s, name=f"{s.name}, {number}") for number, s in enumerate(out, start=1)]


def _middle(structure: Structure) -> Vector:
    shape = structure.shape
    if isinstance(shape, Cone):
        return 0.5 * (shape.base_lps_mm + shape.tip_lps_mm)
    middle: Vector = shape.points_lps_mm.mean(axis=0)
    return middle
