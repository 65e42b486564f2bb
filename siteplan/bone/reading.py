"""What a method of edge finding hands over: edges on the axis and on lines across the ridge."""

from dataclasses import dataclass
from typing import Protocol

from siteplan.flags import Flag


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge on a line.

    Attributes:
        at_mm: position on the line, None when there is no such edge; then `flags` says why.
        sd_mm: standard deviation of the position, None when it is not known.
        shared_sd_mm: the part of it that moves the site's other outer edges outwards or inwards together with this one.
    """

    at_mm: float | None
    sd_mm: float | None = None
    flags: tuple[Flag, ...] = ()
    shared_sd_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Obscure:
    """What is known of cortex whose thickness the scan cannot tell from its density.

    Attributes:
        limit_mm: 95 % upper limit of the thickness.
        product_hu_mm: thickness times what the cortex has over soft tissue on the scan's provisional scale: that much
            is seen, however it is shared out.
    """

    limit_mm: float
    product_hu_mm: float


@dataclass(frozen=True, slots=True)
class Plate:
    """Cortex on one side of a line: positions are distances from the axis, outer >= inner.

    Attributes:
        thickness: outer minus inner with its own SD, because the errors of the two edges go together.
        obscure: given where thickness cannot be told from density.
    """

    outer: Edge
    inner: Edge
    thickness: Edge
    obscure: Obscure | None = None


@dataclass(frozen=True, slots=True)
class LineReading:
    """The ridge on the line across the axis at one depth."""

    buccal: Plate
    lingual: Plate


@dataclass(frozen=True, slots=True)
class BelowCrest:
    """Second cortex (its two sides) and canal (its wall and its lumen), as depths; absent edges say why.

    into_air: whether air lies behind the second cortex: it is then the floor of a cavity.
    """

    second: Edge
    second_end: Edge
    second_thickness: Edge
    canal_wall: Edge
    canal_lumen: Edge
    into_air: bool = False


@dataclass(frozen=True, slots=True)
class AxisReading:
    """Edges along the axis, as depths in the block.

    Attributes:
        entry: outer bone surface. crest_end: where the crestal cortex ends; `crest` its thickness, `crest_obscure` as
            for a plate.
        below: what the axis meets further down.
        entry_bend_sd_mm: the part of the entry's SD that a narrow crest adds; levels are counted from the entry.
    """

    entry: Edge
    crest_end: Edge
    crest: Edge
    crest_obscure: Obscure | None
    below: BelowCrest
    entry_bend_sd_mm: float = 0.0


class SectionReader(Protocol):
    """A method of edge finding, ready to answer for one site."""

    @property
    def method(self) -> str:
        """Name of the method, in a few words."""
        ...

    def axis(self) -> AxisReading:
        """Edges along the axis."""
        ...

    def line(self, depth_mm: float, *, rough: bool = False) -> LineReading:
        """Edges on the buccolingual line through the axis at a depth of the block.

        Args:
            rough: for drawing many lines: inner edges may be estimates where the precise way is slow.
        """
        ...

    def surface(self, depth_mm: float) -> tuple[float | None, float | None]:
        """Outer surface at a depth, buccally and lingually, as positions on the buccal direction.

        Unlike `line` this also answers where the axis itself lies outside the bone: both positions then have one sign.
        """
        ...
