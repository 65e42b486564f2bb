"""The block against scipy, SimpleITK and the DICOM patient-coordinate equation."""

import numpy as np
import pytest
import SimpleITK as sitk
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation

from siteplan.bone import sample_block
from siteplan.errors import GeometryError
from siteplan.frame import SiteFrame, site_frame

RNG = np.random.default_rng(5)
SMALL = {"depth_range_mm": (-2.0, 6.0), "buccal_reach_mm": 4.0, "distal_reach_mm": 3.0}


def oblique_affine(spacing_ijk: tuple[float, float, float], left_handed: bool = False) -> np.ndarray:
    affine = np.eye(4)
    affine[:3, :3] = Rotation.from_euler("zyx", [25, -14, 9], degrees=True).as_matrix() * spacing_ijk
    if left_handed:
        affine[:3, 2] *= -1
    affine[:3, 3] = (12.0, -40.0, 7.5)
    return affine


def oblique_frame(scan, tooth=None) -> SiteFrame:
    middle = scan.index_to_lps((np.array(scan.shape) - 1) / 2)
    return site_frame(middle, [0.2, 0.3, -0.9], [0.8, -0.5, 0.1], tooth)


@pytest.mark.parametrize("left_handed", [False, True])
@pytest.mark.parametrize("tooth", [36, 46])
@pytest.mark.parametrize("smooth", [False, True])
def test_oblique_block_of_anisotropic_voxels_agrees_with_scipy(make_scan, left_handed, tooth, smooth):
    values = RNG.normal(size=(40, 50, 60)) * 100
    scan = make_scan(values, oblique_affine((0.4, 0.55, 0.7), left_handed), slope=0.5, intercept=-10)
    frame = oblique_frame(scan, tooth)
    block = sample_block(scan, frame, smooth=smooth, **SMALL)
    d, b, m = np.meshgrid(block.depth_mm, block.buccal_mm, block.distal_mm, indexing="ij")
    index = scan.lps_to_index(frame.to_lps(d, b, m))
    grey = scan.values((slice(None),) * 3).astype(np.float64)
    expected = map_coordinates(grey, np.moveaxis(index, -1, 0), order=3 if smooth else 1, mode="mirror")
    inside = scan.contains(frame.to_lps(d, b, m))
    assert (np.isfinite(block.values) == inside).all()
    # Splines feel the edge of the crop within a few voxels; linear interpolation does not.
    limit = 0.5 if smooth else 1e-2
    assert np.abs(block.values - expected)[inside].max() < limit


def test_oblique_block_agrees_with_simpleitk_in_patient_space(make_scan):
    # SimpleITK reads direction cosines as DICOM does (PS3.3 C.7.6.2.1.1), so it is an independent judge of geometry.
    values = RNG.normal(size=(40, 50, 60)) * 100
    affine = oblique_affine((0.4, 0.55, 0.7))
    scan = make_scan(values, affine)
    frame = oblique_frame(scan)
    block = sample_block(scan, frame, smooth=False, **SMALL)
    image = sitk.GetImageFromArray(scan.voxels.astype(np.float32))
    image.SetSpacing((0.4, 0.55, 0.7))
    image.SetDirection((affine[:3, :3] / (0.4, 0.55, 0.7)).ravel())
    image.SetOrigin(affine[:3, 3])
    checked = 0
    for k, j, i in RNG.integers(0, np.array(block.values.shape), size=(200, 3)):
        point = frame.to_lps(block.depth_mm[k], block.buccal_mm[j], block.distal_mm[i])
        where = image.TransformPhysicalPointToContinuousIndex(point)
        if np.isfinite(block.values[k, j, i]):
            assert block.values[k, j, i] == pytest.approx(image.EvaluateAtContinuousIndex(where), abs=1e-2)
            checked += 1
    assert checked > 50


def test_a_linear_ramp_in_patient_space_is_read_as_such(make_scan):
    # PS3.3 C.7.6.2.1.1: position = affine x index. A grey value that is linear in x, y, z must come back exactly.
    affine = oblique_affine((0.4, 0.55, 0.7))
    k, j, i = np.mgrid[0:40, 0:50, 0:60]
    points = np.stack([i, j, k], axis=-1) @ affine[:3, :3].T + affine[:3, 3]
    scan = make_scan(100 * (points @ (0.5, -0.25, 1.0)), affine)
    frame = oblique_frame(scan)
    block = sample_block(scan, frame, smooth=False, **SMALL)
    d, b, m = np.meshgrid(block.depth_mm, block.buccal_mm, block.distal_mm, indexing="ij")
    expected = 100 * (frame.to_lps(d, b, m) @ (0.5, -0.25, 1.0))
    assert np.nanmax(np.abs(block.values - expected)) < 1.0  # the stored values are rounded to integers


def test_outside_and_padding_are_nan_and_never_invented(make_scan):
    values = np.full((40, 40, 40), 100.0)
    values[:, :, :5] = -2000
    affine = np.diag([0.5, 0.5, 0.5, 1.0])
    scan = make_scan(values, affine, padding=-2000)
    block = sample_block(scan, site_frame([10, 10, 18], [0, 0, -1], [-1, 0, 0]))
    d, b, m = np.meshgrid(block.depth_mm, block.buccal_mm, block.distal_mm, indexing="ij")
    points = block.frame.to_lps(d, b, m)
    known = np.isfinite(block.values)
    assert not known[points[..., 0] < 2.0].any()
    assert known[scan.contains(points) & (points[..., 0] > 3.0)].all()
    assert np.allclose(block.values[known], 100.0)


def test_a_site_outside_the_scan_is_a_clear_error(make_scan):
    scan = make_scan(np.zeros((20, 20, 20)), np.eye(4))
    with pytest.raises(GeometryError, match="outside the scan"):
        sample_block(scan, site_frame([500, 0, 0], [0, 0, -1], [1, 0, 0]))
