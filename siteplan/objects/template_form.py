"""How a fixture's sizes stand in a Generic Implant Template (PS3.3 C.29.1): as planning landmarks.

The template's frame: origin on the axis at the platform, z towards the apex, x any direction across; millimetres.
Landmarks are points in 64-bit numbers, so sizes survive exactly; the standard's own landmark codes (CID 7305) are those
of hips, so ours are private. What is no geometry (torques, source) stands in a private block and, for people, in words.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import atan2, degrees

from siteplan.fixture import Fixture

LANDMARKS: dict[str, str] = {
    "platform": "Middle of the platform",
    "apex": "Middle of the apical end",
    "one-turn": "Point on the axis one turn (thread lead) below the platform",
    "shaft": "Edge of the smooth shaft at the platform",
    "thread-crest": "Thread crest at the coronal end of the thread",
    "thread-root": "Thread root at the coronal end of the thread",
    "tip-start": "Thread crest where the tip begins",
    "tip-end": "Edge of the flat end of the tip",
    "neck": "Edge of the gum passage at its coronal end",
    "abutment-base": "Edge of the abutment at the gum passage",
    "abutment-top": "Edge of the abutment's top",
}
"""Code value and meaning of each landmark; their numbers in the object count from 1 in this order."""

PRIVATE_GROUP, PRIVATE_CREATOR = 0x0069, "SITEPLAN CATALOGUE"
TARGET_NCM, CEILING_NCM, SOURCE = 0x01, 0x02, 0x03
"""Elements of the private block: torques in N.cm (FD), where the numbers come from (LT)."""

_DECIMALS = 9
"""Sizes are rounded to a femtometre, so that 1.2 degrees come back as 1.2 and not as 1.2000000000000002."""


@dataclass(frozen=True, slots=True)
class Place:
    """A landmark in the fixture's own cylinder coordinates."""

    z_mm: float
    r_mm: float


def places_of(fixture: Fixture) -> dict[str, Place]:
    """Where each landmark of a fixture lies."""
    shape, length = fixture.shape, fixture.length_mm
    start = shape.thread_start_mm(length)
    low = shape.outer_diameter_mm / 2 - shape.narrowing_mm(length)
    gum = -shape.transgingival_mm
    return {
        "platform": Place(0.0, 0.0),
        "apex": Place(length, 0.0),
        "one-turn": Place(shape.thread_lead_mm, 0.0),
        "shaft": Place(0.0, shape.shaft_diameter_mm / 2),
        "thread-crest": Place(start, shape.outer_diameter_mm / 2),
        "thread-root": Place(start, shape.core_diameter_mm / 2),
        "tip-start": Place(length - shape.tip_mm, low),
        "tip-end": Place(length, min(shape.tip_diameter_mm / 2, low)),
        "neck": Place(gum, shape.neck_diameter_mm / 2),
        "abutment-base": Place(gum, shape.abutment_diameter_mm / 2),
        "abutment-top": Place(gum - shape.abutment_height_mm, shape.abutment_top_diameter_mm / 2),
    }


def sizes_of(place: Callable[[str], Place]) -> dict[str, float]:
    """The sizes of a catalogue entry, `length_mm` among them, from its landmarks; the inverse of `places_of`."""
    crest, tip_start, neck = place("thread-crest"), place("tip-start"), place("neck")
    length = place("apex").z_mm
    base, top = place("abutment-base"), place("abutment-top")
    sizes = {
        "length_mm": length,
        "outer_diameter_mm": 2 * crest.r_mm,
        "core_diameter_mm": 2 * place("thread-root").r_mm,
        "shaft_diameter_mm": 2 * place("shaft").r_mm,
        "smooth_mm": crest.z_mm,
        "taper_deg": degrees(atan2(crest.r_mm - tip_start.r_mm, tip_start.z_mm - crest.z_mm)),
        "tip_diameter_mm": 2 * place("tip-end").r_mm,
        "tip_mm": length - tip_start.z_mm,
        "neck_diameter_mm": 2 * neck.r_mm,
        "transgingival_mm": -neck.z_mm,
        "abutment_diameter_mm": 2 * base.r_mm,
        "abutment_top_diameter_mm": 2 * top.r_mm,
        "abutment_height_mm": base.z_mm - top.z_mm,
        "thread_lead_mm": place("one-turn").z_mm,
    }
    return {name: round(value, _DECIMALS) + 0.0 for name, value in sizes.items()}
