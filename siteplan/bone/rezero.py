"""Counting depths from the bone entry instead of the planned point."""

from dataclasses import replace

from siteplan.bone.block import SiteBlock
from siteplan.bone.reading import AxisReading, Edge, LineReading, SectionReader


def rezeroed(block: SiteBlock, entry_mm: float) -> SiteBlock:
    """The same values with depth counted from `entry_mm`."""
    return SiteBlock(
        block.values,
        block.frame.moved(entry_mm),
        block.depth_mm - entry_mm,
        block.buccal_mm,
        block.distal_mm,
        block.spacing_mm,
        block.voxel_mm,
    )


class ShiftedReader:
    """A reader whose depths are counted from the bone entry."""

    def __init__(self, reader: SectionReader, entry_mm: float) -> None:
        """Keep the reader and where its zero goes."""
        self._reader = reader
        self._entry_mm = entry_mm
        self.method = reader.method

    def axis(self) -> AxisReading:
        """Edges along the axis, from the bone entry."""
        a = self._reader.axis()

        def moved(edge: Edge) -> Edge:
            return edge if edge.at_mm is None else replace(edge, at_mm=edge.at_mm - self._entry_mm)

        below = replace(
            a.below,
            second=moved(a.below.second),
            second_end=moved(a.below.second_end),
            canal_wall=moved(a.below.canal_wall),
            canal_lumen=moved(a.below.canal_lumen),
        )
        return replace(a, entry=moved(a.entry), crest_end=moved(a.crest_end), below=below)

    def line(self, depth_mm: float, *, rough: bool = False) -> LineReading:
        """Edges on the line `depth_mm` below the bone entry."""
        return self._reader.line(depth_mm + self._entry_mm, rough=rough)

    def surface(self, depth_mm: float) -> tuple[float | None, float | None]:
        """Outer surface `depth_mm` below the bone entry."""
        return self._reader.surface(depth_mm + self._entry_mm)
