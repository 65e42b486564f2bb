"""Mean grey value of the cancellous bone alone: what tables ask for that were made without cortex.

The standard cylinder holds crest and plates; here it is cut down to what lies inside the inner surfaces of the shell
and above the next structure on the axis, each by a margin that keeps the blur of the cortex out.
"""

import numpy as np

from siteplan.bone.block import SiteBlock
from siteplan.bone.findings import Array
from siteplan.bone.floor import AIR_SHARE
from siteplan.bone.grey import CYLINDER_DEPTH_MM, CYLINDER_RADIUS_MM, GreyContext, region_weights, weighted_mean
from siteplan.bone.reading import AxisReading
from siteplan.flags import Flag
from siteplan.measures import Measure

_BLURS = 2.5
"""Margin in SD of the blur: less than 1 % of a step is left there."""
_LEAST_MARGIN_MM = 0.3
_FLOOR_MARGIN_MM = 0.7
"""More room above a floor or a canal, whose roof may rise beside the axis (our own bound)."""

_MOST_AIR = 0.02
"""A larger share of air means that a floor was not told, and no mean of bone is taken there (our own bound)."""


def trabecular_mean(
    block: SiteBlock,
    axis: AxisReading,
    inner_mm: tuple[Array, Array],
    blur_sd_mm: float,
    context: GreyContext,
) -> Measure:
    """Mean of the cancellous part of the standard cylinder, grey.

    Args:
        block: depths from the bone entry, voxels that metal reaches missing. inner_mm: (D,) inner surfaces buccally and
            lingually (negative), NaN where there is none.
    """
    what = f"cancellous bone in the cylinder radius {CYLINDER_RADIUS_MM} mm, to {CYLINDER_DEPTH_MM:g} mm"
    margin = max(_BLURS * blur_sd_mm, _LEAST_MARGIN_MM)
    top = axis.crest_end.at_mm
    if top is None:
        return Measure.absent("grey", Flag.NO_EDGE_FOUND, method=what)
    stops = [e.at_mm for e in (axis.below.canal_wall, axis.below.second) if e.at_mm is not None]
    foot = min([CYLINDER_DEPTH_MM, *(s - margin - _FLOOR_MARGIN_MM for s in stops)])
    if foot <= top + margin:
        return Measure.absent("grey", Flag.ALL_CORTEX, method=what)
    weights = region_weights(block, [top + margin, foot], [CYLINDER_RADIUS_MM] * 2)
    buccal, lingual = inner_mm
    across = block.buccal_mm[None, :]
    with np.errstate(invalid="ignore"):
        inside = (across <= buccal[:, None] - margin) & (across >= lingual[:, None] + margin)
    weights *= inside[:, :, None]
    if not (weights > 0).any():
        return Measure.absent("grey", Flag.ALL_CORTEX, method=what)
    with np.errstate(invalid="ignore"):
        air = block.values < context.soft - AIR_SHARE * context.step
    if weights[air].sum() > _MOST_AIR * weights.sum():
        return Measure.absent("grey", Flag.NO_EDGE_FOUND, method=what)
    return weighted_mean(block, weights, context, method=what)
