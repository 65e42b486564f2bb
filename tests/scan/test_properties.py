"""Orientation, spacing, offset, slope, bit depth, order of files: always the same value at the same patient point.

The truth is the equation of DICOM PS3.3 C.7.6.2.1.1, applied here to the numbers that were written.
"""

from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import series_maker as make
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from siteplan.scan import read_scan

TODAY = date(2026, 7, 1)
SYNTAXES = (make.EXPLICIT, make.IMPLICIT, make.BIG_ENDIAN, make.DEFLATED, make.RLE, make.JPEG_LS, make.HTJ2K)


@st.composite
def recipes(draw: st.DrawFn) -> make.Recipe:
    quaternion = np.array([draw(st.floats(-1, 1)) for _ in range(4)])
    if np.linalg.norm(quaternion) < 0.1:
        quaternion = np.array([1.0, 0, 0, 0])
    w, x, y, z = quaternion / np.linalg.norm(quaternion)
    axes = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
    allocated = draw(st.sampled_from([8, 16]))
    lengths = st.floats(0.08, 1.0).map(lambda v: round(v, 5))
    return make.Recipe(
        count=draw(st.integers(2, 6)),
        rows=draw(st.integers(4, 9)),
        columns=draw(st.integers(4, 9)),
        row_spacing=draw(lengths),
        column_spacing=draw(lengths),
        gap=draw(lengths),
        origin=tuple(draw(st.floats(-300, 300).map(lambda v: round(v, 4))) for _ in range(3)),
        axes=axes,
        allocated=allocated,
        stored=draw(st.integers(allocated - 6, allocated)),
        signed=draw(st.booleans()),
        slope=draw(st.floats(0.1, 10).map(lambda v: round(v, 4))),
        intercept=draw(st.integers(-2048, 100)),
        syntax=draw(st.sampled_from(SYNTAXES)),
        seed=draw(st.integers(0, 1000)),
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(recipe=recipes(), several=st.booleans())
def test_same_value_at_the_same_patient_point(recipe: make.Recipe, several: bool) -> None:
    values = make.stored_values(recipe)
    with TemporaryDirectory() as folder:
        if several:
            make.write_series(Path(folder), recipe)
        else:
            data = make.file_bytes(make.multi_frame_dataset(recipe, values), recipe.syntax, values)
            (Path(folder) / "whole").write_bytes(data)
        scan = read_scan(folder, today=TODAY)
    k, j, i = np.meshgrid(*(np.arange(n) for n in values.shape), indexing="ij")
    points = (
        np.array(recipe.origin)
        + k[..., None] * recipe.gap * recipe.axes[2]
        + j[..., None] * recipe.row_spacing * recipe.axes[1]
        + i[..., None] * recipe.column_spacing * recipe.axes[0]
    )
    index = scan.lps_to_index(points)
    nearest = np.round(index).astype(int)
    # Positions and cosines are written with at most 16 characters, which leaves some 1e-10 mm.
    assert np.abs(index - nearest).max() < 1e-5
    grey = scan.values((slice(None), slice(None), slice(None)))[tuple(nearest.reshape(-1, 3).T)].reshape(values.shape)
    np.testing.assert_allclose(grey, values * recipe.slope + recipe.intercept, rtol=1e-5, atol=1e-2)
