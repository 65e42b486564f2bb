"""What the large section says in words: which section it is, what its sides are called, what lies under the pointer."""

from dataclasses import replace

import numpy as np

from siteplan.case import SiteEntry
from siteplan.frame import Vector
from siteplan.report.plane import Plane
from viewer.look import SIDES_MM, Look
from viewer.pictures import Cut
from viewer.texts import say


def where_words(look: Look, entry: SiteEntry | None = None) -> str:
    """The section's name, and how far it lies beside the axis; an upper jaw has a palatal side and no lingual one."""
    turn = look.turn_deg % 180
    upper = entry is not None and entry.jaw == "upper"
    name = (
        (say("picture.across-palatal") if upper else say("picture.across-lingual"))
        if turn == 0
        else say("picture.along")
        if turn == 90
        else say("picture.turned", deg=f"{turn:.0f}")
    )
    if abs(look.offset_mm) < 0.05:  # what would read as 0.0 mm beside
        return name
    way = "picture.round" if look.course is not None else "picture.beside"
    side = say("word.distal") if look.offset_mm > 0 else say("word.mesial")
    return say(way, name=name, mm=f"{abs(look.offset_mm):.1f}", side=side)


def side_words(look: Look, plane: Plane, entry: SiteEntry | None) -> tuple[str, str, str, str]:
    """What lies left, right, above and below."""
    upper = entry is not None and entry.jaw == "upper"
    names = {
        "b": say("word.buccal"),
        "l": say("word.palatal") if upper else say("word.lingual"),
        "d": say("word.distal"),
        "m": say("word.mesial"),
    }
    if abs(look.offset_mm) > SIDES_MM:
        names = {name: names[name] if look.course is not None and name in "bl" else "" for name in names}
    frame = replace(look, turn_deg=0.0).frame()
    across, along = float(plane.right @ frame.buccal), float(plane.right @ frame.distal)
    if abs(across) >= abs(along):
        right, left = ("b", "l") if across > 0 else ("l", "b")
    else:
        right, left = ("d", "m") if along > 0 else ("m", "d")
    ends = (say("word.apical"), say("word.coronal"))
    top, bottom = ends if float(plane.up @ look.anchor.axis) > 0 else ends[::-1]
    return names[left], names[right], top, bottom


def pointer_words(cut: Cut | None, point_lps_mm: Vector | None) -> str:
    """Grey value and place under the pointer; without one, where to find the keys."""
    if point_lps_mm is None or cut is None or cut.section is None:
        return say("picture.keys")
    u, v, _ = cut.plane.from_lps(point_lps_mm)
    section = cut.section
    i, j = (int(np.argmin(np.abs(axis - at))) for axis, at in ((section.u_mm, u), (section.v_mm, v)))
    left, right, bottom, top = section.extent_mm
    grey = section.grey[j, i] if left <= u <= right and bottom <= v <= top else np.nan
    place = ", ".join(f"{x:.1f}" for x in point_lps_mm).replace("-", "−")
    shown = f"{grey:.0f}".replace("-", "−") if np.isfinite(grey) else "–"
    return say("picture.pointer", grey=shown, place=place)
