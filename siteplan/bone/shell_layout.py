"""Where the joint fit of the shell has its knots: how freely surface, thickness and grey levels may change along it."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d

from siteplan.bone.outline import Curve
from siteplan.bone.spline import Spline

_EDGE_KNOTS_MM = (0.8, 1.6)
_EDGE_BEND = (0.25, 0.08)
_TILT_KNOTS_MM = 4.0
_THICKNESS_KNOTS_MM = (1.3, 1.8)
_KNOTS_AT_BLUR_MM = (0.22, 0.3)
"""Knots of the surface and of log thickness, and SD of the surface's second derivative (1/mm), for a blur SD up to the
first and from the second value on: a sharp scan can follow a narrow crest and a plate on a slanted wall, a blurred one
would follow its noise (from simulated jaws)."""
_HOLLOW_KNOTS_MM, _HOLLOW_TILT_KNOTS_MM = 0.8, 2.0
_HOLLOW_PER_MM, _HOLLOW_THICK_MM, _HOLLOW_FWHM = (0.08, 0.16), (0.85, 1.0), (1.15, 1.3)
"""Knots of log thickness and of the tilt where the outline is hollow (curvature over a millimetre, from the first and
in full from the second number on): thickness along its normals changes fast there, and what it cannot follow bends the
outer surface too. Only where cortex is mostly this thick, in mm and in full widths of the blur: thin cortex pays for
free thickness with density, which made shells of 0.7 mm 0.08 mm too thick (from simulated jaws)."""
_LEVEL_KNOTS_MM = 3.0
_INSIDE_KNOTS_MM = 2.0
_CORTEX_KNOTS_MM = 4.0
_FWHM_PER_SD = 2.354820


@dataclass(frozen=True, eq=False)
class Layout:
    """Which coefficients are where in the parameter vector, and the bases at the cells."""

    edge: Spline
    tilt: Spline
    thickness: Spline
    outside: Spline
    inside: Spline
    cortex: Spline

    @property
    def sizes(self) -> tuple[int, ...]:
        """Coefficients of: edge, tilt, bow, log thickness, outside, inside, cortex, blur (two), cortex here."""
        return (
            self.edge.count,
            self.tilt.count,
            self.tilt.count,
            self.thickness.count,
            self.outside.count,
            self.inside.count,
            1,
            2,
            self.cortex.count,
        )

    def slices(self) -> tuple[slice, ...]:
        """Part of the vector that each group takes."""
        ends = np.cumsum((0, *self.sizes))
        return tuple(slice(int(a), int(b)) for a, b in pairwise(ends))


def layout_for(curve: Curve, blur_mm: float, thickness_mm: float) -> Layout:
    """Knots for a curve in a scan of this blur SD and cortex of about this thickness."""
    length = curve.length_mm
    hollow = _hollow_share(curve, thickness_mm, blur_mm)
    thick = float(np.interp(blur_mm, _KNOTS_AT_BLUR_MM, _THICKNESS_KNOTS_MM))
    thick += hollow * (_HOLLOW_KNOTS_MM - thick)
    tilt = _TILT_KNOTS_MM + hollow * (_HOLLOW_TILT_KNOTS_MM - _TILT_KNOTS_MM)
    return Layout(
        Spline.spaced(length, float(np.interp(blur_mm, _KNOTS_AT_BLUR_MM, _EDGE_KNOTS_MM))),
        Spline.spaced(length, tilt),
        Spline.spaced(length, thick),
        Spline.spaced(length, _LEVEL_KNOTS_MM),
        Spline.spaced(length, _INSIDE_KNOTS_MM),
        Spline.spaced(length, _CORTEX_KNOTS_MM),
    )


def _hollow_share(curve: Curve, thickness_mm: float, blur_mm: float) -> float:
    """How far the knots of thickness are moved together because the outline is hollow, 0 to 1."""
    hollow = -float(gaussian_filter1d(curve.curvature, 1.0 / float(curve.s_mm[1]), mode="nearest").min())
    rules = (
        (hollow, _HOLLOW_PER_MM),
        (thickness_mm, _HOLLOW_THICK_MM),
        (thickness_mm / (_FWHM_PER_SD * blur_mm), _HOLLOW_FWHM),
    )
    return float(np.prod([np.interp(x, ends, (0.0, 1.0)) for x, ends in rules]))


def edge_bend(blur_mm: float) -> float:
    """SD of the second derivative of the outer surface (1/mm) in a scan of this blur SD."""
    return float(np.interp(blur_mm, _KNOTS_AT_BLUR_MM, _EDGE_BEND))
