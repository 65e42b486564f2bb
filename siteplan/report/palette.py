"""Colours of pictures, report and window: few, told apart by everybody, always repeated by a shape, a dash or a word.

How they were chosen: the four line colours lie far apart in lightness and along blue-yellow, the axis that the common
colour-vision deficiencies leave intact. `tests/report/test_palette.py` holds two promises with numbers: every pair of
line colours stays distinct under simulated protan, deutan and tritan vision, and every text colour reaches the WCAG 2.2
contrast of 4.5 : 1 on its ground (3 : 1 for lines on the picture's black).
"""

from dataclasses import dataclass
from enum import StrEnum

INK = "#1b2328"
"""Text on paper."""
QUIET = "#55626b"
"""Secondary text on paper."""
RULE = "#c9d1d6"
"""Hairlines and table rules; carries no information alone."""
PAPER = "#ffffff"
WASH = "#f3f5f4"
"""Ground of table heads and notes."""
NIGHT = "#101417"
"""Ground around images in the window."""
ACCENT = "#0d5c63"
"""The one accent: headings, the selected thing, the axis ruler."""

FIXTURE = "#ffd447"
STRUCTURE_CANAL = "#ff5c8d"
STRUCTURE_AIR = "#58c4ff"
STRUCTURE_TOOTH = "#e9fff0"
MEASURE = "#9be564"
"""Ticks and marks of measured lengths on a picture."""
HALO = "#000000"
"""Dark edge that every line and letter on a grey picture gets, so that it stays readable on bright bone."""


class Dash(StrEnum):
    """Line patterns; each kind of line has its own, so that a grey print still tells them apart."""

    SOLID = "solid"
    LONG = "long"
    DOT = "dot"
    DASH_DOT = "dash-dot"
    FINE = "fine"

    @property
    def pattern(self) -> tuple[float, ...]:
        """On and off lengths in line widths; empty for an unbroken line."""
        return _PATTERN[self]


_PATTERN: dict[Dash, tuple[float, ...]] = {
    Dash.SOLID: (),
    Dash.LONG: (5.0, 2.0),
    Dash.DOT: (1.0, 1.4),
    Dash.DASH_DOT: (5.0, 1.6, 1.0, 1.6),
    Dash.FINE: (2.0, 2.0),
}


@dataclass(frozen=True, slots=True)
class Line:
    """How one kind of thing is drawn on a picture."""

    colour: str
    dash: Dash
    width_pt: float
    words: str


FIXTURE_BODY = Line(FIXTURE, Dash.SOLID, 1.3, "fixture")
FIXTURE_CORE = Line(FIXTURE, Dash.FINE, 0.7, "fixture core")
AXIS = Line(FIXTURE, Dash.DASH_DOT, 0.6, "axis")
CANAL = Line(STRUCTURE_CANAL, Dash.LONG, 1.2, "canal or foramen")
AIR = Line(STRUCTURE_AIR, Dash.DOT, 1.3, "floor of sinus or nose")
TOOTH = Line(STRUCTURE_TOOTH, Dash.DASH_DOT, 1.1, "tooth or other solid")

LINE_OF_KIND: dict[str, Line] = {
    "canal": CANAL,
    "mental-foramen": CANAL,
    "incisive-canal": CANAL,
    "lingual-foramen": CANAL,
    "sinus-floor": AIR,
    "nasal-floor": AIR,
    "root": TOOTH,
    "crown": TOOTH,
    "existing-fixture": TOOTH,
    "other": TOOTH,
}
"""Line of every `siteplan.anatomy.Kind`, by its value."""


@dataclass(frozen=True, slots=True)
class Mark:
    """How a verdict looks: a shape and a word carry it, the colour only repeats them."""

    shape: str
    text_colour: str
    ground: str


KEPT = Mark("disc", "#14532d", "#e3f1e6")
PLANNED = Mark("diamond", "#2341c4", "#e2e8fb")
"""A structure that the plan engages on purpose: neither kept at a distance nor a fault."""
CLOSE = Mark("triangle", "#6b4300", "#fdf0d2")
BROKEN = Mark("cross", "#8a1238", "#fbe1e8")
UNKNOWN = Mark("ring", "#3d4850", "#e8ecee")
MARKS = (KEPT, PLANNED, CLOSE, BROKEN, UNKNOWN)
"""Every mark there is."""
