"""Published laws from CT number to density, and from density to stiffness and strength of bone.

None was made for jaws and cone-beam scans. Two laws are kept for each step, so that their disagreement becomes part
of the interval of whatever is computed from them. Densities are apparent, in g/cm3; moduli and strengths in MPa.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

HU_LAWS: tuple[tuple[float, float], ...] = ((131.0, 1.067), (47.0, 1.122))
"""kg/m3 = a + b HU. Rho JY et al., 1995, Med Eng Phys 17:347-355, as used in later work; coefficients from memory."""

STRAIN_RATE = 0.01
"""Per second, for the rate factor of Carter and Hayes: a fixture is turned in slowly (our own estimate)."""

ASH_SHARE = 0.6
"""Ash density over apparent density of bone (from memory; used where a law counts in ash density)."""

DENSEST = 1.9
"""g/cm3; compact bone. CT numbers above it are metal or noise (from memory)."""

POISSON = 0.3
"""Of bone (usual value, from memory)."""

CORTEX_DENSITY = (1.2, 1.8)
"""g/cm3 from porous to compact cortex of a crest. CT numbers predict little there (r2 at most 0.2: Rho 1995,
confirmed), so this range is used instead of them (range: our own, from memory)."""


def density(hu: ArrayLike, law: int) -> Array:
    """Apparent density of a CT number by one of `HU_LAWS`, from nothing to `DENSEST`."""
    a, b = HU_LAWS[law]
    found: Array = np.clip((a + b * np.asarray(hu, dtype=np.float64)) / 1000.0, 0.0, DENSEST)
    return found


def modulus(apparent: ArrayLike, law: int) -> Array:
    """Young's modulus. Law 0: E = 3790 rate^0.06 rho^3, Carter DR, Hayes WC, 1977, J Bone Joint Surg Am 59:954-962.

    Law 1: E = 6850 rho^1.49 (Morgan EF et al., 2003, J Biomech 36:897-904, from memory; credited otherwise elsewhere).
    """
    rho = np.asarray(apparent, dtype=np.float64)
    made: Array = 3790.0 * STRAIN_RATE**0.06 * rho**3 if law == 0 else 6850.0 * rho**1.49
    return made


def strength(apparent: ArrayLike, law: int) -> Array:
    """Crushing strength. Law 0: S = 68 rate^0.06 rho^2, Carter and Hayes 1977 (from memory).

    Law 1: S = 137 rho_ash^1.88, Keyak JH et al., 1994, or Keller TS, 1994 (sources differ).
    """
    rho = np.asarray(apparent, dtype=np.float64)
    made: Array = 68.0 * STRAIN_RATE**0.06 * rho**2 if law == 0 else 137.0 * (ASH_SHARE * rho) ** 1.88
    return made
