"""Mean grey value inside or around a solid of revolution that stands on the site's axis."""

from numpy.typing import ArrayLike

from siteplan.bone.block import SiteBlock
from siteplan.bone.calibration import Calibration
from siteplan.bone.drift import without_drift
from siteplan.bone.findings import BoneFindings
from siteplan.bone.grey import region_weights, site_drift_sd, weighted_mean
from siteplan.flags import Flag
from siteplan.measures import Measure


def mean_grey_in(
    bone: BoneFindings | SiteBlock,
    z_mm: ArrayLike,
    r_mm: ArrayLike,
    *,
    shell_mm: float = 0.0,
    calibration: Calibration | None = None,
) -> Measure:
    """Mean grey value (HU with a calibration) in a solid given by its outline.

    Args:
        z_mm, r_mm: outline in depth coordinates of the block (0 = bone entry of `BoneFindings`).
        shell_mm: > 0 for the layer of that thickness around the solid instead of the solid.
    """
    block = bone.block if isinstance(bone, BoneFindings) else bone
    context = bone.context if isinstance(bone, BoneFindings) else None
    flags = (Flag.QUICK_ESTIMATE,) if isinstance(bone, BoneFindings) and bone.quick else ()
    weights = region_weights(block, z_mm, r_mm, shell_mm=shell_mm)
    if not (weights > 0).any():
        return Measure.absent("grey" if calibration is None else "HU", Flag.EDGE_OF_VOLUME)
    what = f"{shell_mm:g} mm shell around the body" if shell_mm > 0 else "inside the body"
    shift = 0.0
    if isinstance(bone, BoneFindings) and bone.sharpening is not None:
        shift = bone.sharpening.shift(weights)
    mean = weighted_mean(block, weights, context, shift=shift, method=what, flags=flags)
    if calibration is None:
        return mean
    if not isinstance(bone, BoneFindings):
        return calibration.apply(mean)
    return without_drift(mean, calibration, bone.soft_field, site_drift_sd(bone.context))
