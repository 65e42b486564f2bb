"""When grey values may be called Hounsfield units: only by statement, never for a cone beam, and air must read -1000.

Rescale Type: DICOM PS3.3 C.8.2.1 and C.11.1.1.2. Air is -1000 and water 0 by the definition of the scale.
"""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make
from pydicom.dataset import Dataset

from siteplan.scan import read_scan

TODAY = date(2026, 7, 1)


def body(air: int, recipe: make.Recipe) -> np.ndarray:
    """Air around a block of soft tissue, stored with an offset of 1000."""
    values = np.full((recipe.count, recipe.rows, recipe.columns), air + 1000, np.uint16)
    values[:, 4:14, 5:17] = 1040
    return values


def grey(
    folder: Path, *, kind: str | None = "HU", air: int = 20, change: Callable[[Dataset], None] | None = None, **more
):
    recipe = make.Recipe(rescale_type=kind, gap=0.8, **more)
    values = body(-1000 + air, recipe)
    make.write_series(folder, recipe, None if change is None else lambda ds, _: change(ds), values=values)
    return read_scan(folder, today=TODAY).grey


def test_stated_hu_of_a_body_scanner_is_believed_with_a_word(tmp_path: Path) -> None:
    found = grey(tmp_path)
    assert found.may_be_hu
    assert "only air was checked" in found.why


@pytest.mark.parametrize("kind", ["US", "OD", "MGML", None, ""])
def test_any_other_statement_is_not_hu(kind: str | None, tmp_path: Path) -> None:
    assert not grey(tmp_path, kind=kind).may_be_hu


@pytest.mark.parametrize(
    ("keyword", "value"),
    [("ManufacturerModelName", "CBCT 3000"), ("SeriesDescription", "Dental DVT"), ("ProtocolName", "Cone beam jaw")],
)
def test_cone_beam_by_its_words(keyword: str, value: str, tmp_path: Path) -> None:
    found = grey(tmp_path, change=lambda ds: setattr(ds, keyword, value))
    assert not found.may_be_hu
    assert "cone-beam" in found.why


def test_cone_beam_by_its_fine_cubic_voxels(tmp_path: Path) -> None:
    recipe = make.Recipe(rescale_type="HU")
    make.write_series(tmp_path, recipe, values=body(-1000, recipe))
    assert not read_scan(tmp_path, today=TODAY).grey.may_be_hu


def test_craniofacial_object_is_a_cone_beam(tmp_path: Path) -> None:
    recipe = make.Recipe(rescale_type="HU", gap=0.8)
    values = body(-1000, recipe)
    ds = make.multi_frame_dataset(recipe, values, make.CRANIOFACIAL)
    (tmp_path / "a").write_bytes(make.file_bytes(ds, make.EXPLICIT))
    assert not read_scan(tmp_path, today=TODAY).grey.may_be_hu


@pytest.mark.parametrize("air", [300, 600])
def test_air_that_does_not_read_minus_1000(air: int, tmp_path: Path) -> None:
    found = grey(tmp_path, air=air)
    assert not found.may_be_hu
    assert f"read {air - 1000} and air should read -1000" in found.why


def test_missing_rescale_is_not_hu(tmp_path: Path) -> None:
    assert not grey(tmp_path, change=lambda ds: delattr(ds, "RescaleIntercept")).may_be_hu


def test_device_facts(tmp_path: Path) -> None:
    def change(ds: Dataset) -> None:
        ds.KVP, ds.XRayTubeCurrent, ds.ExposureTime, ds.ReconstructionDiameter = "90", "8", "4000", "80"

    found = grey(tmp_path, change=change)
    assert (found.kvp, found.exposure_mas, found.reconstruction_diameter_mm) == (90.0, 32.0, 80.0)
    assert found.manufacturer == "NOBODY"
