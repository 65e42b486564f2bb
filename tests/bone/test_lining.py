"""A cavity's floor plate under soft lining, against profiles in closed form: steps blurred by a Gaussian."""

import numpy as np
import pytest
from scipy.special import ndtr

from siteplan.bone.block import SiteBlock
from siteplan.bone.floor import Below, Layer, find_layers
from siteplan.bone.floor_fit import fit_layer
from siteplan.bone.levels import GreyLevels
from siteplan.bone.lining import LINING_PARAMETERS, air_step
from siteplan.bone.section import Section
from siteplan.frame import site_frame
from tests.validation import jaw
from tests.validation.lined import LinedJaw

AIR, SOFT, BONE, CORTEX = -1000.0, 50.0, 265.0, 1187.0
LEVELS = GreyLevels(AIR, SOFT, 30.0, 30.0, SOFT - AIR)
END_MM = 8.0
NOISE = 40.0
SLANT = (0.05, 0.1)


def floor_plate(thick: float, lining: float, blur: float, *, closed: bool = True, soft: float = SOFT) -> Layer:
    """The layer found and fitted in bone, a plate to 8 mm, lining and air, all in parallel planes.

    closed: whether the section's outline closes round the cavity or ends where bone does.
    """
    spacing = 0.3 if blur > 0.2 else 0.2
    depth, side = np.arange(2, 14, spacing), np.arange(-7, 8) * spacing
    z = depth[:, None, None] - SLANT[0] * side[None, :, None] - SLANT[1] * side[None, None, :] - END_MM
    tau = blur * np.sqrt(1 + SLANT[0] ** 2 + SLANT[1] ** 2)
    grey = BONE + (CORTEX - BONE) * ndtr((z + thick) / tau) + (soft - CORTEX) * ndtr(z / tau)
    grey += (AIR - soft) * ndtr((z - lining) / tau)
    grey += np.random.default_rng(7).normal(0, NOISE, grey.shape)
    frame = site_frame((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))
    block = SiteBlock(grey.astype(np.float32), frame, depth, side, side, spacing, (spacing,) * 3)
    bone = np.broadcast_to((depth < END_MM + (10 if closed else 0))[:, None], grey.shape[:2])
    section = Section(grey[:, :, 7].astype(np.float32), bone, 0, SOFT + 190, SOFT, CORTEX)
    start = next(s for s in find_layers(block, section, LEVELS, 2.5) if s.below is not Below.CANAL)
    layer = fit_layer(block, start, LEVELS, (CORTEX, 45.0), (blur, blur), np.array([0.0, 0.0, 1.0]), NOISE, 4.0)
    assert layer is not None
    return layer


@pytest.mark.parametrize(
    ("blur", "lining", "closed"),
    [
        (0.12, 0.0, True),
        (0.12, 0.4, True),
        (0.12, 2.0, False),
        (0.28, 0.0, True),
        (0.28, 0.5, False),
        (0.28, 0.8, True),
        (0.28, 1.2, False),
        (0.28, 2.0, True),
        (0.28, 3.5, True),
    ],
)
def test_lining_is_not_taken_for_bone(blur: float, lining: float, closed: bool):
    layer = floor_plate(0.57, lining, blur, closed=closed)
    assert layer.far_mm - layer.near_mm == pytest.approx(0.57, abs=0.04)
    assert layer.near_mm == pytest.approx(END_MM - 0.57, abs=0.04)
    assert layer.far_mm == pytest.approx(END_MM, abs=0.04)
    assert layer.thickness_sd_mm < 0.1


@pytest.mark.parametrize(("blur", "lining"), [(0.12, 0.1), (0.28, 0.1), (0.28, 0.2), (0.28, 0.3)])
def test_lining_too_thin_to_be_told_stays_within_the_interval(blur: float, lining: float):
    layer = floor_plate(0.57, lining, blur)
    assert abs(layer.far_mm - layer.near_mm - 0.57) < 1.96 * layer.thickness_sd_mm
    assert abs(layer.near_mm - END_MM + 0.57) < 1.96 * layer.near_sd_mm


@pytest.mark.parametrize("blur", [0.12, 0.28])
def test_plate_before_a_cavity_full_of_fluid_is_its_floor(blur: float):
    layer = floor_plate(0.57, 99.0, blur)
    assert layer.below is Below.FILLED
    assert layer.near_mm == pytest.approx(END_MM - 0.57, abs=0.04)
    assert layer.far_mm == pytest.approx(END_MM, abs=0.04)


@pytest.mark.parametrize(("soft", "lining"), [(SOFT - 80, 0.5), (SOFT + 80, 0.8), (SOFT - 80, 1.2)])
def test_lining_of_another_grey_than_the_scans_soft_tissue_stays_within_the_interval(soft: float, lining: float):
    layer = floor_plate(0.57, lining, 0.28, soft=soft)
    assert abs(layer.far_mm - layer.near_mm - 0.57) < 1.96 * layer.thickness_sd_mm


def test_derivatives_of_the_step_to_air():
    rng = np.random.default_rng(3)
    below, b, m = rng.uniform(-1, 2, 50), rng.uniform(-1, 1, 50), rng.uniform(-1, 1, 50)
    design = np.stack([np.ones(50), b, m, b**2, m**2, b * m], axis=1)
    own, tau = np.array([np.log(0.8), AIR, 0.1, -0.05, 0.03, -0.02, 0.04]), np.full(50, 0.28)
    at = air_step(own, SOFT, below, design, tau)
    for k in range(LINING_PARAMETERS):
        move = (1e-2 if k == 1 else 1e-5) * np.eye(LINING_PARAMETERS)[k]
        up, down = (air_step(own + s * move, SOFT, below, design, tau).value for s in (1, -1))
        assert at.by_own[:, k] == pytest.approx((up - down) / (2 * move[k]), abs=0.05)
    h = 1e-5
    for name, args in (("by_depth", (below + h, tau, below - h, tau)), ("by_tau", (below, tau + h, below, tau - h))):
        up, down = (air_step(own, SOFT, args[i], design, args[i + 1]).value for i in (0, 2))
        assert getattr(at, name) == pytest.approx((up - down) / (2 * h), abs=0.05)
    up, down = (air_step(own, SOFT + s, below, design, tau).value for s in (1, -1))
    assert at.by_soft == pytest.approx((up - down) / 2, abs=1e-6)


def test_simulated_floor_has_its_plate_and_lining_where_they_were_put():
    # Sinus of half axes 7 and 8 mm whose floor is 8 mm below a crest at 9 mm; on its axis layers are what was put in.
    lined = LinedJaw(half_height=9.0, sinus=(0.0, 8.0, 7.0, 8.0, 0.9), lining_mm=1.3, slant=(0.2, 0.0))
    for s in (0.0, 1.0):
        away = 8.0 * (1 - np.sqrt(1 - (s / 15.0) ** 2))
        edges = np.array([1.0 + 0.9 + 0.02, 1.0 + 0.88, 1.02, 0.98, 1.02 - 1.3 - 0.2 * s, 0.98 - 1.3 - 0.2 * s]) - away
        found = lined.material(np.full(6, s), np.zeros(6), edges)
        assert found.tolist() == [jaw.CANCELLOUS, jaw.CORTEX, jaw.CORTEX, jaw.LINING, jaw.LINING, jaw.CAVITY]
