"""Torque against depth while a fixture turns into a hole, for many guesses of what is not known at once.

At every depth of insertion each slice of the fixture stands in one layer of bone. The core presses on the wall where
it is wider than the hole (press fit, crushed at the strength of bone); the thread presses with both flanks where it
stands in bone. Friction on both surfaces, times their lever, adds up to the torque. Cortex and cancellous bone are
added up apart.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplan.fixture import Fixture
from siteplan.surgery import bone_laws
from siteplan.surgery.press_fit import NMM_PER_NCM, crushed, friction_torque, rigid_in_infinite

Array = NDArray[np.float64]

STEP_MM = 0.25
"""Thickness of a slice and of a layer: well below a cortex, fine enough that a smaller one changes nothing seen."""

NARROWEST_HOLE_MM = 0.25
"""Radius taken where no drill was: keeps the press-fit formula finite, far beyond crushing anyway."""

TAPPED_SHARE = 0.4
"""Share of the flank pressure that is left where a tap has cut the groove before (our own estimate, no source)."""


@dataclass(frozen=True, eq=False)
class Guesses:
    """What is not known, one value per guess (N,).

    Attributes:
        friction: between fixture and bone.
        contact: share of the nominal surface and pressure that really acts.
        oversize_mm: by how much the hole is wider than the drill, in diameter.
        hu_error: added to every CT number.
        cortex_mm: (C, N) thickness of each cortex; cortex_density: g/cm3.
        law: which of the two laws of density, stiffness and strength.
        residual: factor for all that the model leaves out.
    """

    friction: Array
    contact: Array
    oversize_mm: Array
    hu_error: Array
    cortex_mm: Array
    cortex_density: Array
    law: NDArray[np.int64]
    residual: Array


@dataclass(frozen=True, eq=False)
class Layers:
    """Bone by layer (X,): depth_mm of its middle, hu, hole_mm the drilled radius; and where each cortex starts."""

    depth_mm: Array
    hu: Array
    hole_mm: Array
    cortex_start_mm: tuple[float, ...]


def torques(fixture: Fixture, layers: Layers, guesses: Guesses, *, tapped: bool) -> tuple[Array, Array, Array]:
    """(insertion depths (K,), cortex (N, K), cancellous (N, K)), torques in N·cm.

    Insertion depths are those of the apex below the bone entry, from bone entry to the last layer.
    """
    slices = np.arange(STEP_MM / 2, fixture.length_mm, STEP_MM)
    core = np.interp(slices, fixture.core.z_mm, fixture.core.r_mm)
    outer = np.maximum(np.interp(slices, fixture.body.z_mm, fixture.body.r_mm), core)
    cortical, cancellous = _layer_bone(layers, guesses)
    apex = layers.depth_mm + STEP_MM / 2
    out = []
    for share, modulus, crush in (cortical, cancellous):
        hold = np.zeros((len(guesses.friction), len(apex)))
        for n in range(len(slices)):
            # Slice n stands `behind` layers above the one that the apex has reached.
            behind = len(slices) - 1 - n
            if behind >= len(apex):
                continue
            here = slice(0, len(apex) - behind)
            hold[:, behind:] += _slice_torque(
                core[n], outer[n], fixture.thread_lead_mm, layers.hole_mm[here], share[:, here], modulus[:, here],
                crush[:, here], guesses, tapped,
            )  # fmt: skip
        out.append(hold * (guesses.contact * guesses.residual)[:, None] / NMM_PER_NCM)
    return apex, out[0], out[1]


def _slice_torque(
    core: float,
    outer: float,
    lead_mm: float,
    hole: Array,
    share: Array,
    modulus: Array,
    crush: Array,
    guesses: Guesses,
    tapped: bool,
) -> Array:
    """(N, X) N·mm of one slice in each layer."""
    drilled = np.where(hole > 0, hole + guesses.oversize_mm[:, None] / 2, NARROWEST_HOLE_MM)
    friction = guesses.friction[:, None]
    elastic = rigid_in_infinite(core - drilled, drilled, modulus, bone_laws.POISSON)
    held = friction_torque(friction, crushed(elastic, crush), core, STEP_MM)
    inner = np.maximum(drilled, core)
    height = np.maximum(outer - inner, 0.0)
    flank = friction_torque(friction, crush * (TAPPED_SHARE if tapped else 1.0), (outer + inner) / 2, STEP_MM)
    total: Array = share * (held + flank * 2 * height / lead_mm)
    return total


_Bone = tuple[Array, Array, Array]


def _layer_bone(layers: Layers, guesses: Guesses) -> tuple[_Bone, _Bone]:
    """(share of layer, modulus, strength), each (N, X), of cortex and of cancellous bone."""
    top = layers.depth_mm - STEP_MM / 2
    share = np.zeros((len(guesses.friction), len(layers.depth_mm)))
    for start, thickness in zip(layers.cortex_start_mm, guesses.cortex_mm, strict=True):
        end = start + thickness[:, None]
        share += np.clip(np.minimum(top + STEP_MM, end) - np.maximum(top, start), 0.0, STEP_MM) / STEP_MM
    share = np.clip(share, 0.0, 1.0)
    hu = layers.hu + guesses.hu_error[:, None]
    law = guesses.law[:, None]
    spongy = np.where(law == 0, bone_laws.density(hu, 0), bone_laws.density(hu, 1))
    compact = np.broadcast_to(guesses.cortex_density[:, None], spongy.shape)
    made = []
    for part, rho in ((share, compact), (1 - share, spongy)):
        modulus = np.where(law == 0, bone_laws.modulus(rho, 0), bone_laws.modulus(rho, 1))
        crush = np.where(law == 0, bone_laws.strength(rho, 0), bone_laws.strength(rho, 1))
        made.append((part, modulus, crush))
    return made[0], made[1]
