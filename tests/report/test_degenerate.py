"""Poor, empty and hostile input still gives a correct report."""

import re
from pathlib import Path

import pytest
from made_case import CENTRE_X, SITE_36, canal, made_case, made_scan, root, site

import siteplan
from siteplan.case.store import CaseFile
from siteplan.report import pdf, vtk_gateway, write_report
from siteplan.report.vtk_gateway import Trial
from siteplan.scan.volume import Scan


@pytest.fixture(autouse=True)
def flat_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """No 3D pictures here: they take most of the time and are tested elsewhere."""
    monkeypatch.setattr(vtk_gateway, "trial", lambda: Trial(False, "left out"))


def report(case: CaseFile, out: Path, scan: Scan | None = None) -> str:
    findings = siteplan.assess(scan or made_scan(), case)
    write_report(findings, findings.scan, case, out)
    html = (out / "report.html").read_text("utf-8")
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", "", html, flags=re.S)).split())


def test_no_structure_and_no_fixture(tmp_path: Path) -> None:
    text = report(made_case([site(36, SITE_36)], []), tmp_path)
    assert "The case holds no structure: no distance to a nerve, sinus or root was checked." in text
    assert "nothing to check" in text
    assert "no fixture planned" in text
    assert "keeps the margin" not in text.split("Methods and sources")[0]


def test_site_at_the_edge_of_the_scan(tmp_path: Path) -> None:
    text = report(made_case([site(37, (CENTRE_X, 21.0, 0.0), fixture="demo-compressive-4.0x10")]), tmp_path)
    assert "37" in text
    assert (tmp_path / "site-37-along.png").stat().st_size > 20_000


def test_coarse_and_uneven_voxels(tmp_path: Path) -> None:
    scan = made_scan((1.9, 0.94, 0.94))
    text = report(made_case([site(36, SITE_36, fixture="demo-compressive-4.0x10")]), tmp_path, scan)
    assert "0.94 × 0.94 × 1.90 mm (columns, rows, slices)" in text


def test_axis_that_meets_no_bone(tmp_path: Path) -> None:
    text = report(made_case([site(36, (CENTRE_X + 12, 0.0, 0.0), fixture="demo-compressive-4.0x10")]), tmp_path)
    assert "The axis does not meet bone" in text
    assert "not measured" in text


def test_very_long_names_and_markup_in_names(tmp_path: Path) -> None:
    long = "left canal " + "verylongword" * 9
    rude = "<img src=x onerror=alert(1)> $\\frac{1}{2}$ #let x"
    case = made_case(
        [site(36, SITE_36, fixture="demo-compressive-4.0x10", notes="#pagebreak() $x$ {{ 7*7 }}")],
        [canal(name=long), root() | {"name": rude}],
        title="*" * 190,
        patient_label="Ω" * 150,
    )
    report(case, tmp_path)
    html = (tmp_path / "report.html").read_text("utf-8")
    assert long in html
    assert "onerror=alert(1)&gt;" in html
    assert "<img src=x" not in html
    assert "{{ 7*7 }}" in html
    if pdf.can_write():
        raw = (tmp_path / "report.pdf").read_bytes()
        assert raw.startswith(b"%PDF-")


def test_letters_without_a_glyph_still_make_a_pdf(tmp_path: Path) -> None:
    if not pdf.can_write():
        pytest.skip("typst is not installed")
    case = made_case([site(36, SITE_36)], patient_label="\U0001f9b7 \u05d0\u05d1 \u4e00\u4e8c")
    report(case, tmp_path)
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert "\u4e00\u4e8c" in (tmp_path / "report.html").read_text("utf-8")


def test_sites_in_both_jaws(tmp_path: Path) -> None:
    """One overview for each jaw, and each jaw's own word for its inner side."""
    upper = site(26, (CENTRE_X, 4.0, -26.0), fixture="demo-compressive-4.0x10") | {"axis": (0, 0, 1)}
    text = report(made_case([site(36, SITE_36), upper], []), tmp_path)
    assert {"overview-lower.png", "overview-upper.png"} <= {p.name for p in tmp_path.iterdir()}
    assert "Palatal plate" in text
    assert "palatal bone, from 1 mm below the crest" in text
    assert "Margin to palatal bone" in text
    html = (tmp_path / "report.html").read_text("utf-8")
    assert re.findall(r'alt="(Bucco\w+ section of tooth \d\d)', html) == [
        "Buccolingual section of tooth 36",
        "Buccopalatal section of tooth 26",
    ]
    assert "lingual bone" not in text.split("Methods and sources")[0]
