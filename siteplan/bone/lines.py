"""From edges on lines to `Measure`s: widths, plates, and what bounds the site mesiodistally."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from siteplan.bone.block import SiteBlock
from siteplan.bone.findings import LevelMeasures
from siteplan.bone.reading import Edge, Obscure, Plate, SectionReader
from siteplan.flags import Flag
from siteplan.measures import Measure

NORMAL_95 = 1.959964
UNCERTAIN_MM = 0.4
"""An interval wider than this to a side is called out."""
THIN_MM = 0.7
"""Half-maximum readings of cortex below this are flagged: there the rule reads 27 % and more too wide in a clinical
system (Prevrhal 2003, Med Phys 30:1-8)."""
_SLOPE_OVER_MM = 0.3
"""The width's slope is taken over this much to both sides of a level."""


def level_measures(
    reader: SectionReader, block: SiteBlock, depths_mm: Sequence[float], soft: float, *, quick: bool
) -> LevelMeasures:
    """Measures at each depth (mm below the block's zero); `soft` is the grey value of soft tissue."""
    from siteplan.bone.mesiodistal import mesiodistal_width

    columns: tuple[list[Measure], ...] = tuple([] for _ in range(6))
    widths, buccal, lingual, b_plates, l_plates, across = columns
    entry_sd = 0.0 if quick else reader.axis().entry_bend_sd_mm
    for depth in depths_mm:
        line = reader.line(float(depth))
        level_sd = entry_sd * _width_slope(reader, float(depth)) if entry_sd else 0.0
        widths.append(_width(line.buccal, line.lingual, depth, reader.method, quick, level_sd))
        for side, reach, plates in ((line.buccal, buccal, b_plates), (line.lingual, lingual, l_plates)):
            reach.append(edge_measure(side.outer, depth, reader.method, quick))
            plates.append(plate_measure(side, depth, reader.method, quick))
        across.append(mesiodistal_width(block, float(depth), soft, line, quick=quick))
    return LevelMeasures(*(tuple(x) for x in columns))


def edge_measure(edge: Edge, depth_mm: float | None, method: str, quick: bool, extra: tuple[Flag, ...] = ()) -> Measure:
    """An edge's position or a thickness as a measure in mm."""
    flags = (*edge.flags, *extra, *((Flag.QUICK_ESTIMATE,) if quick else ()))
    if edge.at_mm is None:
        return Measure.absent("mm", *(flags or (Flag.NO_EDGE_FOUND,)), depth_mm=depth_mm, method=method)
    if edge.sd_mm is None:
        return Measure(edge.at_mm, "mm", method=method, flags=flags, depth_mm=depth_mm)
    reach = NORMAL_95 * edge.sd_mm
    if reach > UNCERTAIN_MM:
        flags = (*flags, Flag.UNCERTAIN)
    return Measure(
        edge.at_mm, "mm", edge.at_mm - reach, edge.at_mm + reach, method, tuple(dict.fromkeys(flags)), depth_mm
    )


def plate_measure(plate: Plate, depth_mm: float | None, method: str, quick: bool) -> Measure:
    """Thickness of a plate; never below zero, and with its upper limit where only that is known."""
    return cortex_measure(plate.thickness, plate.obscure, depth_mm, method, quick)


def cortex_measure(
    thickness: Edge, obscure: Obscure | None, depth_mm: float | None, method: str, quick: bool
) -> Measure:
    """Thickness of a layer of cortex as a measure."""
    extra = (Flag.THIN_CORTEX,) if quick and thickness.at_mm is not None and thickness.at_mm < THIN_MM else ()
    measure = edge_measure(thickness, depth_mm, method, quick, extra)
    if measure.value is None or measure.low is None or measure.high is None:
        return measure
    high = measure.high if obscure is None else max(measure.high, obscure.limit_mm)
    product = None if obscure is None else obscure.product_hu_mm
    return replace(measure, low=max(measure.low, 0.0), high=max(high, 0.0), product_hu_mm=product)


def _width_slope(reader: SectionReader, depth_mm: float) -> float:
    """How much the ridge widens per mm of depth, as a size: a level counted from a wrong entry has the wrong width."""
    ends = [reader.surface(depth_mm + d) for d in (-_SLOPE_OVER_MM, 0.0, _SLOPE_OVER_MM)]
    found = [(k, b - lo) for k, (b, lo) in enumerate(ends) if b is not None and lo is not None]
    if len(found) < 2:
        return 0.0
    return abs(found[-1][1] - found[0][1]) / ((found[-1][0] - found[0][0]) * _SLOPE_OVER_MM)


def _width(buccal: Plate, lingual: Plate, depth_mm: float, method: str, quick: bool, level_sd: float) -> Measure:
    """Outer surface to outer surface; `level_sd` (mm) is what a narrow crest's uncertain entry does to it."""
    b, lo = buccal.outer, lingual.outer
    if b.at_mm is None or lo.at_mm is None:
        none = Edge(None, None, tuple(dict.fromkeys((*b.flags, *lo.flags))))
        return edge_measure(none, depth_mm, method, quick)
    # What the blur does to one edge it does to the other too: those parts add up, the rest is independent.
    both = 2 * b.shared_sd_mm * lo.shared_sd_mm
    sd = None if b.sd_mm is None or lo.sd_mm is None else float(np.sqrt(b.sd_mm**2 + lo.sd_mm**2 + both + level_sd**2))
    flags = tuple(dict.fromkeys((*b.flags, *lo.flags)))
    return edge_measure(Edge(b.at_mm + lo.at_mm, sd, flags), depth_mm, method, quick)
