"""Means in regions, calibration with its interval, files of calibrations, inserts."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from siteplan.bone import Calibration, mean_grey_in, sample_block
from siteplan.bone.calibration import CalibrationKind, provisional_calibration
from siteplan.bone.calibration_file import add_calibration, calibration_for
from siteplan.bone.inserts import fit_inserts, measure_inserts, read_inserts
from siteplan.bone.levels import levels_of
from siteplan.errors import LibraryFileError
from siteplan.flags import Flag
from siteplan.frame import site_frame
from siteplan.measures import Measure

RNG = np.random.default_rng(2)


def rod_scan(make_scan, step: float = 0.25):
    """A rod of 900 along z, radius 2, in 100."""
    n = 80
    x = (np.arange(n) - n / 2 + 0.5) * step
    fine = x[:, None] + (np.arange(10) - 4.5) * step / 10  # partial volume: 10 x 10 points a voxel
    inside = np.hypot(fine[:, None, :, None], fine[None, :, None, :]) < 2.0
    values = np.broadcast_to(100 + 800 * inside.mean(axis=(2, 3)), (n, n, n))
    affine = np.diag([step, step, step, 1.0])
    affine[:3, 3] = x[0]
    return make_scan(values, affine)


def test_mean_in_a_solid_and_in_the_shell_around_it(make_scan):
    block = sample_block(rod_scan(make_scan), site_frame([0, 0, 5], [0, 0, -1], [1, 0, 0]), smooth=False)
    inside = mean_grey_in(block, [0, 8], [1.5, 1.5])
    assert inside.value == pytest.approx(900, abs=1)
    # Shell from 1.5 to 2.5 mm: the rod fills (2^2 - 1.5^2) / (2.5^2 - 1.5^2) of it.
    shell = mean_grey_in(block, [0, 8], [1.5, 1.5], shell_mm=1.0)
    assert shell.value == pytest.approx(100 + 800 * 1.75 / 4, abs=12)
    cone = mean_grey_in(block, [0, 8], [3.0, 3.0])
    assert cone.value == pytest.approx(100 + 800 * 4 / 9, abs=8)


def test_weights_have_the_volume_of_the_solid(make_scan):
    from siteplan.bone.grey import region_weights

    block = sample_block(rod_scan(make_scan), site_frame([0, 0, 5], [0, 0, -1], [1, 0, 0]), smooth=False)
    weights = region_weights(block, [0.1, 7.3], [2.0, 1.0])
    cone_stump = np.pi * 7.2 / 3 * (4 + 2 + 1)
    assert weights.sum() * block.spacing_mm**3 == pytest.approx(cone_stump, rel=0.01)


def test_calibration_carries_its_uncertainty():
    scale = Calibration(0.8, 50, slope_sd=0.01, intercept_sd=4, kind=CalibrationKind.PHANTOM)
    hu = scale.apply(Measure(690, "grey", 680, 700))
    assert hu.value == pytest.approx(800)
    own = 20 / 3.919928 / 0.8
    expected = 1.959964 * np.sqrt(own**2 + (4 / 0.8) ** 2 + (800 * 0.01 / 0.8) ** 2)
    assert (hu.high - hu.low) / 2 == pytest.approx(expected, rel=1e-6)
    assert Flag.NOT_CALIBRATED not in hu.flags


def test_provisional_scale_is_wide_and_marked():
    grey = np.concatenate([RNG.normal(-740, 40, 40000), RNG.normal(130, 45, 50000), RNG.normal(1300, 100, 6000)])
    levels = levels_of(grey)
    assert levels.air == pytest.approx(-740, abs=20)
    assert levels.soft == pytest.approx(130, abs=20)
    scale = provisional_calibration(levels)
    hu = scale.apply(Measure(700, "grey", 690, 710))
    assert {Flag.PROVISIONAL_SCALE, Flag.NOT_CALIBRATED} <= set(hu.flags)
    assert hu.high - hu.low > 100


def insert_scan(make_scan, noise: float = 15.0, bend: float = 0.0):
    """Six rods of known HU in water, grey = 0.83 HU + 90."""
    hu = [-1000, -100, 200, 500, 900, 1400]
    n = 120
    x = (np.arange(n) - n / 2 + 0.5) * 0.4
    yy, xx = np.meshgrid(x, x, indexing="ij")
    plane = np.where(np.hypot(xx, yy) < 22, 0.0, -1000.0)
    centres = [(13 * np.cos(a), 13 * np.sin(a)) for a in np.arange(6) * np.pi / 3]
    for (cx, cy), value in zip(centres, hu, strict=True):
        plane[np.hypot(xx - cx, yy - cy) < 3] = value
    values = np.repeat(plane[None], 30, axis=0)
    grey = 0.83 * values + 90 + bend * values**2 + RNG.normal(0, noise, values.shape)
    affine = np.diag([0.4, 0.4, 0.4, 1.0])
    affine[:3, 3] = (x[0], x[0], -6)
    return make_scan(grey, affine), hu, centres


def insert_file(folder: Path, hu, centres=None) -> Path:
    lines = []
    for k, value in enumerate(hu):
        lines += ["[[insert]]", f'name = "rod {k}"', f"hu = {value}"]
        if centres:
            lines += [f"centre_mm = [{centres[k][0]:.3f}, {centres[k][1]:.3f}, 0.0]", "radius_mm = 2.0"]
    path = folder / "inserts.toml"
    path.write_text("\n".join(lines))
    return path


@pytest.mark.parametrize("given", [True, False])
def test_inserts_give_back_the_scale(make_scan, tmp_path, given):
    scan, hu, centres = insert_scan(make_scan)
    inserts = read_inserts(insert_file(tmp_path, hu, centres if given else None))
    scale, readings = fit_inserts(measure_inserts(scan, inserts))
    assert abs(scale.slope - 0.83) < 1.96 * scale.slope_sd + 1e-3
    assert scale.slope == pytest.approx(0.83, abs=0.01)
    assert scale.intercept == pytest.approx(90, abs=6)
    assert len(readings) == 6
    assert scale.kind is CalibrationKind.PHANTOM


def test_a_bent_response_shows_in_the_interval(make_scan, tmp_path):
    straight, hu, centres = insert_scan(make_scan)
    bent, _, _ = insert_scan(make_scan, bend=-1e-4)
    inserts = read_inserts(insert_file(tmp_path, hu, centres))
    a, _ = fit_inserts(measure_inserts(straight, inserts))
    b, _ = fit_inserts(measure_inserts(bent, inserts))
    assert b.sd_hu(600, 0) > 3 * a.sd_hu(600, 0)


def test_file_applies_only_to_the_same_device_and_protocol(make_scan, tmp_path):
    scan, hu, centres = insert_scan(make_scan)
    scale, _ = fit_inserts(measure_inserts(scan, read_inserts(insert_file(tmp_path, hu, centres))))
    path = tmp_path / "scales.toml"
    add_calibration(path, scale, scan, date(2026, 1, 10))
    add_calibration(path, scale, scan, date(2026, 6, 1))
    again, remarks = calibration_for(str(path), scan, today=date(2026, 6, 11))
    assert again.slope == scale.slope
    assert again.date == "2026-06-01"
    assert "10 days ago" in remarks[0]
    _, remarks = calibration_for(str(path), scan, today=date(2027, 9, 1))
    assert "older" in remarks[0]
    other = make_scan(np.zeros((30, 120, 120)), scan.affine, kvp=120.0)
    none, remarks = calibration_for(str(path), other)
    assert none is None
    assert "tube voltage 90 there, 120 here" in remarks[0]


@pytest.mark.parametrize("text", ["0,5", "a,b", "nan,1", "nowhere.toml"])
def test_bad_calibrations_are_refused(make_scan, text):
    with pytest.raises(LibraryFileError):
        calibration_for(text, make_scan(np.zeros((4, 4, 4)), np.eye(4)))


def test_a_damaged_calibration_file_is_left_as_it_was(make_scan, tmp_path):
    path = tmp_path / "scales.toml"
    path.write_text("precious")
    with pytest.raises(LibraryFileError, match="not valid TOML"):
        add_calibration(path, Calibration(1, 0), make_scan(np.zeros((4, 4, 4)), np.eye(4)), date(2026, 1, 1))
    assert path.read_text() == "precious"
