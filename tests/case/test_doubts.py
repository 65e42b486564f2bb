"""Slips in a case that leave every number plausible: each must be said, and sound sites must stay silent.

Directions follow DICOM PS3.3 C.7.6.2.1.1: +x to the patient's left, +y to the back, +z to the head. Tooth numbers
follow ISO 3950.
"""

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import siteplan
from siteplan.anatomy import Kind, Structure, Tube
from siteplan.assessment import assess_site, load_library
from siteplan.bone import Calibration
from siteplan.case import check_against_scan
from siteplan.case.calibration import calibration_remarks
from siteplan.case.directions import direction_remarks, neighbour_remarks
from siteplan.case.model import SiteEntry
from siteplan.case.soft_tissue import gum_seen_mm
from siteplan.case.surroundings import missing_structure, structure_remarks
from siteplan.errors import CaseError
from siteplan.flags import Flag
from siteplan.measures import Measure

ROOT = Path(__file__).resolve().parents[2]
LOWER = ROOT / "sample_volumes" / "lower_jaw"


@cache
def scan_of(jaw):
    return siteplan.read_scan(ROOT / "sample_volumes" / jaw / "series")


def assessed(folder, jaw="lower_jaw", *, keep=1, full=False, **changes):
    """A sample with its first sites only and changes to the first, assessed quickly; `structures` makes its own."""
    case = json.loads((ROOT / "sample_volumes" / jaw / "case.json").read_text())
    case["sites"] = case["sites"][:keep]
    if "structures" in changes:
        case["structures"] = changes.pop("structures")(case["structures"])
    case["sites"][0].update(changes)
    case["sites"][0].pop("side", None)
    (folder / "case.json").write_text(json.dumps(case))
    loaded, scan = siteplan.load_case(folder / "case.json"), scan_of(jaw)
    if full:
        return siteplan.assess(scan, loaded)
    library = load_library(scan, loaded)
    sites = [assess_site(scan, entry, library, quick=True) for entry in loaded.case.sites]
    return SimpleNamespace(sites=sites, remarks=library.remarks)


def codes(findings, site=0):
    return [found.code for found in findings.sites[site].scan_findings]


def turned(vector):
    return [-x for x in vector]


FIRST = json.loads((LOWER / "case.json").read_text())["sites"][0]


@pytest.mark.parametrize(("jaw", "sites"), [("lower_jaw", 3), ("upper_jaw", 2)])
def test_a_sound_case_is_silent_and_its_gum_is_seen_as_it_is(tmp_path, jaw, sites):
    findings = assessed(tmp_path, jaw, keep=sites)
    assert findings.remarks == ()
    for site in findings.sites:
        assert site.scan_findings == ()
        # The invented patients' gum is the typed thickness exactly; the reading is bounded by the voxel of 0.3 mm.
        assert gum_seen_mm(scan_of(jaw), site.bone) == pytest.approx(site.entry.soft_tissue_mm, abs=0.3)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"buccal": turned(FIRST["buccal"])}, "buccal-against-tooth"),
        ({"tooth": 45}, "buccal-against-tooth"),
        ({"platform_depth_mm": -3.0}, "platform-depth"),
        ({"platform_depth_mm": 4.0}, "platform-depth"),
        ({"approach": "flapless", "soft_tissue_mm": 12.0}, "gum-against-scan"),
        ({"structures": lambda _all: []}, "no-canal-drawn"),
        ({"structures": lambda given: [s | {"side": "right"} for s in given]}, "side-against-structure"),
    ],
)
def test_a_slip_is_said_beside_the_site_and_on_its_card(tmp_path, changes, code):
    findings = assessed(tmp_path, **changes)
    assert code in codes(findings)
    said = next(found for found in findings.sites[0].scan_findings if found.code == code)
    assert said.severity == "warning"
    assert any(said.what in problem.text for problem in findings.sites[0].placed.preparation.problems)


def test_a_canal_that_is_not_drawn_is_told_with_where_the_scan_shows_it(tmp_path):
    findings = assessed(tmp_path, full=True, structures=lambda _all: [])
    assert "no-canal-drawn" in [found["code"] for found in findings.as_json()["sites"][0]["scan_findings"]]
    site = findings.sites[0]
    roof = site.bone.canal_roof_depth.value
    text = next(found.what for found in site.scan_findings if found.code == "no-canal-drawn")
    assert f"{roof:.1f} mm below the bone entry" in text
    assert f"{roof - site.placed.apex_depth_mm:.1f} mm above it" in text


def test_a_sinus_floor_that_is_not_drawn_is_told(tmp_path):
    findings = assessed(tmp_path, "upper_jaw", structures=lambda given: [s for s in given if s["kind"] == "root"])
    assert codes(findings) == ["no-sinus-floor-drawn"]


@pytest.mark.parametrize("changes", [{"axis": turned(FIRST["axis"])}, {"tooth": 25}])
def test_an_axis_upside_down_is_refused_with_the_place(tmp_path, changes):
    with pytest.raises(CaseError, match=r"case.json: sites\[0\].axis: .*this axis points 171 degrees away"):
        assessed(tmp_path, full=True, **changes)


def test_a_leaning_axis_is_no_slip_until_sixty_degrees(tmp_path):
    def leaning(degrees):
        angle = np.radians(degrees)
        return assessed(tmp_path, axis=[0.0, np.sin(angle), -np.cos(angle)], buccal=[1.0, 0.0, 0.0])

    assert "axis-against-tooth" not in codes(leaning(45))
    assert "axis-against-tooth" in codes(leaning(70))


def moved(given, point):
    canal = next(s for s in given if s["kind"] == "canal")
    return [canal | {"points_mm": [*canal["points_mm"], point]}]


def test_a_point_far_outside_the_scan_is_said_and_farther_out_refused(tmp_path):
    last = json.loads((LOWER / "case.json").read_text())["structures"][1]["points_mm"][-1]
    near = assessed(tmp_path, structures=lambda given: moved(given, [last[0], last[1] + 20, last[2]]))
    assert any("beyond this scan" in remark for remark in near.remarks)
    with pytest.raises(CaseError, match=r"structures\[0\]: mandibular canal reaches .* mm outside this scan"):
        assessed(tmp_path, full=True, structures=lambda given: moved(given, [500, 0, 0]))


@pytest.mark.parametrize("jaw", ["lower_jaw", "upper_jaw"])
def test_a_turned_patient_is_no_slip(jaw):
    from scipy.spatial.transform import Rotation

    move = np.eye(4)
    move[:3, :3] = Rotation.from_euler("xyz", [25, -40, 110], degrees=True).as_matrix()
    move[:3, 3] = 12.5, -80.25, 311.0
    scan = replace(scan_of(jaw), affine=move @ scan_of(jaw).affine)
    case = siteplan.load_case(ROOT / "sample_volumes" / jaw / "case.json").case
    sites = [
        entry(
            s.tooth, tuple((move @ (*s.crest_mm, 1))[:3]), tuple(move[:3, :3] @ s.axis), tuple(move[:3, :3] @ s.buccal)
        )
        for s in case.sites
    ]
    check_against_scan(case.model_copy(update={"sites": sites, "structures": []}), scan)
    for site in sites:
        assert not direction_remarks(site.tooth, site.frame(), scan)
        assert not neighbour_remarks(site, [other for other in sites if other is not site])


def entry(tooth, crest, axis=(0, 0, -1), buccal=(1, 0, 0)):
    return SiteEntry(tooth=tooth, crest_mm=crest, axis=axis, buccal=buccal)


def test_neighbours_tell_a_reversed_site_however_the_head_is_turned():
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_euler("xyz", [25, -40, 110], degrees=True).as_matrix()
    places = {35: (34, -15, 0), 36: (37, -7, 0), 37: (38, 2, 0)}
    for reversed_tooth in (None, 35, 36):
        sites = [
            entry(t, tuple(turn @ p), tuple(turn @ (0, 0, -1)), tuple(turn @ (-1 if t == reversed_tooth else 1, 0, 0)))
            for t, p in places.items()
        ]
        said = [s.tooth for s in sites if neighbour_remarks(s, [o for o in sites if o is not s])]
        assert said == ([] if reversed_tooth is None else [reversed_tooth])


def test_sites_that_lie_each_where_the_other_should_are_said():
    assert neighbour_remarks(entry(36, (-37, -7, 0)), [entry(46, (37, -7, 0))])
    assert neighbour_remarks(entry(36, (37, -7, 10)), [entry(26, (37, -7, 0))])
    assert not neighbour_remarks(entry(36, (37, -7, 0)), [entry(46, (-37, -7, 0)), entry(26, (37, -7, 25))])


def test_a_canal_beside_an_upper_tooth_and_one_of_the_other_side_only():
    def canal(x, side=""):
        return Structure(Kind.CANAL, "canal", Tube(np.array([[x, -20.0, -14], [x, 20, -14]]), np.full(2, 1.4)), side)

    start, end = np.array([36.0, 0, 0]), np.array([36.0, 0, -10])
    none = Measure.absent("mm", Flag.NO_CANAL_TOLD)
    assert [f.code for f in structure_remarks(26, start, end, [canal(38.0)])] == ["jaw-against-structure"]
    assert not structure_remarks(36, start, end, [canal(38.0, "left")])
    assert missing_structure(36, start, end, [canal(-38.0)], seen=none, apex_depth_mm=10.0)
    assert not missing_structure(36, start, end, [canal(38.0)], seen=none, apex_depth_mm=10.0)
    assert not missing_structure(32, start, end, [], seen=none, apex_depth_mm=10.0)


@pytest.mark.parametrize(("slope", "intercept", "sound"), [(1, 0, 1), (1, 1024, 1), (0.8, -200, 1), (1024, 1, 0),
                                                           (-1, 0, 0), (0.01, 0, 0)])  # fmt: skip
def test_a_scale_that_no_scanner_has_is_said(slope, intercept, sound):
    assert bool(calibration_remarks(Calibration(slope, intercept))) != bool(sound)


def test_an_unknown_fixture_is_told_with_file_site_and_names_like_it(tmp_path):
    with pytest.raises(
        siteplan.errors.LibraryFileError, match=r"case.json: sites\[0\] \(tooth 35\): .*names like it: demo-"
    ):
        assessed(tmp_path, fixture="demo-foo-9x9")


def test_a_planned_contact_that_is_never_granted_is_said_and_the_margin_holds(tmp_path):
    """Common practice, no source: cortex is engaged at the floors of sinus and nose, never at the mandibular canal."""
    sound = assessed(tmp_path, "upper_jaw", keep=2)
    assert "contact-not-granted" not in codes(sound, 1)  # 16 is meant to engage the sinus floor
    canal = json.loads((LOWER / "case.json").read_text())["structures"][0]["name"]
    found = assessed(tmp_path, planned_contacts=[canal])
    assert "contact-not-granted" in codes(found)
    row = next(c for c in found.sites[0].placed.clearances if c.structure == canal)
    assert row.margin.value_mm > 0
    assert not row.contact
