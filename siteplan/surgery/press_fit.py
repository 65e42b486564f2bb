"""Press fit of a round body in bone, in closed form.

Thick-walled cylinders after Lamé, as in Budynas R, Nisbett K, Shigley's Mechanical Engineering Design (press and
shrink fits). Lengths mm, pressures and moduli MPa, torques N·mm unless the name says N·cm.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

NMM_PER_NCM = 10.0


def wall_pressure(
    interference_mm: float,
    radius_mm: float,
    *,
    outer_radius_mm: float,
    outer_modulus: float,
    outer_poisson: float,
    inner_modulus: float,
    inner_poisson: float,
    inner_bore_radius_mm: float = 0.0,
) -> float:
    """Contact pressure of two elastic cylinders: p = delta / (R (Ko + Ki)); `interference_mm` is radial."""
    r2, o2, i2 = radius_mm**2, outer_radius_mm**2, inner_bore_radius_mm**2
    outer = ((o2 + r2) / (o2 - r2) + outer_poisson) / outer_modulus
    inner = ((r2 + i2) / (r2 - i2) - inner_poisson) / inner_modulus
    return interference_mm / (radius_mm * (outer + inner))


def rigid_in_infinite(interference_mm: ArrayLike, radius_mm: ArrayLike, modulus: ArrayLike, poisson: float) -> Array:
    """The limit for a rigid body in a very thick wall: p = E delta / (R (1 + nu)); none without interference."""
    gap = np.maximum(np.asarray(interference_mm, dtype=np.float64), 0.0)
    pressure: Array = np.asarray(modulus) * gap / (np.asarray(radius_mm) * (1 + poisson))
    return pressure


def crushed(pressure: ArrayLike, strength: ArrayLike) -> Array:
    """Elastic pressure up to the strength of the wall: beyond it bone is crushed and holds no more than that.

    Cellular bone is crushed at a nearly constant stress, so the wall is taken as elastic and ideally plastic.
    """
    held: Array = np.minimum(np.asarray(pressure, dtype=np.float64), strength)
    return held


def friction_torque(friction: ArrayLike, pressure: ArrayLike, radius_mm: ArrayLike, length_mm: ArrayLike) -> Array:
    """Torque (N·mm) that turns a cylinder against its wall: T = 2 pi mu p R^2 L."""
    torque: Array = 2 * np.pi * np.asarray(friction) * np.asarray(pressure) * np.asarray(radius_mm) ** 2 * length_mm
    return torque
