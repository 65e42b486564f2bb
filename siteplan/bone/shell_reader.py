"""Edges on lines and on the axis from a fitted shell, each with the SD that the fit gives it."""

from dataclasses import dataclass, replace

import numpy as np

from siteplan.bone.apex import Apex
from siteplan.bone.edge_gradient import EDGE_GRADIENT_SD_SHARE
from siteplan.bone.junction import JunctionFitter, Line
from siteplan.bone.lines import UNCERTAIN_MM
from siteplan.bone.reading import AxisReading, BelowCrest, Edge, LineReading, Obscure, Plate, SectionReader
from siteplan.bone.shell_surface import STEEPEST, Crossing, Shell
from siteplan.flags import Flag

_EDGE, _THICKNESS = 0, 1
_SYSTEMATIC_MM, _SYSTEMATIC_PER_MM = (0.001, 0.001), (0.09, 0.13)
"""SD of what the model leaves out at an outer edge and in a thickness: a constant and a share per mm of the blur SD
squared, because what blur does to a curved or slanted surface grows with its square."""
_THIN_SHARE = (0.02, 0.05)
"""Where cortex is thinner than the blur's full width at half maximum its density is hardly known: SD added per mm that
is missing, for an edge and for a thickness (all of these: our own estimates from simulated volumes with cortex of 1000
to 1650 HU, `tests/validation`)."""
_WING_SHARE, _WING_FROM, _WING_TO = (0.02, 0.05), 1.2, 0.9
"""The wings of the blur are known roughly, which a thin shell feels: SD as a share of the thickness, in full from
the last and not at all above the second number of full widths at half maximum (as above)."""
_STREAK_BLURS = (0.06, 0.09)
"""Metal within the block shades what lies around it, which moves edges by a share of the blur: SD of an edge and of a
thickness in blur SD (from the same simulated jaws with and without a post, `tests/validation/metal.py`)."""
_BEND_REACH_MM = 0.75
"""The shift of a curved edge by blur, curvature * blur^2 / 2, takes one curvature for a stretch of about this length;
on a crest with a radius of that size the curvature varies within it, and the bone entry is uncertain by about
curvature * blur^2 times curvature * this length (from simulated knife edges, `tests/validation`)."""
_FWHM_PER_SD = 2.354820
_MISFIT_LIMIT = 2.0
_JOINED_SD_MM = 0.2
"""Residuals this much above the noise mean that the shell model does not hold there; SD of the fallback then (our own
estimates from simulated volumes with a sinus floor that joins the plates)."""
_TELLABLE_SD_MM = 0.4
"""Where the answers for a plate that another layer joins lie further apart than this allows, none of them is a number
to plan by: single ones were more than a millimetre off."""
_THICK_START_MM = 2.5
"""Plate and floor as one layer: another start of the local fit (common plates are thinner)."""
_SLOPE_OVER_MM = 0.3
_NARROW_SD_MM = 0.22
"""SD added to the cortex of a narrow crest whose own fit failed: the shell model reads it up to 0.45 mm too thick (from
simulated knife edges)."""
_FOLD_SD_MM = 0.08
"""SD added to a thickness that ends beyond a fold of the inner surface (from simulated narrow crests)."""
_OBSCURE_LOG_SD, _OBSCURE_BLURS, _LEAST_OVER_SOFT_HU = 0.35, 1.3, 850.0
"""Log thickness known no better than the first, or thickness below the second number of blur SD (0.55 of its full width
at half maximum): the scan cannot tell thickness from density, and the limit is that of cortex only the third above soft
tissue (about 900 HU, low among the regional means of Park 2008, see `shell_site`)."""


_ENTRY_DISAGREEMENT_MM = 0.6
"""The half-maximum rule misplaces one edge of a thin shell by up to half of what it misjudges the thickness, 0.35 mm in
coarse scans; more than this apart, fit and rule see different things (from simulated jaws)."""


_LEAST_WAY_MM, _SAME_EXIT_MM = 2.0, 1.0
"""A second crossing of the outline counts as the way out from this far below the first; two readings of it within the
second distance are of one place."""
_SLANT_SD_SHARE = 0.07
"""SD, as a share of the thickness, of a plate met at a slant whose far side the fit does not reach (our estimate)."""
_ACROSS = 0.8
"""Surfaces that meet the axis at more than about 53 degrees are left to the layer fit."""


@dataclass(frozen=True, eq=False)
class ShellReader:
    """`SectionReader` by the joint fit. narrow: the crest asks for a fit of its own; apex: that, None if it failed.

    metal: whether there is any within the block.
    """

    shell: Shell
    beyond: AxisReading
    plain: SectionReader
    junctions: JunctionFitter
    narrow: bool = False
    apex: Apex | None = None
    metal: bool = False
    method: str = "fit of bone wall and blur, all rays of the site together"

    @property
    def blur_mm(self) -> float:
        """Blur SD in slices."""
        return float(np.exp(self.shell.fit.theta[self.shell.fit.layout.slices()[7]][0]))

    def axis(self) -> AxisReading:
        """Edges along the axis: the crest from the fit, what lies below the shell from `beyond`."""
        outer = self.shell.cross(False, 1, 0.0, "min")
        if outer is None:
            return self.beyond
        plain = self.beyond.entry.at_mm
        if plain is not None and abs(outer.at_mm - plain) > _ENTRY_DISAGREEMENT_MM:
            return self._doubted(outer.at_mm - plain)
        if self.apex is not None:
            return self._on_apex(self.apex)
        bend_sd, entry = self._bend_sd(outer), self._edge(outer)
        entry = replace(entry, sd_mm=float(np.hypot(entry.sd_mm or 0.0, bend_sd)))
        below = self._through_the_side(outer.at_mm)
        own = replace(self.beyond, entry=entry, entry_bend_sd_mm=bend_sd, below=below)
        inner = self.shell.cross(True, 1, 0.0, "min")
        if inner is None or inner.at_mm < outer.at_mm:
            none = Edge(None, None, (Flag.ALL_CORTEX,))
            return replace(own, crest_end=none, crest=none, crest_obscure=None)
        thickness, obscure = self._thickness(outer, inner)
        end = self._edge(inner)
        if self.narrow:
            thickness, end = self._widened(thickness), self._widened(end)
        return replace(own, crest_end=end, crest=thickness, crest_obscure=obscure)

    def _widened(self, edge: Edge) -> Edge:
        """What the shell model says near the tip of a narrow crest, with the doubt that belongs to it."""
        sd = float(np.hypot(edge.sd_mm or 0.0, _NARROW_SD_MM))
        return replace(edge, sd_mm=sd, flags=(*edge.flags, Flag.UNCERTAIN))

    def _on_apex(self, apex: Apex) -> AxisReading:
        """Entry and crestal cortex of a narrow crest from the fit of its whole wedge."""
        slant = float(np.sqrt(1 + min(apex.slope**2, 1 / STEEPEST**2)))
        outer_mm, thin_mm = (x * slant for x in self.shell.edge_gradient_mm)
        entry_mm, value = apex.entry_mm - outer_mm, apex.end_mm - apex.entry_mm + thin_mm
        entry_sd, thickness_sd = (
            float(np.hypot(noise, slant * self._model_sd(which, value / slant)))
            for noise, which in ((apex.entry_sd_mm, _EDGE), (apex.thickness_sd_mm, _THICKNESS))
        )
        flags, obscure = self._doubts(value, thickness_sd, apex.thickness_sd_mm / value)
        return replace(
            self.beyond,
            entry=Edge(entry_mm, entry_sd),
            crest_end=Edge(entry_mm + value, float(np.hypot(apex.end_sd_mm, thickness_sd))),
            crest=Edge(value, thickness_sd, flags),
            crest_obscure=obscure,
            entry_bend_sd_mm=entry_sd,
            below=self._through_the_side(entry_mm),
        )

    def _through_the_side(self, entry_mm: float) -> BelowCrest:
        """What lies below, with the place where a leaning axis leaves through the side of the shell.

        The layer fit on the axis expects a surface across it; a plate met at a slant is read off the shell instead.
        """
        below = self.beyond.below
        outer, inner = (self.shell.cross(side, 1, 0.0, "max") for side in (False, True))
        if outer is None or outer.at_mm < entry_mm + _LEAST_WAY_MM:
            return self._into_the_side(entry_mm, inner)
        end = below.second_end.at_mm
        if end is not None and (end < outer.at_mm - _SAME_EXIT_MM or outer.steepness > _ACROSS):
            return below
        if inner is None or not entry_mm < inner.at_mm < outer.at_mm:
            none = Edge(None, None, (Flag.ALL_CORTEX,))
            return replace(below, second=none, second_end=self._edge(outer), second_thickness=none)
        thickness, _ = self._thickness(outer, inner)
        return replace(below, second=self._edge(inner), second_end=self._edge(outer), second_thickness=thickness)

    def _into_the_side(self, entry_mm: float, inner: Crossing | None) -> BelowCrest:
        """The same where the axis enters a plate within the fitted outline but leaves it below."""
        below = self.beyond.below
        crest = self.shell.cross(True, 1, 0.0, "min")
        second = below.second.at_mm
        if inner is None or crest is None or inner.at_mm < max(crest.at_mm, entry_mm) + _LEAST_WAY_MM:
            return below
        if second is None or second < inner.at_mm + _SAME_EXIT_MM or inner.steepness > _ACROSS:
            return below
        edge = self._edge(inner)
        end = below.second_end
        thick = Edge(None, None, (Flag.NO_EDGE_FOUND,))
        if end.at_mm is not None:
            slant_sd = _SLANT_SD_SHARE * (end.at_mm - inner.at_mm)
            thick = Edge(end.at_mm - inner.at_mm, float(np.hypot(edge.sd_mm or 0.0, slant_sd)), (Flag.UNCERTAIN,))
        return replace(below, second=edge, second_thickness=thick)

    def _doubted(self, apart_mm: float) -> AxisReading:
        """The crest by the half-maximum rule, its interval wide enough to hold the fit's answer, and flagged.

        Where grey climbs over several millimetres (an open, spongy crest) the fit can settle at the foot of the climb.
        """
        sd = abs(apart_mm) / 1.96

        def wide(edge: Edge) -> Edge:
            return edge if edge.at_mm is None else replace(edge, sd_mm=sd, flags=(*edge.flags, Flag.UNCERTAIN))

        own = self.beyond
        return replace(own, entry=wide(own.entry), crest_end=wide(own.crest_end), crest=wide(own.crest))

    def line(self, depth_mm: float, *, rough: bool = False) -> LineReading:
        """Edges on the line across the axis."""
        return LineReading(self._plate(depth_mm, 1, rough), self._plate(depth_mm, -1, rough))

    def surface(self, depth_mm: float) -> tuple[float | None, float | None]:
        """Outer surface buccally and lingually, also where the axis has left the bone."""
        plain: tuple[float | None, float | None] = (None, None)
        if depth_mm > min(self._bottom(1), self._bottom(-1)):
            plain = self.plain.surface(depth_mm)
        found = [self.shell.cross(False, 0, depth_mm, keep) for keep in ("max", "min")]
        buccal = plain[0] if depth_mm > self._bottom(1) else None if found[0] is None else found[0].at_mm
        lingual = plain[1] if depth_mm > self._bottom(-1) else None if found[1] is None else found[1].at_mm
        return buccal, lingual

    def _plate(self, depth_mm: float, sign: int, rough: bool) -> Plate:
        keep = "max" if sign > 0 else "min"
        outer = self.shell.cross(False, 0, depth_mm, keep)
        if outer is None and depth_mm > self._bottom(sign):
            # Deeper than the fitted outline: the plain rule still has an answer.
            line = self.plain.line(depth_mm)
            return line.buccal if sign > 0 else line.lingual
        if outer is None or sign * outer.at_mm < 0:
            none = Edge(None, None, (Flag.BEYOND_BONE,))
            return Plate(none, none, none)
        outer_edge = self._edge(outer, sign)
        if self.apex is not None and self.apex.covers(depth_mm, sign, outer=True):
            at = self.apex.outer_at(depth_mm, sign)
            if at is not None and sign * at[0] > 0:
                sd = float(np.hypot(at[1], self._model_sd(_EDGE, self.apex.end_mm - self.apex.entry_mm)))
                outer_edge = Edge(sign * at[0] + self.shell.edge_gradient_mm[0], sd)
        none = Edge(None, None, (Flag.ALL_CORTEX,))
        if self.apex is not None and self.apex.covers(depth_mm, sign):
            return self._beside_apex(self.apex, depth_mm, sign, outer_edge) or Plate(outer_edge, none, none)
        inner = self.shell.cross(True, 0, depth_mm, keep)
        if inner is None or not sign * inner.at_mm < sign * outer.at_mm:
            return Plate(outer_edge, none, none)
        if self._misfit(inner.s_mm) > _MISFIT_LIMIT:
            return self._joined(depth_mm, sign, outer_edge, inner, rough)
        thickness, obscure = self._thickness(outer, inner)
        inner_edge = self._edge(inner, sign)
        if self.narrow and (self.apex is None or depth_mm < self.apex.bottom_mm):
            thickness, inner_edge = self._widened(thickness), self._widened(inner_edge)
        return Plate(outer_edge, inner_edge, thickness, obscure)

    def _beside_apex(self, apex: Apex, depth_mm: float, sign: int, outer: Edge) -> Plate | None:
        """Plate beside the tip of the spongy bone of a narrow crest; None where all is cortex."""
        inner = apex.inner_at(depth_mm, sign)
        if inner is None or outer.at_mm is None:
            return None
        thin_mm = self.shell.edge_gradient_mm[1] - self.shell.edge_gradient_mm[0]
        at = sign * inner[0] - thin_mm
        value = outer.at_mm - at
        if value <= 0:
            return None
        sd = float(np.hypot(inner[1], self._model_sd(_THICKNESS, value)))
        # A line that grazes the tip crosses it wherever the tip's own doubt lets it.
        deeper = apex.inner_at(depth_mm + 1.96 * apex.end_sd_mm, sign)
        if deeper is not None:
            sd = float(np.hypot(sd, (deeper[0] - inner[0]) / 1.96))
        both = float(np.hypot(sd, outer.sd_mm or 0.0))
        flags, obscure = self._doubts(value, both, both / value)
        return Plate(outer, Edge(at, sd), Edge(value, both, flags), obscure)

    def _bottom(self, sign: int) -> float:
        """Depth of the end of the fitted outline on one side (the curve runs from buccal to lingual)."""
        end = 0 if sign > 0 else -1
        return float(self.shell.outer[end, 0]) - 0.2

    def _joined(self, depth_mm: float, sign: int, outer: Edge, fitted: Crossing, rough: bool) -> Plate:
        """Plate where the shell model does not hold: another layer, such as a sinus floor, joins it there."""
        line = self.plain.line(depth_mm)
        plain = line.buccal.inner if sign > 0 else line.lingual.inner
        at = outer.at_mm or 0.0
        answers = [at - sign * fitted.at_mm] + ([] if plain.at_mm is None else [at - plain.at_mm])
        starts = answers + ([_THICK_START_MM] if max(answers) < _THICK_START_MM else [])
        found = None if rough else self.junctions.thickness(self._line(depth_mm, sign, at), starts)
        if found is None:
            thickness, sd = answers[-1], (max(answers) - min(answers)) / 1.96 + _JOINED_SD_MM
        else:
            thickness, sd = found[0] + self.shell.edge_gradient_mm[1], found[1]
        if sd > _TELLABLE_SD_MM and not rough:
            none = Edge(None, None, (Flag.JOINED_LAYER,))
            return Plate(outer, none, none)
        doubt = (Flag.UNCERTAIN,) if 1.96 * sd > UNCERTAIN_MM else ()
        return Plate(outer, Edge(at - thickness, sd, doubt), Edge(max(thickness, 0.0), sd, doubt))

    def _line(self, depth_mm: float, sign: int, outer_mm: float) -> Line:
        """The line at a depth with the outer surface as the scan shows it."""
        keep = "max" if sign > 0 else "min"
        ends = [self.shell.cross(False, 0, depth_mm + d, keep) for d in (-_SLOPE_OVER_MM, _SLOPE_OVER_MM)]
        a, b = ends
        slope = 0.0 if a is None or b is None else sign * (b.at_mm - a.at_mm) / (2 * _SLOPE_OVER_MM)
        fit = self.shell.fit
        here = self.shell.cross(False, 0, depth_mm, keep)
        s = np.array([0.0 if here is None else here.s_mm])
        soft = float((fit.layout.outside.basis(s) @ fit.theta[fit.layout.slices()[4]])[0])
        seen = outer_mm - self.shell.edge_gradient_mm[0] * float(np.sqrt(1 + slope**2))
        return Line(depth_mm, sign, seen, slope, soft)

    def _edge(self, crossing: Crossing, sign: int = 1) -> Edge:
        own = self.shell.sd(crossing.gradient) * self._misfit(crossing.s_mm)
        own = float(np.hypot(own, self._streaks(_EDGE, crossing)))
        systematic = self._systematic(_EDGE, crossing)
        return Edge(sign * crossing.at_mm, float(np.hypot(own, systematic)), shared_sd_mm=systematic)

    def _bend_sd(self, outer: Crossing) -> float:
        """SD of the bone entry from what a varying curvature of the crest leaves of the blur's shift."""
        curve = self.shell.fit.curve
        bend = max(float(np.interp(outer.s_mm, curve.s_mm, curve.curvature)), 0.0)
        return bend * self.blur_mm**2 * bend * _BEND_REACH_MM

    def _thickness(self, outer: Crossing, inner: Crossing) -> tuple[Edge, Obscure | None]:
        value = abs(outer.at_mm - inner.at_mm)
        own = self.shell.sd(outer.gradient - inner.gradient) * self._misfit(inner.s_mm)
        own = float(np.hypot(own, self._streaks(_THICKNESS, inner)))
        systematic = self._systematic(_THICKNESS, inner)
        sd = float(np.hypot(own, systematic)) + (_FOLD_SD_MM if inner.folded else 0.0)
        k = int(np.clip(round(inner.s_mm / 0.1), 0, len(self.shell.t) - 1))
        flags, obscure = self._doubts(value, sd, float(self.shell.log_t_sd[k]))
        return Edge(value, sd, flags), obscure

    def _doubts(self, value_mm: float, sd_mm: float, log_sd: float) -> tuple[tuple[Flag, ...], Obscure | None]:
        """Marks of a thickness, and what is left to say where it cannot be told from density."""
        flags = (Flag.THIN_CORTEX,) if value_mm < 1.2 * self.blur_mm else ()
        if log_sd <= _OBSCURE_LOG_SD and value_mm > _OBSCURE_BLURS * self.blur_mm:
            return flags, None
        fit = self.shell.fit
        over_hu = (float(fit.theta[fit.layout.slices()[6]][0]) - self.shell.soft) / fit.prior.per_hu
        product = value_mm * max(over_hu, _LEAST_OVER_SOFT_HU)
        by_noise = value_mm * float(np.exp(1.96 * min(log_sd, 1.0)))
        limit = max(product / _LEAST_OVER_SOFT_HU, by_noise, value_mm + 1.96 * sd_mm)
        return (Flag.THICKNESS_OR_DENSITY, *flags), Obscure(limit, product)

    def _systematic(self, which: int, crossing: Crossing) -> float:
        """SD along a line of what the model leaves out."""
        t = float(np.interp(crossing.s_mm, self.shell.fit.curve.s_mm, self.shell.t))
        return self._model_sd(which, t) / max(crossing.steepness, STEEPEST)

    def _streaks(self, which: int, crossing: Crossing) -> float:
        """SD along a line of what metal nearby does to an edge or a thickness."""
        return _STREAK_BLURS[which] * self.blur_mm / max(crossing.steepness, STEEPEST) if self.metal else 0.0

    def _model_sd(self, which: int, t_mm: float) -> float:
        """SD along the normal of what the model leaves out at an edge or in a thickness (`which`)."""
        fwhm = _FWHM_PER_SD * self.blur_mm
        constant = _SYSTEMATIC_MM[which] + _SYSTEMATIC_PER_MM[which] * self.blur_mm**2
        gradient = EDGE_GRADIENT_SD_SHARE * self.shell.edge_gradient_mm[which]
        thin = _THIN_SHARE[which] * max(fwhm - t_mm, 0.0)
        felt = float(np.clip((_WING_FROM * fwhm - t_mm) / ((_WING_FROM - _WING_TO) * fwhm), 0.0, 1.0))
        wings = _WING_SHARE[which] * t_mm * felt
        return float(np.sqrt(constant**2 + gradient**2 + thin**2 + wings**2))

    def _misfit(self, s_mm: float) -> float:
        """How much larger the residuals near this place are than the noise, as a factor on SD, never below 1."""
        fit = self.shell.fit
        here = float(np.interp(s_mm, fit.curve.s_mm, fit.local_misfit))
        return float(np.sqrt(np.clip(here, 1.0, 100.0)))
