"""Moving a site must feel immediate: ratio to one SimpleITK linear resample of the same block, in the same run."""

import statistics
import time
from collections.abc import Callable

import numpy as np
import pytest
import SimpleITK as sitk

from siteplan.bone.measure import measure_bone
from siteplan.bone.sample import sample_block
from siteplan.frame import site_frame
from siteplan.scan.volume import GreyScale, Patient, Scan, SeriesFacts

NEVER_ABOVE = 4.0


def bar_scan() -> Scan:
    """A round bar of bone with a shell, in soft tissue under air: 160 x 160 x 160 voxels of 0.25 mm."""
    n, h = 160, 0.25
    x = (np.arange(n) - n / 2) * h
    z, y, _ = np.meshgrid(x, x, x, indexing="ij")
    r = np.hypot(y, z + 4)
    grey = np.where(z > 9, -1000.0, 50.0)
    grey = np.where(r < 7, 1400.0, grey)
    grey = np.where(r < 5.5, 400.0, grey)
    grey = grey + np.random.default_rng(0).normal(0, 40, grey.shape)
    affine = np.diag([h, h, h, 1.0])
    affine[:3, 3] = x[0]
    facts = SeriesFacts("1", "1", "CT", "1", (), "", "", n)
    return Scan(grey.astype(np.int16), affine, np.ones(n), np.zeros(n), GreyScale("", False, ""), Patient(), facts)


def best(work: Callable[[], object], times: int = 15) -> float:
    seconds = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - start)
    return statistics.quantiles(seconds, n=4)[0]


@pytest.mark.benchmark
def test_quick_measurement_is_a_few_resamples(capsys: pytest.CaptureFixture[str]):
    scan = bar_scan()
    frame = site_frame([0, 0, 3.2], [0.05, 0.1, -1], [0, 1, 0])
    block = sample_block(scan, frame, smooth=False)
    whole = sitk.GetImageFromArray(scan.values((slice(None),) * 3))
    whole.SetSpacing((0.25, 0.25, 0.25))
    whole.SetOrigin(scan.affine[:3, 3])
    size = block.values.shape[::-1]
    origin = frame.to_lps(block.depth_mm[0], block.buccal_mm[0], block.distal_mm[0])
    axes = np.stack([np.cross(frame.buccal, frame.axis), frame.buccal, frame.axis], axis=1).ravel()

    def resample() -> object:
        return sitk.Resample(
            whole,
            size,
            sitk.Transform(),
            sitk.sitkLinear,
            origin,
            [block.spacing_mm] * 3,
            axes,
            -1000.0,
            sitk.sitkFloat32,
        )

    measure_bone(scan, frame, quick=True)
    step = best(resample)
    quick = best(lambda: measure_bone(scan, frame, quick=True))
    full = best(lambda: measure_bone(scan, frame), times=3)
    with capsys.disabled():
        print(f"\nresample {1e3 * step:.1f} ms, quick {quick / step:.1f} x, full {full / step:.0f} x ({full:.2f} s)")
    assert quick / step <= NEVER_ABOVE
