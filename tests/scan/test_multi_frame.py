"""Multi-frame objects with per-frame functional groups (PS3.3 C.7.6.16) against the equation of C.7.6.2.1.1."""

from datetime import date
from pathlib import Path

import numpy as np
import pydicom
import pytest
import series_maker as make
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from siteplan.scan import ScanRefused, list_series, read_scan

TODAY = date(2026, 7, 1)


def write(folder: Path, recipe: make.Recipe, ds: pydicom.Dataset) -> Path:
    path = folder / "whole.dcm"
    path.write_bytes(make.file_bytes(ds, recipe.syntax))
    return path


@pytest.mark.parametrize("sop_class", [make.ENHANCED_CT, make.CRANIOFACIAL])
def test_frames_in_any_order_with_their_own_rescale(sop_class: str, tmp_path: Path) -> None:
    recipe = make.Recipe(stored=12, row_spacing=0.25, column_spacing=0.35, gap=0.4)
    values = make.stored_values(recipe)
    ds = make.multi_frame_dataset(recipe, values, sop_class)
    order = np.random.default_rng(4).permutation(recipe.count)
    ds.PerFrameFunctionalGroupsSequence = Sequence([ds.PerFrameFunctionalGroupsSequence[int(k)] for k in order])
    for frame, k in zip(ds.PerFrameFunctionalGroupsSequence, order, strict=True):
        rescale = Dataset()
        rescale.RescaleSlope, rescale.RescaleIntercept, rescale.RescaleType = str(1 + k), str(-k), "US"
        frame.PixelValueTransformationSequence = Sequence([rescale])
    del ds.SharedFunctionalGroupsSequence[0].PixelValueTransformationSequence
    ds.PixelData = values[order].tobytes()
    scan = read_scan(write(tmp_path, recipe, ds), today=TODAY)
    np.testing.assert_array_equal(scan.voxels, values)
    np.testing.assert_array_equal(scan.slope, 1 + np.arange(recipe.count))
    for k, j, i in ((0, 0, 0), (5, 3, 2), (11, 17, 21)):
        expected = recipe.position(k) + i * 0.35 * np.array([1, 0, 0]) + j * 0.25 * np.array([0, 1, 0])
        np.testing.assert_allclose(scan.index_to_lps([k, j, i]), expected, atol=1e-9)


def test_missing_frame_is_refused(tmp_path: Path) -> None:
    recipe = make.Recipe()
    ds = make.multi_frame_dataset(recipe, make.stored_values(recipe))
    del ds.PerFrameFunctionalGroupsSequence[5]
    ds.NumberOfFrames = 11
    with pytest.raises(ScanRefused, match="One slice is missing") as caught:
        read_scan(write(tmp_path, recipe, ds), today=TODAY)
    assert "frame 5" in caught.value.findings[0].where


def test_fewer_frames_than_groups_is_truncated(tmp_path: Path) -> None:
    recipe = make.Recipe()
    ds = make.multi_frame_dataset(recipe, make.stored_values(recipe))
    ds.PixelData = ds.PixelData[: -recipe.rows * recipe.columns * 2]
    with pytest.raises(ScanRefused, match="cut short"):
        read_scan(write(tmp_path, recipe, ds), today=TODAY)


def test_number_of_frames_that_disagrees_with_the_groups(tmp_path: Path) -> None:
    recipe = make.Recipe()
    ds = make.multi_frame_dataset(recipe, make.stored_values(recipe))
    ds.NumberOfFrames = 10
    with pytest.raises(ScanRefused, match="frames"):
        read_scan(write(tmp_path, recipe, ds), today=TODAY)


def test_two_phases_in_one_file_are_refused(tmp_path: Path) -> None:
    """The same places twice (a dynamic series) is no single volume."""
    recipe = make.Recipe()
    values = make.stored_values(recipe)
    ds = make.multi_frame_dataset(recipe, values)
    frames = list(ds.PerFrameFunctionalGroupsSequence)
    ds.PerFrameFunctionalGroupsSequence = Sequence([*frames, *frames])
    ds.NumberOfFrames = 24
    ds.PixelData = np.concatenate([values, values]).tobytes()
    with pytest.raises(ScanRefused, match="same place"):
        read_scan(write(tmp_path, recipe, ds), today=TODAY)


def test_listing_counts_frames_as_slices(tmp_path: Path) -> None:
    recipe = make.Recipe()
    write(tmp_path, recipe, make.multi_frame_dataset(recipe, make.stored_values(recipe)))
    (entry,) = list_series(tmp_path, today=TODAY).series
    assert entry.size_kji == (12, 18, 22)
    assert entry.facts.files == 1


def test_highdicom_gives_the_same_volume(tmp_path: Path) -> None:
    """highdicom reads the geometry of multi-frame objects by itself: an independent reader."""
    import highdicom

    axes = np.linalg.qr(np.random.default_rng(9).normal(size=(3, 3)))[0]
    axes[2] = np.cross(axes[0], axes[1])
    recipe = make.Recipe(stored=12, axes=axes, row_spacing=0.25, column_spacing=0.35, gap=0.4)
    path = write(tmp_path, recipe, make.multi_frame_dataset(recipe, make.stored_values(recipe)))
    scan = read_scan(path, today=TODAY)
    other = highdicom.imread(path).get_volume()
    for index in np.argwhere(np.ones(scan.shape))[::97]:
        point = scan.index_to_lps(index)
        theirs = np.round(other.map_reference_to_indices(point[None])[0]).astype(int)
        assert other.array[tuple(theirs)] == pytest.approx(scan.values(tuple(slice(n, n + 1) for n in index)).item())
