"""A traced canal against invented jaws of known geometry and, where they are there, the shared simulated volumes."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from jaw_phantom import COARSE, FINE, CanalPhantom, Quality, canal_phantom
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplan.anatomy.canal import move_point, trace_canal
from siteplan.anatomy.canal_search import propose_canals
from siteplan.anatomy.curve import resampled
from siteplan.anatomy.structure import Kind, MadeBy, Structure, Tube
from siteplan.errors import GeometryError
from siteplan.scan import read_scan

MEAN_MM, WORST_MM, RADIUS_MM = 0.4, 1.0, 0.4
"""What a traced canal must reach."""


def errors(canal: Structure, line: NDArray[np.float64], radius: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    assert isinstance(canal.shape, Tube)
    away = cKDTree(resampled(line, 0.02)).query(canal.shape.points_lps_mm)[0]
    nearest = cKDTree(line).query(canal.shape.points_lps_mm)[1]
    return away, canal.shape.radius_mm - radius[nearest], nearest


def clicks(phantom: CanalPhantom, seed: int) -> NDArray[np.float64]:
    """Two clicks of an unsteady hand, 0.4 mm in each direction, 1.5 mm inside the ends."""
    ends = phantom.centreline_lps_mm[[15, -15]]
    return np.asarray(ends + np.random.default_rng(seed).normal(0, 0.4, (2, 3)))


@pytest.mark.parametrize(("seed", "quality"), [(0, FINE), (1, FINE), (0, COARSE), (2, COARSE), (4, COARSE)])
def test_two_clicks_give_centreline_and_radius(seed: int, quality: Quality) -> None:
    phantom = canal_phantom(seed, quality)
    canal = trace_canal(phantom.scan, clicks(phantom, seed))
    away, radius, _ = errors(canal, phantom.centreline_lps_mm, phantom.radius_mm)
    assert away.mean() < MEAN_MM
    assert away.max() < WORST_MM
    assert np.abs(radius).max() < RADIUS_MM
    assert np.mean(np.abs(radius) < 1.96 * canal.uncertainty_mm) >= 0.9
    assert canal.uncertainty_mm < 0.3
    assert canal.made_by is MadeBy.FOUND


def test_says_where_nothing_is_seen() -> None:
    phantom = canal_phantom(6, FINE, gap_mm=(-6, 5))
    canal = trace_canal(phantom.scan, clicks(phantom, 6))
    _, _, nearest = errors(canal, phantom.centreline_lps_mm, phantom.radius_mm)
    y = phantom.centreline_lps_mm[nearest, 1] + 20.0  # the phantom's middle lies at y = -20
    assert canal.confidence is not None
    assert canal.confidence[(y > -4) & (y < 3)].max() < 0.5
    assert canal.confidence[(y < -8) | (y > 7)].min() > 0.5
    assert "No lumen can be told" in canal.note


def test_no_canal_at_all_is_not_believed() -> None:
    phantom = canal_phantom(3, FINE, gap_mm=(-30, 30))
    canal = trace_canal(phantom.scan, clicks(phantom, 3))
    assert canal.confidence is not None
    assert np.mean(canal.confidence > 0.5) < 0.1
    assert canal.uncertainty_mm > 1.0


def test_dragging_a_point_moves_only_its_neighbourhood() -> None:
    phantom = canal_phantom(1, FINE)
    canal = trace_canal(phantom.scan, clicks(phantom, 1))
    assert isinstance(canal.shape, Tube)
    target = canal.shape.points_lps_mm[30] + [0.0, 0.0, 0.8]
    moved = move_point(phantom.scan, canal, 30, target)
    assert isinstance(moved.shape, Tube)
    tree = cKDTree(canal.shape.points_lps_mm)
    away = tree.query(moved.shape.points_lps_mm)[0]
    assert np.linalg.norm(moved.shape.points_lps_mm - target, axis=1).min() < 1e-6
    far = np.linalg.norm(moved.shape.points_lps_mm - target, axis=1) > 8.5
    assert far.sum() > 20
    assert away[far].max() == 0.0


def test_a_drawn_canal_stays_believed_beside_the_dragged_point() -> None:
    phantom = canal_phantom(1, FINE)
    line, radius = phantom.centreline_lps_mm[15:-15:4], phantom.radius_mm[15:-15:4]
    drawn = Structure(Kind.CANAL, "canal", Tube(line, radius))
    middle = len(line) // 2
    moved = move_point(phantom.scan, drawn, middle, line[middle] + [0.0, 0.0, 0.3])
    assert isinstance(moved.shape, Tube)
    assert moved.confidence is not None
    far = np.linalg.norm(moved.shape.points_lps_mm - line[middle], axis=1) > 8.5
    assert far.any()
    assert (moved.confidence[far] == 1).all()
    assert "Drawn by a person" in moved.note
    half = replace(drawn, confidence=np.full(len(line), 0.7))
    kept = move_point(phantom.scan, half, middle, line[middle] + [0.0, 0.0, 0.3])
    assert kept.confidence is not None
    assert (kept.confidence[far] == 0.7).all()


def test_the_stated_doubt_covers_the_half_seen_ends(root: Path) -> None:
    """Against the shapes the sample is made of: no point at which a lumen is said to be seen lies off by more."""
    folder = root / "sample_volumes/lower_jaw"
    if not (folder / "series").is_dir():
        pytest.skip("the sample volumes are not there")
    line = np.array(json.loads((folder / "truth.json").read_text())["canal"]["centreline_mm"])
    (canal,) = propose_canals(read_scan(folder / "series"))
    assert isinstance(canal.shape, Tube)
    assert canal.confidence is not None
    away = cKDTree(resampled(line, 0.02)).query(canal.shape.points_lps_mm)[0]
    assert away[canal.confidence >= 0.5].max() < 1.96 * canal.uncertainty_mm
    assert canal.note.count("lumen is seen along") == 1


@pytest.mark.parametrize(
    ("through", "words"),
    [
        ([(30, -20, -50)], "two or more points"),
        ([(30, -20, -50), (300, -20, -50)], "point 2 lies outside the scan"),
        ([(30, -20, -50), (30, -20, -50.1)], "further apart"),
        ([(30, -20, float("nan")), (30, -10, -50)], "finite"),
        ([(30, -30, -50), (30, -11, -50), (30, -21, -50)], "point 3 leads back"),
    ],
)
def test_refuses_points_that_make_no_canal(through: list[tuple[float, ...]], words: str) -> None:
    phantom = canal_phantom(0, Quality(0.5, 0.3, 40.0), length_mm=24.0)
    with pytest.raises(GeometryError, match=words):
        trace_canal(phantom.scan, through)


def test_storage_order_does_not_matter() -> None:
    """The same volume stored from the other end gives the same canal (PS3.3 C.7.6.2.1.1 fixes the mapping)."""
    phantom = canal_phantom(2, Quality(0.4, 0.3, 40.0), length_mm=24.0)
    scan = phantom.scan
    affine = scan.affine.copy()
    affine[:3, 3] = scan.index_to_lps([scan.shape[0] - 1, 0, 0])
    affine[:3, 2] *= -1
    turned = replace(scan, voxels=scan.voxels[::-1].copy(), affine=affine)
    one, other = (trace_canal(s, clicks(phantom, 2)) for s in (scan, turned))
    assert isinstance(one.shape, Tube)
    assert isinstance(other.shape, Tube)
    assert cKDTree(one.shape.points_lps_mm).query(other.shape.points_lps_mm)[0].max() < 0.02


def test_proposes_a_canal_without_clicks() -> None:
    phantom = canal_phantom(1, FINE)
    (canal,) = propose_canals(phantom.scan)
    away, _, _ = errors(canal, phantom.centreline_lps_mm, phantom.radius_mm)
    assert canal.made_by is MadeBy.FOUND
    assert len(away) * 0.5 > 0.6 * 36
    assert np.percentile(away, 90) < MEAN_MM


@pytest.mark.shared
@pytest.mark.parametrize("name", ["mandible_posterior", "mandible_coarse"])
def test_simulated_volumes(shared: Path, name: str) -> None:
    truth = json.loads((shared / "phantoms" / name / "truth.json").read_text())["canal"]
    line = np.array(truth["centreline_lps"])
    scan = read_scan(shared / "phantoms" / name / "series")
    canal = trace_canal(scan, line[[6, -6]] + np.random.default_rng(5).normal(0, 0.4, (2, 3)))
    away, radius, _ = errors(canal, line, np.full(len(line), truth["lumen_radius_mm"]))
    assert away.mean() < MEAN_MM
    assert away.max() < WORST_MM
    assert np.abs(radius).max() < RADIUS_MM


def test_prior_radius_is_the_published_one(shared: Path) -> None:
    """Do TT et al., 2024, J Orthod Sci 13:45 (mean diameters) within half of the prior's standard deviation."""
    import tomllib

    from siteplan.anatomy.lumen_fit import RADIUS_MEAN_MM, RADIUS_SD_MM

    table = tomllib.loads((shared / "reference" / "reference_values.toml").read_text())["anatomy"]
    for diameter in [v[0] for v in table["canal_diameter_do_2024"]["value"].values()] + list(
        table["canal_diameter_2016"]["value"].values()
    ):
        assert abs(diameter / 2 - RADIUS_MEAN_MM) < 0.5 * RADIUS_SD_MM
