"""Picture planes: which way is up and right, and that a known point of the patient lands where it must."""

import numpy as np
import pytest
from made_case import made_scan

from siteplan.bone.sample import sample_block
from siteplan.frame import site_frame
from siteplan.report.plane import across_plane, along_plane, block_section, flat_plane, letters
from siteplan.scan.volume import Scan

# Patient letters by DICOM PS3.3 C.7.6.1.1.1: +x is left, +y is posterior, +z is towards the head.
TOWARD = {"L": (1, 0, 0), "R": (-1, 0, 0), "P": (0, 1, 0), "A": (0, -1, 0), "H": (0, 0, 1), "F": (0, 0, -1)}


@pytest.mark.parametrize("letter", TOWARD)
def test_letters(letter: str) -> None:
    assert letters(np.array(TOWARD[letter], dtype=float)) == letter


def test_two_letters_for_an_oblique_side() -> None:
    assert letters(np.array([0.8, -0.6, 0.0])) == "LA"
    assert letters(np.array([0.97, -0.24, 0.0])) == "L"


SITES = {
    36: ((1, 0, 0), (0, 0, -1)),
    46: ((-1, 0, 0), (0, 0, -1)),
    26: ((1, 0, 0), (0, 0, 1)),
    16: ((-1, 0, 0), (0, 0, 1)),
}


@pytest.mark.parametrize("tooth", SITES)
def test_head_is_up_and_the_viewer_stands_where_the_words_say(tooth: int) -> None:
    buccal, axis = SITES[tooth]
    frame = site_frame((0, 0, 0), axis, buccal, tooth)
    across, along = across_plane(frame), along_plane(frame)
    for plane in (across, along):
        assert letters(plane.up) == "H"
        assert np.linalg.det(np.stack([plane.right, plane.up, plane.toward])) == pytest.approx(1)
    assert letters(across.toward) == "A"  # seen from the front
    assert letters(across.right) == "L"  # so the patient's left is on the picture's right
    np.testing.assert_allclose(along.toward, frame.buccal)
    assert letters(along.right) == ("P" if tooth in (36, 26) else "A")


def test_axial_picture_is_seen_from_the_feet() -> None:
    plane = flat_plane(np.zeros(3))
    assert (letters(plane.right), letters(plane.up), letters(plane.toward)) == ("L", "A", "F")


@pytest.mark.parametrize("tooth", SITES)
@pytest.mark.parametrize("across", [True, False])
def test_bright_point_lands_at_its_place(tooth: int, across: bool) -> None:
    scan = made_scan(noise=0.0)
    buccal, axis = SITES[tooth]
    frame = site_frame((30.0, 3.0, -10.0), axis, buccal, tooth)
    aside = (4.4, 0.0) if across else (0.0, 4.4)
    target = frame.to_lps(-3.2, *aside)
    k, j, i = np.round(scan.lps_to_index(target)).astype(int)
    voxels = scan.voxels.copy()
    voxels[k, j, i] = 9000
    spot = Scan(
        voxels, scan.affine.copy(), scan.slope.copy(), scan.intercept.copy(), scan.grey, scan.patient, scan.series
    )
    reach = (6.0, 0.0) if across else (0.0, 6.0)
    block = sample_block(spot, frame, depth_range_mm=(-6, 6), buccal_reach_mm=reach[0], distal_reach_mm=reach[1])
    plane = across_plane(frame) if across else along_plane(frame)
    section = block_section(block, plane)
    row, column = np.unravel_index(np.argmax(section.grey), section.grey.shape)
    wanted = plane.from_lps(spot.index_to_lps((k, j, i)))
    assert (section.u_mm[column], section.v_mm[row]) == pytest.approx(wanted[:2], abs=0.41)  # one sample


def test_section_holds_the_blocks_own_numbers() -> None:
    frame = site_frame((30.0, 3.0, -6.0), (0, 0, -1), (1, 0, 0), 36)
    block = sample_block(made_scan(), frame, depth_range_mm=(-3, 5), buccal_reach_mm=6, distal_reach_mm=2)
    section = block_section(block, across_plane(frame))
    middle = block.values[:, :, len(block.distal_mm) // 2]
    assert np.array_equal(np.sort(section.grey, axis=None), np.sort(middle, axis=None))
    plane = across_plane(frame)
    lps = plane.to_lps(section.u_mm[3], section.v_mm[5])
    depth, buccal, _ = frame.from_lps(lps)
    d, b = np.argmin(np.abs(block.depth_mm - depth)), np.argmin(np.abs(block.buccal_mm - buccal))
    assert section.grey[5, 3] == block.values[d, b, len(block.distal_mm) // 2]
