"""Edges on lines and on the axis from a fitted shell, each with the SD that the fit gives it."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from siteplan.bone.edge_gradient import EDGE_GRADIENT_SD_SHARE, edge_gradient
from siteplan.bone.reading import AxisReading, Edge, LineReading, Plate, SectionReader
from siteplan.bone.shell_fit import Array, ShellFit
from siteplan.flags import Flag

_EDGE_SYSTEMATIC_MM = 0.005
_EDGE_SYSTEMATIC_BLUR_SHARE = 0.03
"""SD of what the model leaves out at an outer edge: a constant and a share of the blur SD."""
_THICKNESS_SYSTEMATIC_MM = 0.004
_THICKNESS_SYSTEMATIC_BLUR_SHARE = 0.035
"""The same for a thickness."""
_THIN_EDGE_SHARE, _THIN_THICKNESS_SHARE = 0.17, 0.3
"""Where cortex is thinner than the blur's full width at half maximum its density is hardly known: SD added per mm that
is missing (all of these: our own estimates from simulated volumes, `tests/validation`)."""
_FWHM_PER_SD = 2.354820
_MISFIT_LIMIT = 2.0
_MISFIT_HOPELESS = 4.0
_JOINED_SD_MM = 0.2
"""Residuals this much above the noise mean that the shell model does not hold there; SD of the fallback then (our own
estimates from simulated volumes with a sinus floor that joins the plates)."""
_STEEPEST = 0.2
"""A line that meets a surface at less than about 12 degrees gives no trustworthy position on it."""
_OBSCURE_LOG_SD = 0.35
"""Log thickness known no better than this: the scan cannot tell thickness from density."""


@dataclass(frozen=True, eq=False)
class Crossing:
    """Where a line meets a curve: position on the line, arc length, and d position / d parameters (P,)."""

    at_mm: float
    s_mm: float
    gradient: Array
    steepness: float


@dataclass(frozen=True, eq=False)
class Shell:
    """The two surfaces of a fit in the section plane, densely sampled.

    outer, inner: (P, 2) depth and buccal mm. t: (P,) thickness along the outer normal.
    """

    fit: ShellFit

    @cached_property
    def bases(self) -> tuple[Array, Array]:
        """Edge and thickness basis at the curve's points."""
        s = self.fit.curve.s_mm
        return self.fit.layout.edge.basis(s), self.fit.layout.thickness.basis(s)

    @cached_property
    def edge_gradient_mm(self) -> tuple[float, float]:
        """How far the outer surface reads too deep, and how much too thin the cortex reads (see `edge_gradient`)."""
        theta, parts, prior = self.fit.theta, self.fit.layout.slices(), self.fit.prior
        soft = float(theta[parts[4]].mean())
        return edge_gradient(
            float(np.exp(theta[parts[7]][0])), (float(theta[parts[6]][0]) - soft) / prior.per_hu, prior.voxel_mm
        )

    @cached_property
    def t(self) -> Array:
        """(P,) thickness along the normal."""
        return np.exp(self.bases[1] @ self.fit.theta[self.fit.layout.slices()[3]])

    @cached_property
    def outer(self) -> Array:
        """(P, 2) outer surface."""
        e = self.bases[0] @ self.fit.theta[self.fit.layout.slices()[0]] - self.edge_gradient_mm[0]
        points: Array = self.fit.curve.points_mm + e[:, None] * self.fit.curve.normal
        return points

    @cached_property
    def inner(self) -> Array:
        """(P, 2) inner surface."""
        thickness = self.t + self.edge_gradient_mm[1]
        points: Array = self.outer + thickness[:, None] * self.fit.curve.normal
        return points

    @cached_property
    def log_t_sd(self) -> Array:
        """(P,) SD of log thickness."""
        part = self.fit.layout.slices()[3]
        b = self.bases[1]
        sd: Array = np.sqrt(np.einsum("pi,ij,pj->p", b, self.fit.covariance[part, part], b))
        return sd

    def cross(self, inner: bool, fixed_axis: int, fixed: float, keep: str) -> Crossing | None:
        """First crossing of the surface with the line on which coordinate `fixed_axis` (0 depth, 1 buccal) is `fixed`.

        Args:
            keep: "max" or "min" of the free coordinate when there are several.
        """
        points = self.inner if inner else self.outer
        z = points[:, fixed_axis] - fixed
        k = np.flatnonzero((z[:-1] <= 0) != (z[1:] <= 0))
        if len(k) == 0:
            return None
        share = -z[k] / (z[k + 1] - z[k])
        free = points[k, 1 - fixed_axis] + share * (points[k + 1, 1 - fixed_axis] - points[k, 1 - fixed_axis])
        best = int(np.argmax(free) if keep == "max" else np.argmin(free))
        i = int(k[best])
        f = float(share[best])
        chord = points[i + 1] - points[i]
        normal = np.array([-chord[1], chord[0]]) / max(float(np.linalg.norm(chord)), 1e-9)
        ray = self.fit.curve.normal[i] * (1 - f) + self.fit.curve.normal[i + 1] * f
        # Moving the surface by 1 along `ray` moves the crossing by (ray . normal) / normal[free].
        steep = float(normal[1 - fixed_axis])
        gain = float(ray @ normal) / (np.copysign(max(abs(steep), _STEEPEST), steep))
        gradient = np.zeros(len(self.fit.theta))
        parts = self.fit.layout.slices()
        gradient[parts[0]] = gain * ((1 - f) * self.bases[0][i] + f * self.bases[0][i + 1])
        if inner:
            gradient[parts[3]] = gain * (
                (1 - f) * self.t[i] * self.bases[1][i] + f * self.t[i + 1] * self.bases[1][i + 1]
            )
        return Crossing(float(free[best]), float(self.fit.curve.s_mm[i]) + f * 0.1, gradient, abs(steep))

    def sd(self, gradient: Array) -> float:
        """SD of a linear function of the parameters."""
        return float(np.sqrt(max(float(gradient @ self.fit.covariance @ gradient), 0.0)))


_ENTRY_DISAGREEMENT_MM = 0.6
"""The half-maximum rule misplaces one edge of a thin shell by up to half of what it misjudges the thickness, 0.35 mm in
coarse scans; more than this apart, fit and rule see different things (from simulated jaws)."""


@dataclass(frozen=True, eq=False)
class ShellReader:
    """`SectionReader` by the joint fit."""

    shell: Shell
    beyond: AxisReading
    plain: SectionReader
    method: str = "joint fit of the blurred shell"

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
        inner = self.shell.cross(True, 1, 0.0, "min")
        if inner is None or inner.at_mm < outer.at_mm:
            none = Edge(None, None, (Flag.ALL_CORTEX,))
            return replace(self.beyond, entry=self._edge(outer), crest_end=none, crest=none, crest_limit_mm=None)
        thickness, limit = self._thickness(outer, inner)
        return replace(
            self.beyond, entry=self._edge(outer), crest_end=self._edge(inner), crest=thickness, crest_limit_mm=limit
        )

    def _doubted(self, apart_mm: float) -> AxisReading:
        """The crest by the half-maximum rule, its interval wide enough to hold the fit's answer, and flagged.

        Where grey climbs over several millimetres (an open, spongy crest) the fit can settle at the foot of the climb.
        """
        sd = abs(apart_mm) / 1.96

        def wide(edge: Edge) -> Edge:
            return edge if edge.at_mm is None else replace(edge, sd_mm=sd, flags=(*edge.flags, Flag.UNCERTAIN))

        own = self.beyond
        return replace(own, entry=wide(own.entry), crest_end=wide(own.crest_end), crest=wide(own.crest))

    def line(self, depth_mm: float) -> LineReading:
        """Edges on the line across the axis."""
        return LineReading(self._plate(depth_mm, 1), self._plate(depth_mm, -1))

    def _plate(self, depth_mm: float, sign: int) -> Plate:
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
        inner = self.shell.cross(True, 0, depth_mm, keep)
        if inner is None or not sign * inner.at_mm < sign * outer.at_mm:
            none = Edge(None, None, (Flag.ALL_CORTEX,))
            return Plate(outer_edge, none, none)
        if self._misfit(inner.s_mm) > _MISFIT_LIMIT:
            return self._joined(depth_mm, sign, outer_edge, inner)
        thickness, limit = self._thickness(outer, inner)
        return Plate(outer_edge, self._edge(inner, sign), thickness, limit)

    def _bottom(self, sign: int) -> float:
        """Depth of the end of the fitted outline on one side (the curve runs from buccal to lingual)."""
        end = 0 if sign > 0 else -1
        return float(self.shell.outer[end, 0]) - 0.2

    def _joined(self, depth_mm: float, sign: int, outer: Edge, fitted: Crossing) -> Plate:
        """Plate where the shell model does not hold: another layer, such as a sinus floor, joins it there.

        Fit and half-maximum rule are then both asked; the interval spans what they say.
        """
        line = self.plain.line(depth_mm)
        plain = line.buccal.inner if sign > 0 else line.lingual.inner
        answers = [sign * fitted.at_mm] + ([] if plain.at_mm is None else [plain.at_mm])
        chosen = answers[0] if self._misfit(fitted.s_mm) < _MISFIT_HOPELESS else answers[-1]
        sd = (max(answers) - min(answers)) / 1.96 + _JOINED_SD_MM
        rough = Edge(chosen, sd, (Flag.UNCERTAIN,))
        return Plate(outer, rough, Edge(max((outer.at_mm or 0.0) - chosen, 0.0), sd, (Flag.UNCERTAIN,)))

    def _edge(self, crossing: Crossing, sign: int = 1) -> Edge:
        own = self.shell.sd(crossing.gradient) * self._misfit(crossing.s_mm)
        systematic = self._systematic(_EDGE_SYSTEMATIC_MM, _EDGE_SYSTEMATIC_BLUR_SHARE, 0, crossing)
        return Edge(sign * crossing.at_mm, float(np.hypot(own, systematic)))

    def _thickness(self, outer: Crossing, inner: Crossing) -> tuple[Edge, float | None]:
        value = abs(outer.at_mm - inner.at_mm)
        own = self.shell.sd(outer.gradient - inner.gradient) * self._misfit(inner.s_mm)
        systematic = self._systematic(_THICKNESS_SYSTEMATIC_MM, _THICKNESS_SYSTEMATIC_BLUR_SHARE, 1, inner)
        sd = float(np.hypot(own, systematic))
        k = int(np.clip(round(inner.s_mm / 0.1), 0, len(self.shell.t) - 1))
        log_sd = float(self.shell.log_t_sd[k])
        flags: tuple[Flag, ...] = ()
        limit = None
        if log_sd > _OBSCURE_LOG_SD:
            flags = (Flag.THICKNESS_OR_DENSITY,)
            limit = value * float(np.exp(1.96 * min(log_sd, 1.0)))
        if value < 1.2 * self.blur_mm:
            flags = (*flags, Flag.THIN_CORTEX)
        return Edge(value, sd, flags), limit

    def _systematic(self, constant_mm: float, blur_share: float, which: int, crossing: Crossing) -> float:
        """SD along the line of what the model leaves out; `which` is 0 for an edge, 1 for a thickness."""
        gradient = EDGE_GRADIENT_SD_SHARE * self.shell.edge_gradient_mm[which]
        t = float(np.interp(crossing.s_mm, self.shell.fit.curve.s_mm, self.shell.t))
        missing = max(_FWHM_PER_SD * self.blur_mm - t, 0.0)
        thin = (_THIN_EDGE_SHARE, _THIN_THICKNESS_SHARE)[which] * missing
        along_normal = float(np.sqrt((constant_mm + blur_share * self.blur_mm) ** 2 + gradient**2 + thin**2))
        return along_normal / max(crossing.steepness, _STEEPEST)

    def _misfit(self, s_mm: float) -> float:
        """How much larger the residuals near this place are than the noise, as a factor on SD, never below 1."""
        fit = self.shell.fit
        here = float(np.interp(s_mm, fit.curve.s_mm, fit.local_misfit))
        return float(np.sqrt(np.clip(here, 1.0, 100.0)))
