"""What lies where? Arch curve, canal, sinus floor and roots, drawn or found, as `Structure`s."""

from siteplan.anatomy.structure import Cone, Kind, MadeBy, Shape, Structure, Surface, Tube

__all__ = ["Cone", "Kind", "MadeBy", "Shape", "Structure", "Surface", "Tube"]
