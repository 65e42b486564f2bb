"""The two surfaces of a fitted shell in the section plane, and where lines cross them."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from siteplan.bone.edge_gradient import edge_gradient
from siteplan.bone.shell_fit import Array, ShellFit

_FOLD_MM, _FOLD_STEP_MM, _FOLD_REACH_MM = 0.08, 0.02, 2.0
"""A crossing this deep inside other cortex is folded; how finely and how far its true place is looked for."""
STEEPEST = 0.2
"""A line that meets a surface at less than about 12 degrees gives no trustworthy position on it."""


@dataclass(frozen=True, eq=False)
class Crossing:
    """Where a line meets a curve: position on the line, arc length, and d position / d parameters (P,).

    folded: found beyond a fold of the inner surface, see `Shell.cross`.
    """

    at_mm: float
    s_mm: float
    gradient: Array
    steepness: float
    folded: bool = False


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
    def soft(self) -> float:
        """Grey value of soft tissue around the shell."""
        return float(self.fit.theta[self.fit.layout.slices()[4]].mean())

    @cached_property
    def edge_gradient_mm(self) -> tuple[float, float]:
        """How far the outer surface reads too deep, and how much too thin the cortex reads (see `edge_gradient`)."""
        theta, parts, prior = self.fit.theta, self.fit.layout.slices(), self.fit.prior
        return edge_gradient(
            float(np.exp(theta[parts[7]][0])), (float(theta[parts[6]][0]) - self.soft) / prior.per_hu, prior.voxel_mm
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
        gain = float(ray @ normal) / (np.copysign(max(abs(steep), STEEPEST), steep))
        gradient = np.zeros(len(self.fit.theta))
        parts = self.fit.layout.slices()
        gradient[parts[0]] = gain * ((1 - f) * self.bases[0][i] + f * self.bases[0][i + 1])
        if inner:
            gradient[parts[3]] = gain * (
                (1 - f) * self.t[i] * self.bases[1][i] + f * self.t[i + 1] * self.bases[1][i + 1]
            )
        found = Crossing(float(free[best]), float(self.fit.curve.s_mm[i]) + f * 0.1, gradient, abs(steep))
        return self._unfolded(found, fixed_axis, fixed) if inner else found

    def _unfolded(self, found: Crossing, fixed_axis: int, fixed: float) -> Crossing:
        """A crossing of the inner surface, moved on to where cortex really ends.

        Round a narrow crest the points at cortex thickness below the surface fold over: some lie inside the cortex
        of the other flank. Cortex ends where no point of the outer surface is nearer than its own thickness.
        """
        free = 1 - fixed_axis
        line = np.zeros(2)
        line[fixed_axis], line[free] = fixed, found.at_mm
        thickness = self.t + self.edge_gradient_mm[1]
        if self._within(line, thickness)[0] > -_FOLD_MM:
            return found
        i = int(np.clip(round(found.s_mm / 0.1), 0, len(self.t) - 1))
        onwards = float(np.sign(found.at_mm - self.outer[i, free]))
        step, reach = onwards * _FOLD_STEP_MM, 0.0
        while reach < _FOLD_REACH_MM:
            line[free] += step
            reach += _FOLD_STEP_MM
            inside, k = self._within(line, thickness)
            if inside >= 0:
                break
        ray = (line - self.outer[k]) / max(float(np.linalg.norm(line - self.outer[k])), 1e-9)
        steep = np.copysign(max(abs(float(ray[free])), STEEPEST), float(ray[free]))
        gradient = np.zeros(len(self.fit.theta))
        parts = self.fit.layout.slices()
        gradient[parts[0]] = float(ray @ self.fit.curve.normal[k]) / steep * self.bases[0][k]
        gradient[parts[3]] = self.t[k] / steep * self.bases[1][k]
        return Crossing(float(line[free]), float(self.fit.curve.s_mm[k]), gradient, abs(float(ray[free])), folded=True)

    def _within(self, point: Array, thickness: Array) -> tuple[float, int]:
        """Least distance beyond the cortex (negative inside it) and which point of the outer surface it belongs to."""
        beyond = np.hypot(*(self.outer - point).T) - thickness
        k = int(np.argmin(beyond))
        return float(beyond[k]), k

    def sd(self, gradient: Array) -> float:
        """SD of a linear function of the parameters."""
        return float(np.sqrt(max(float(gradient @ self.fit.covariance @ gradient), 0.0)))
