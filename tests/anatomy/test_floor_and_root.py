"""Sinus floors and roots against invented jaws of known geometry and the shared simulated volume."""

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from jaw_phantom import COARSE, FINE, Quality, root_phantom, sinus_phantom

from siteplan.anatomy.root import trace_root
from siteplan.anatomy.sinus import sinus_floor
from siteplan.anatomy.structure import Surface
from siteplan.errors import GeometryError
from siteplan.scan import read_scan

FLOOR_MM, ROOT_MM = 0.25, 0.4
"""What the floor over the site and the root's surface must reach."""


@pytest.mark.parametrize(("seed", "quality", "lining_mm"), [(0, FINE, 0.0), (1, FINE, 2.5), (0, COARSE, 0.0)])
def test_bony_floor_over_the_site(seed: int, quality: Quality, lining_mm: float) -> None:
    phantom = sinus_phantom(seed, quality, lining_mm)
    floor = sinus_floor(phantom.scan, phantom.centre_lps_mm + np.array([0.5, 1.0, -11.0]))
    surface = floor.structure.shape
    assert isinstance(surface, Surface)
    error = phantom.signed_mm(surface.points_lps_mm)
    over_site = np.linalg.norm((surface.points_lps_mm - phantom.centre_lps_mm)[:, :2], axis=1) < 5
    assert over_site.sum() > 50
    assert np.abs(error[over_site]).max() < FLOOR_MM
    assert np.mean(np.abs(error) < 1.96 * floor.structure.uncertainty_mm) >= 0.9
    assert floor.structure.uncertainty_mm < 0.2
    assert np.median(floor.lining_mm) == pytest.approx(lining_mm, abs=0.4)
    assert ("thickened" in floor.structure.note) == (lining_mm > 2)
    lowest = phantom.scan.index_to_lps([0, 0, 0])
    assert ((surface.points_lps_mm - lowest) @ surface.behind > 0).all()


def test_floor_needs_a_cavity() -> None:
    phantom = root_phantom(0, Quality(0.5, 0.3, 30.0))
    with pytest.raises(GeometryError, match="no air"):
        sinus_floor(phantom.scan, phantom.tip_lps_mm)


@pytest.mark.shared
def test_simulated_sinus(shared: Path) -> None:
    truth = json.loads((shared / "phantoms" / "maxilla_posterior" / "truth.json").read_text())
    scan = read_scan(shared / "phantoms" / "maxilla_posterior" / "series")
    sinus = truth["sinus"]
    turn, semi, middle = np.array(sinus["axes"]), np.array(sinus["semi_axes_mm"]), np.array(sinus["centre_lps"])
    for site in truth["sites"]:
        floor = sinus_floor(scan, site["crest_lps"])
        assert isinstance(floor.structure.shape, Surface)
        q = (floor.structure.shape.points_lps_mm - middle) @ turn.T
        f = np.linalg.norm(q / semi, axis=1)
        error = (f - 1) * f / np.linalg.norm(q / semi**2, axis=1)
        assert np.abs(error).max() < FLOOR_MM
        assert np.median(floor.plate_mm) == pytest.approx(sinus["floor_plate_mm"], abs=0.15)
        assert floor.septum_mm == 0.0


@pytest.mark.parametrize(("seed", "quality"), [(0, FINE), (2, FINE), (0, COARSE), (3, COARSE)])
def test_root_surface_and_axis(seed: int, quality: Quality) -> None:
    phantom = root_phantom(seed, quality)
    click = 0.5 * (phantom.base_lps_mm + phantom.tip_lps_mm) + np.random.default_rng(seed).normal(0, 0.4, 3)
    root = trace_root(phantom.scan, click)
    surface = root.structure.shape
    assert isinstance(surface, Surface)
    mesh = trimesh.Trimesh(surface.points_lps_mm, surface.triangles)
    assert mesh.is_watertight
    assert mesh.volume > 0
    error = phantom.signed_mm(mesh.sample(2000, seed=1))
    assert np.abs(error).max() < ROOT_MM
    assert np.mean(np.abs(error) < 1.96 * root.structure.uncertainty_mm) >= 0.9
    true_axis = phantom.tip_lps_mm - phantom.base_lps_mm
    axis = root.apex_lps_mm - root.coronal_lps_mm
    assert np.degrees(np.arccos(axis @ true_axis / np.linalg.norm(axis) / np.linalg.norm(true_axis))) < 3


@pytest.mark.parametrize("share", [0.0, 0.3, 0.5, 0.6, 0.9])
def test_a_root_with_a_pulp_is_found_from_any_click_on_it(root: Path, share: float) -> None:
    """The sample's tooth has a dark pulp along its axis; its apex against the shapes it is made of.

    Its radii are not held to `ROOT_MM` here: towards the apex the socket wall is read as root, up to 0.9 mm too wide.
    """
    folder = root / "sample_volumes/lower_jaw"
    if not (folder / "series").is_dir():
        pytest.skip("the sample volumes are not there")
    truth = json.loads((folder / "truth.json").read_text())["root"]
    base, tip = np.array(truth["base_mm"]), np.array(truth["tip_mm"])
    found = trace_root(read_scan(folder / "series"), base + share * (tip - base))
    assert np.linalg.norm(found.apex_lps_mm - tip) < 1.0


@pytest.mark.parametrize(
    ("near", "words"), [((30.0, -20.0, -47.0), "nothing as dense"), ((0.0, 0.0, 0.0), "outside the scan")]
)
def test_root_needs_something_dense(near: tuple[float, float, float], words: str) -> None:
    phantom = root_phantom(1, Quality(0.5, 0.3, 30.0))
    with pytest.raises(GeometryError, match=words):
        trace_root(phantom.scan, near)
