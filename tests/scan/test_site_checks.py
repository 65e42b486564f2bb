"""Metal near a site and the end of the field of view, on closed-form volumes and on the real head; and the preview."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make

from siteplan.errors import ScanError
from siteplan.scan import GreyScale, Patient, Scan, SeriesFacts, metal_near, outside_field, read_scan
from siteplan.scan.preview import preview

TODAY = date(2026, 7, 1)
MM = 0.5


def scan_with(metal: float | None, *, air: float = -1000.0, soft: float = 40.0, top: float | None = None) -> Scan:
    """Air around a ball of soft tissue with a cube of dense bone and, 12 mm from the centre, a bar of metal."""
    z, y, x = np.meshgrid(*(np.arange(-25, 25, MM) for _ in range(3)), indexing="ij")
    values = np.where(x**2 + y**2 + z**2 < 20**2, soft, air)
    values[(np.abs(x) < 3) & (np.abs(y) < 3) & (np.abs(z) < 3)] = soft + 1.7 * (soft - air)
    if metal is not None:
        values[(np.abs(x - 12) < 1) & (np.abs(y) < 2) & (np.abs(z) < 2)] = metal
    values = values + np.random.default_rng(0).normal(0, 0.03 * (soft - air), values.shape)
    if top is not None:
        values = np.minimum(values, top)
    affine = np.diag([MM, MM, MM, 1.0])
    affine[:3, 3] = -25
    ones = np.ones(len(values))
    series = SeriesFacts("1", "2", "CT", "", (), "", "", 1)
    grey = GreyScale("US", False, "made")
    return Scan(np.round(values).astype(np.int16), affine, ones, 0 * ones, grey, Patient(), series)


@pytest.mark.parametrize("scale", [1.0, 0.6, 1.8])
def test_metal_is_told_with_its_distance_on_any_scale(scale: float) -> None:
    scan = scan_with(6000 * scale, air=-1000 * scale + 100, soft=40 * scale + 100)
    (finding,) = metal_near(scan, [[5.0, 0.0, 0.0]])
    # the bar starts 11 mm from the centre, 6 mm from the point
    assert float(finding.what.split(" mm from")[0].split()[-1]) == pytest.approx(6.0, abs=MM)


def test_dense_bone_and_distant_metal_are_silent() -> None:
    assert metal_near(scan_with(None), [[5.0, 0.0, 0.0]]) == []
    assert metal_near(scan_with(6000), [[-5.0, 0.0, 0.0]]) == []


def test_metal_cut_off_at_the_end_of_the_range() -> None:
    """Many scanners store nothing above 3071; a bar at that end is metal although it is not far above enamel."""
    assert len(metal_near(scan_with(9000, top=2600), [[5.0, 0.0, 0.0]])) == 1


def test_points_outside_the_field() -> None:
    scan = scan_with(None)
    assert outside_field(scan, [[0.0, 0.0, 0.0], [24.0, 24.0, 24.0]]) == []
    (finding,) = outside_field(scan, [[0.0, 0.0, 0.0], [0.0, 0.0, 34.5]], name="site 36")
    assert "1 of 2 points" in finding.what
    assert "10.0 mm beyond" in finding.what
    assert finding.where == "site 36"


def test_padding_is_outside_the_field(tmp_path: Path) -> None:
    recipe = make.Recipe()
    values = make.stored_values(recipe)
    values[:, :, :3] = 7

    def tweak(ds, _: int) -> None:
        ds.add_new(0x00280120, "US", 7)

    scan = read_scan(make.write_series(tmp_path, recipe, tweak, values=values), today=TODAY)
    inside, outside = scan.index_to_lps([5, 9, 10]), scan.index_to_lps([5, 9, 1])
    assert outside_field(scan, [inside]) == []
    assert len(outside_field(scan, [outside])) == 1


@pytest.mark.shared
def test_real_crowns_are_metal_and_the_skull_is_not(shared: Path) -> None:
    """The cadaver head has metal at the level of the crowns, whose values end at the top of what was stored."""
    scan = read_scan(shared / "scans" / "cadaver_head", today=TODAY)
    assert metal_near(scan, [[-29.0, -80.0, -152.0]])
    assert metal_near(scan, [[0.0, 0.0, -60.0]]) == []


@pytest.mark.shared
@pytest.mark.parametrize("name", ["mandible_posterior", "maxilla_posterior", "mandible_coarse"])
def test_phantoms_hold_no_metal(name: str, shared: Path) -> None:
    import json

    scan = read_scan(shared / "phantoms" / name / "series", today=TODAY)
    truth = json.loads((shared / "phantoms" / name / "truth.json").read_text())
    sites = truth["sites"].values() if isinstance(truth["sites"], dict) else truth["sites"]
    for site in sites:
        assert metal_near(scan, [site["crest_lps"]]) == []


@pytest.mark.parametrize("syntax", [make.EXPLICIT, make.JPEG_LS])
def test_preview_shows_true_slices_in_order(syntax: str, tmp_path: Path) -> None:
    recipe = make.Recipe(count=64, stored=12, syntax=syntax)
    values = make.stored_values(recipe)
    shown = preview(make.write_series(tmp_path, recipe), samples=8)
    assert 6 <= len(shown.values) <= 10
    z = shown.first_voxel_lps_mm[:, 2]
    assert (np.diff(z) > 0).all()
    for at, k in enumerate(np.round((z - 40) / 0.3).astype(int)):
        np.testing.assert_allclose(shown.values[at], values[k] - 1000.0)


def test_preview_of_a_multi_frame_file(tmp_path: Path) -> None:
    recipe = make.Recipe(count=40, stored=12)
    values = make.stored_values(recipe)
    (tmp_path / "a").write_bytes(make.file_bytes(make.multi_frame_dataset(recipe, values), make.EXPLICIT))
    shown = preview(tmp_path / "a", samples=8)
    assert 6 <= len(shown.values) <= 10
    np.testing.assert_allclose(shown.values[0], values[0] - 1000.0)


def test_preview_of_nothing_says_so(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("x")
    with pytest.raises(ScanError, match="no CT slices to show"):
        preview(tmp_path)
