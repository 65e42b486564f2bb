"""Grey values of a real head: plausible where published regional means put them, in wide bands."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from siteplan.bone import Calibration, measure_bone
from siteplan.bone.calibration import provisional_calibration
from siteplan.bone.levels import grey_levels
from siteplan.flags import Flag
from siteplan.frame import site_frame
from siteplan.scan import Scan, read_scan

pytestmark = pytest.mark.shared

# Crests by eye on rendered sections (columns, rows, slices) and buccal directions: left premolar, right molar gap.
GAPS = {"premolar": ((129.5, 56, 27), (0.91, -0.42, 0.0)), "molar": ((86.5, 63, 28), (-0.94, -0.34, 0.0))}


@pytest.fixture(scope="module")
def head(shared: Path) -> Scan:
    return read_scan(shared / "scans" / "cadaver_head")


def test_scale_from_air_and_soft_tissue_agrees_with_a_scale_that_is_in_hounsfield_units(head: Scan):
    # The series is a clinical CT whose air reads near -1000 and brain 35 to 50 (its own description).
    scale = provisional_calibration(grey_levels(head))
    for hu in (0.0, 300.0, 600.0, 1200.0):
        assert abs(scale.to_hu(hu) - hu) < 1.959964 * scale.sd_hu(hu, 0.0)
    assert scale.slope == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("place", GAPS)
def test_posterior_mandible_has_a_plausible_mean(head: Scan, shared: Path, place: str):
    # Norton and Gamble 2001, Shapurian 2006 and Turkyilmaz (158 and 131 sites), all confirmed: from the lowest mean
    # less two SD to the highest plus two SD.
    values = tomllib.loads((shared / "reference" / "reference_values.toml").read_text())["density_by_region"]
    studies = ("norton_gamble_2001", "turkyilmaz_158_sites", "shapurian_2006", "turkyilmaz_131_sites")
    means = [values[name]["value"]["posterior_mandible"][1:] for name in studies]
    low, high = min(m - 2 * sd for m, sd in means), max(m + 2 * sd for m, sd in means)
    (i, j, k), buccal = GAPS[place]
    crest = np.array([0.9375 * i - 120, 0.9375 * j - 120, 1.875 * k - 210])
    bone = measure_bone(head, site_frame(crest, [0, 0, -1], buccal), calibration=Calibration(1.0, 0.0))
    assert low < bone.mean_hu.value < high
    assert bone.provisional_hu.low <= bone.mean_hu.value <= bone.provisional_hu.high
    assert {Flag.PROVISIONAL_SCALE, Flag.NOT_CALIBRATED} <= set(bone.provisional_hu.flags)
    # Cupping and shading are reported: within tissue they stay below the step from soft tissue to dense bone.
    assert 0 <= bone.drift.value < 600
