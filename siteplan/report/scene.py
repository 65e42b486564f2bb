"""What one site's pictures show, as plain data: made once from the findings, drawn by several figures."""

from dataclasses import dataclass, field

from siteplan.anatomy import Structure
from siteplan.fixture.solid import Pose, Solid
from siteplan.frame import SiteFrame


@dataclass(frozen=True, slots=True)
class WidthTick:
    """A measured chord, drawn at its place: from `low_mm` to `high_mm` along buccal (or distal), with its words."""

    depth_mm: float
    low_mm: float
    high_mm: float
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DepthMark:
    """A place on the axis, with its words. `shape`: "bar" for bone, "tip" for a drill's very tip."""

    depth_mm: float
    words: tuple[str, ...]
    shape: str = "bar"


@dataclass(frozen=True, eq=False)
class ShownStructure:
    """A structure with the letter that stands for it on pictures, and the margin that is kept from it (mm).

    Attributes:
        contact: the fixture engages it on purpose; `margin_mm` is then how far it may pass behind the surface.
    """

    letter: str
    structure: Structure
    margin_mm: float | None
    contact: bool = False

    @property
    def line_mm(self) -> float:
        """Where the fine line lies: outside the surface, below zero behind it; 0 without one."""
        margin = self.margin_mm or 0.0
        return -margin if self.contact else margin

    @property
    def line_words(self) -> str:
        """What the fine line is."""
        if self.contact:
            return f"limit of planned contact, {self.margin_mm:g} mm behind it"
        return f"{self.margin_mm:g} mm margin"


@dataclass(frozen=True, eq=False)
class ShownFixture:
    """A fixture at its place. `tooth` names it; solids that the catalogue does not give are None."""

    tooth: int
    pose: Pose
    body: Solid
    core: Solid | None = None
    above: Solid | None = None


@dataclass(frozen=True, eq=False)
class SiteScene:
    """Everything that is drawn around one site.

    Attributes:
        tooth: ISO 3950 number.
        frame: depth 0 at the bone entry (at the planned point where the axis meets no bone).
        upper: upper jaw; the inner side is then called palatal.
        case_words: names the case on a picture that is found alone; holds nothing about the patient.
        fixture: this site's own, or None.
        others: fixtures of the other sites.
        widths, distal_widths: chords in the buccolingual and in the mesiodistal plane.
        marks: cortex and bone marks along the axis.
        tips: depths that drill tips reach.
    """

    tooth: int
    frame: SiteFrame
    upper: bool
    case_words: str = ""
    fixture: ShownFixture | None = None
    others: tuple[ShownFixture, ...] = ()
    structures: tuple[ShownStructure, ...] = ()
    widths: tuple[WidthTick, ...] = ()
    distal_widths: tuple[WidthTick, ...] = ()
    marks: tuple[DepthMark, ...] = ()
    tips: tuple[DepthMark, ...] = ()
    second_cortex_mm: float | None = None
    deepest_mm: float = field(default=16.0)

    @property
    def inner_side(self) -> str:
        """The word for the side away from cheek and lip."""
        return "palatal" if self.upper else "lingual"


@dataclass(frozen=True, slots=True)
class GreyRange:
    """The grey values shown as black and as white, and what they are."""

    low: float
    high: float
    unit_words: str

    @property
    def words(self) -> str:
        """For the line under a picture."""
        low, high = (f"{grey:.0f}".replace("-", "−") for grey in (self.low, self.high))
        return f"black {low}, white {high} ({self.unit_words})"
