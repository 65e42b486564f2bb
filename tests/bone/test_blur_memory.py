"""The search for the blur works in place: of a large scan its box alone is a third of what the scan takes."""

import tracemalloc

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from siteplan.bone import blur
from siteplan.bone.levels import GreyLevels

SPACING = np.array([0.3, 0.25, 0.25])
SD_MM = 0.3


def _ball() -> np.ndarray:
    """(90, 100, 100) a ball of soft tissue in air, blurred by a bell curve of `SD_MM`."""
    k, j, i = (s * (np.arange(n) - n / 2) for s, n in zip(SPACING, (90, 100, 100), strict=True))
    far = np.sqrt(k[:, None, None] ** 2 + j[:, None] ** 2 + i**2)
    return gaussian_filter(np.where(far < 9.0, 1000.0, 0.0).astype(np.float32), SD_MM / SPACING)


def test_it_needs_little_more_than_the_box():
    """As Python's own count of allocated memory says: two arrays of the box's size, not four."""
    grey = _ball()
    box = grey.nbytes
    tracemalloc.start()
    profiles, normals = blur._profiles(grey, SPACING, GreyLevels(0.0, 1000.0, 20.0, 20.0, 1000.0))
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(profiles) == len(normals) >= 40
    assert most < 2 * box  # it was four boxes when every step made an array of its own


def test_it_finds_the_blur_that_was_put_in():
    """Closed form: an edge under a bell curve of SD s is a cumulative one of SD s; a ball of 9 mm is nearly flat."""
    profiles, _ = blur._profiles(_ball(), SPACING, GreyLevels(0.0, 1000.0, 20.0, 20.0, 1000.0))
    tau, good = blur._fit_edges(profiles)
    assert np.median(tau[good]) == pytest.approx(SD_MM, abs=0.03)
