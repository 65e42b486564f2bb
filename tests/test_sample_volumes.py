"""The invented patients: their files against the DICOM standard, their truths against the voxels and closed forms."""

import filecmp
import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from sample_volumes.make_samples import main
from sample_volumes.patients import PATIENTS
from sample_volumes.shapes import Cavity
from sample_volumes.truths import outline_distance, to_turned
from siteplan.findings import Findings

FOLDER = Path(__file__).resolve().parent.parent / "sample_volumes"
NAMES = tuple(PATIENTS)


def _files(name: str) -> list[Path]:
    return sorted((FOLDER / name / "series").iterdir())


def _truth(name: str) -> dict:
    return json.loads((FOLDER / name / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module", params=NAMES)
def sample(request: pytest.FixtureRequest) -> tuple[str, NDArray[np.float64], NDArray[np.float64], float]:
    """Name, grey values (K, J, I), first voxel's centre and voxel edge, read with pydicom alone."""
    slices = [pydicom.dcmread(file) for file in _files(request.param)]
    slices.sort(key=lambda data: float(data.ImagePositionPatient[2]))
    grey = np.stack([data.pixel_array * float(data.RescaleSlope) + float(data.RescaleIntercept) for data in slices])
    first = np.array([float(value) for value in slices[0].ImagePositionPatient])
    return request.param, grey, first, float(slices[0].PixelSpacing[0])


def _at(sample, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Grey values at LPS points, by the patient-coordinate equation of DICOM PS3.3 C.7.6.2.1.1 for an axial series."""
    _, grey, first, voxel = sample
    index = ((points - first) / voxel)[..., ::-1]
    return map_coordinates(grey, np.moveaxis(index, -1, 0), order=1, mode="nearest")


@pytest.mark.parametrize("name", NAMES)
def test_case_and_truth_are_what_the_script_makes_of_the_shapes(name, tmp_path):
    main(["--out", str(tmp_path), "--only", name, "--without-series"])
    for file in ("case.json", "truth.json"):
        assert _flat(json.loads((tmp_path / name / file).read_text())) == pytest.approx(
            _flat(json.loads((FOLDER / name / file).read_text())), abs=2e-3
        )


def _flat(content, path: str = "") -> dict:
    """Every leaf under its path."""
    if isinstance(content, dict):
        return {key: leaf for name, part in content.items() for key, leaf in _flat(part, f"{path}.{name}").items()}
    if isinstance(content, list):
        return {key: leaf for n, part in enumerate(content) for key, leaf in _flat(part, f"{path}[{n}]").items()}
    return {path: content}


def test_the_script_writes_the_same_bytes_again(tmp_path):
    for turn in ("first", "second"):
        main(["--out", str(tmp_path / turn), "--only", "upper_jaw", "--voxel", "1.0"])
    first, second = tmp_path / "first" / "upper_jaw", tmp_path / "second" / "upper_jaw"
    names = [str(file.relative_to(first)) for file in first.rglob("*") if file.is_file()]
    assert len(names) == 33 + 2
    assert filecmp.cmpfiles(first, second, names, shallow=False)[1:] == ([], [])


def test_together_they_stay_small():
    assert sum(file.stat().st_size for file in FOLDER.rglob("*.dcm")) < 12e6


@pytest.mark.parametrize("name", NAMES)
def test_files_are_ct_images_of_nobody(name):
    for file in _files(name):
        data = pydicom.dcmread(file)
        assert data.SOPClassUID == pydicom.uid.CTImageStorage
        assert data.file_meta.TransferSyntaxUID == pydicom.uid.ExplicitVRLittleEndian
        assert (data.BitsAllocated, data.BitsStored, data.HighBit) == (16, 12, 11)
        assert data.pixel_array.max() <= 4095
        assert str(data.PatientName).startswith("INVENTED^")
        assert not data.PatientBirthDate
        # PS3.3 C.11.1.1.2: US is "unspecified"; the values are no Hounsfield units.
        assert data.RescaleType == "US"


@pytest.mark.parametrize("name", NAMES)
def test_an_independent_checker_finds_no_error_in_the_files(name):
    checker = shutil.which("dciodvfy")
    if checker is None:
        pytest.skip("dciodvfy is not installed")
    for file in (_files(name)[0], _files(name)[-1]):
        said = subprocess.run([checker, file], capture_output=True, text=True, check=False).stderr
        assert "CTImage" in said
        assert "Error" not in said


def test_mean_grey_of_the_voxels_follows_the_stated_line(sample):
    truth = _truth(sample[0])
    slope, intercept = truth["grey"]["slope"], truth["grey"]["intercept"]
    turn, radius, depth = np.meshgrid(np.arange(0, 6.28, 0.2), [0.3, 0.8, 1.2, 1.6], np.arange(0.1, 10, 0.2))
    for site in truth["sites"]:
        axis, buccal, distal = (np.array(site[key]) for key in ("axis", "buccal", "distal"))
        points = (
            np.array(site["crest_mm"])
            + depth[..., None] * axis
            + (radius * np.cos(turn))[..., None] * buccal
            + (radius * np.sin(turn))[..., None] * distal
        )
        mean = np.average(_at(sample, points), weights=radius)
        expected = slope * site["mean_hu"]["value"] + intercept
        # 5 % or 40 grey, whichever is more: blur carries some soft tissue into the first half millimetre.
        assert mean == pytest.approx(expected, rel=0.05, abs=40)


def test_bone_edges_of_the_voxels_lie_where_the_truth_says(sample):
    """Half height between soft tissue and thick cortex is where a symmetric blur leaves a straight edge."""
    truth = _truth(sample[0])
    slope, intercept, hu = truth["grey"]["slope"], truth["grey"]["intercept"], truth["hu"]
    half = slope * (hu["soft_tissue"] + hu["cortex"]) / 2 + intercept
    errors = []
    for site in truth["sites"]:
        axis, buccal = np.array(site["axis"]), np.array(site["buccal"])
        for key, sign in (("buccal_reach", 1), ("lingual_reach", -1)):
            for level in site[key]:
                if level["value"] is None or level["depth_mm"] < 3:
                    continue
                out = np.arange(-0.8, 0.8, 0.02)
                start = np.array(site["crest_mm"]) + level["depth_mm"] * axis
                line = start + ((level["value"] + out)[:, None]) * sign * buccal
                sides = np.stack([line + shift * axis for shift in (-0.3, 0.0, 0.3)])
                profile = _at(sample, sides).mean(axis=0)
                errors.append(out[np.argmax(profile < half)])
    assert len(errors) >= 10
    # A 0.25 mm voxel with noise places one edge to about 0.1 mm; thin plates lose height, which pulls it inwards.
    assert np.abs(np.mean(errors)) < 0.06
    assert np.max(np.abs(errors)) < 0.25


def test_ridge_width_agrees_with_the_superellipse_solved_by_hand():
    patient = PATIENTS["lower_jaw"]()
    scene, ridge, s = patient.scene, patient.scene.ridge, 20.0
    t = 9.5  # below the taper, so the half width is the full one
    full = ridge.half_width * (1 + ridge.swell * np.sin(s / 6.5 - 1.0))
    expected = full * (1 - abs(t / (ridge.height / 2) - 1) ** ridge.exponent) ** (1 / ridge.exponent)
    d = ridge.crest_depth(np.array(s)) + t
    start = scene.to_lps(scene.arch.to_scene(s, ridge.centre_u(d), d))
    out = scene.to_lps(scene.arch.to_scene(s, 30.0, d)) - start
    assert outline_distance(scene, start, out / np.linalg.norm(out)) == pytest.approx(expected, abs=1e-6)


def test_distance_to_the_cavity_agrees_with_brute_force():
    rng = np.random.default_rng(5)
    turn, _ = np.linalg.qr(rng.standard_normal((3, 3)))
    cavity = Cavity(centre=np.array([1.0, 2.0, 3.0]), axes=(7.0, 15.5, 11.5), turn=turn, plate=1.0)
    ball = rng.standard_normal((400_000, 3))
    ball /= np.linalg.norm(ball, axis=1, keepdims=True)
    surface = cavity.centre + (ball * np.array(cavity.axes)) @ turn.T
    points = cavity.centre + rng.uniform(-18, 18, (300, 3))
    near = cKDTree(surface).query(points)[0] * np.where(cavity.level(points) < 1, -1, 1)
    # Samples leave gaps g of about 0.15 mm, so the reference is long by up to g^2 / (8 d): of use away from d = 0.
    good = np.abs(near) > 0.5
    assert good.sum() > 250
    assert cavity.distance(points[good]) == pytest.approx(near[good], abs=0.01)


def test_distance_to_a_turned_body_agrees_with_closed_forms():
    z, r = np.array([0.0, 10.0]), np.array([2.0, 2.0])
    up = np.array([0.0, 0.0, 1.0])
    cases = {(5.0, 0.0, 5.0): 3.0, (0.0, 0.0, 12.0): 2.0, (5.0, 0.0, 14.0): 5.0, (0.0, 2.5, -1.2): 1.3}
    for point, expected in cases.items():
        assert to_turned(np.array([point]), np.zeros(3), up, z, r) == pytest.approx(expected)


def test_each_site_does_what_its_story_says():
    margin = 2.0  # mm to canal and sinus: Implantology chapter, Taylor & Francis, ISBN 9781315113784
    lower = {site["tooth"]: _named(site) for site in _truth("lower_jaw")["sites"]}
    assert lower[35]["mandibular canal"] > margin
    assert lower[36]["mandibular canal"] > margin
    assert 0 < lower[37]["mandibular canal"] < margin
    upper = {site["tooth"]: (site, _named(site)) for site in _truth("upper_jaw")["sites"]}
    assert upper[15][1]["sinus floor"] > margin
    basal, distances = upper[16]
    tip = basal["platform_depth_mm"] + float(basal["fixture"].rsplit("x", 1)[1])
    plate = next(piece for piece in basal["materials_along_axis"] if piece["material"] == "floor_plate")
    assert plate["from_mm"] < tip < plate["to_mm"]
    assert distances["sinus floor"] > 0


def _named(site: dict) -> dict[str, float]:
    return {entry["structure"]: entry["value"] for entry in site["clearances"]}


@pytest.mark.parametrize("name", NAMES)
def test_the_package_reads_case_and_series(name):
    import siteplan
    from siteplan.case import check_against_scan

    case = siteplan.load_case(FOLDER / name / "case.json")
    scan = siteplan.read_scan(case.series_path)
    check_against_scan(case.case, scan)
    assert scan.spacing_kji_mm == pytest.approx((0.25, 0.25, 0.25))
    assert not scan.grey.may_be_hu


LENGTH_MM, CORTEX_MM = 0.3, 0.4
"""Wanted of fine scans: widths and distances, and cortex where thicker than 1 mm."""


@pytest.fixture(scope="module", params=NAMES)
def measured(request: pytest.FixtureRequest, assessed: Callable[[str], Findings]) -> tuple[dict, dict]:
    """Findings and truth of one sample, by tooth."""
    findings = assessed(request.param).as_json()
    truth = _truth(request.param)
    truth["line"] = truth.pop("grey")
    return {site["tooth"]: site for site in findings["sites"]}, truth


def test_findings_agree_with_the_truth(measured):
    found, truth = measured
    for true in truth["sites"]:
        site = found[true["tooth"]]
        for name, allowed in (("ridge_width", LENGTH_MM), ("buccal_plate", CORTEX_MM), ("lingual_plate", CORTEX_MM)):
            wanted = {level["depth_mm"]: level["value"] for level in true[name]}
            compared = 0
            for level in site[name]:
                value = wanted[level["depth_mm"]]
                if value is None or (name != "ridge_width" and value < 1.0):
                    continue
                assert level["value"] == pytest.approx(value, abs=allowed), (true["tooth"], name, level)
                compared += 1
            assert compared or name != "ridge_width"
        if true["crestal_cortex"]["value"] > 1.0:
            assert site["crestal_cortex"]["value"] == pytest.approx(true["crestal_cortex"]["value"], abs=CORTEX_MM)
        second = true["second_cortex_depth"]["value"]
        assert site["second_cortex_depth"]["value"] == pytest.approx(second, abs=CORTEX_MM)
        grey = truth["line"]["slope"] * true["mean_hu"]["value"] + truth["line"]["intercept"]
        assert site["mean_grey"]["value"] == pytest.approx(grey, rel=0.05, abs=40)


def test_clearances_agree_with_the_truth(measured):
    found, truth = measured
    for true in truth["sites"]:
        values = {entry["structure"]: entry["value"] for entry in found[true["tooth"]]["clearances"]}
        for name, distance in _named(true).items():
            if name in values:  # canal wall and other fixtures stand elsewhere in the findings
                assert values[name] == pytest.approx(distance, abs=0.05), (true["tooth"], name)
        assert any(name in values for name in ("mandibular canal", "sinus floor"))


def test_verdicts_tell_the_stories_of_the_samples(measured):
    found, _ = measured
    verdict = {tooth: {c["structure"]: c["verdict"] for c in site["clearances"]} for tooth, site in found.items()}
    if 36 in found:
        assert verdict[36]["mandibular canal"] == "keeps the margin"
        assert verdict[37]["mandibular canal"] == "breaks the margin"
    else:
        assert verdict[15]["sinus floor"] == "keeps the margin"
        assert verdict[16]["sinus floor"] == "planned contact"
