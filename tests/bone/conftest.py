"""Scans made in memory from closed-form shapes."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from siteplan.scan.volume import GreyScale, Patient, Scan, SeriesFacts

MakeScan = Callable[..., Scan]


@pytest.fixture(scope="session")
def make_scan() -> MakeScan:
    def make(
        values: NDArray[np.float64],
        affine: NDArray[np.float64],
        *,
        slope: float = 1.0,
        intercept: float = 0.0,
        padding: int | None = None,
        kvp: float | None = 90.0,
    ) -> Scan:
        count = values.shape[0]
        return Scan(
            np.ascontiguousarray(np.round(values)).astype(np.int16),
            np.array(affine, dtype=np.float64),
            np.full(count, slope),
            np.full(count, intercept),
            GreyScale("US", False, "made for a test", "maker", "model", kvp),
            Patient(),
            SeriesFacts("1", "1", "CT", "1", (), "", "", count),
            padding=padding,
        )

    return make
