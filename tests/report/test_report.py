"""The written report: complete, escaped, offline, with reasons for what is absent, and the same without OpenGL."""

import base64
import hashlib
import json
import re
import sys
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import jsonschema
import pytest

from siteplan.errors import OutputError
from siteplan.findings import Findings
from siteplan.report import pdf, vtk_gateway, write_report
from siteplan.schemas import schema_of

MADE = datetime(2026, 11, 25, 4, 30, tzinfo=UTC)
EXTERNAL = re.compile(r"(?i)(https?:|//[a-z]|url\(|@import|<link|<script|<iframe|<object|<embed|\son\w+=)")


class Page(HTMLParser):
    """Tags with their attributes, and the text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def every(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def folder(findings: Findings, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report") / "made" / "here"
    written = write_report(findings, findings.scan, findings.case, out, made=MADE)
    assert [path for path in written if not path.is_file()] == []
    return out


@pytest.fixture(scope="module")
def html(folder: Path) -> str:
    return (folder / "report.html").read_text("utf-8")


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_files(folder: Path) -> None:
    names = {path.name for path in folder.iterdir()}
    assert {"findings.json", "report.html", "overview-lower.png"} <= names
    for tooth in (36, 37):
        assert {f"site-{tooth}-{what}.png" for what in ("across", "along", "profile")} <= names


def test_findings_fit_the_published_schema(folder: Path) -> None:
    content = json.loads((folder / "findings.json").read_text("utf-8"))
    jsonschema.validate(content, schema_of("findings"), cls=jsonschema.Draft202012Validator)


def test_nothing_comes_from_outside(html: str, page: Page) -> None:
    style = html[html.index("<style>") : html.index("</style>")]
    tags = re.sub(r"data:image/png;base64,[A-Za-z0-9+/=]+", "data:", " ".join(re.findall(r"<[^>]*>", html)))
    assert EXTERNAL.findall(style + tags) == []
    for image in page.every("img"):
        assert image["src"].startswith("data:image/png;base64,")


def test_policy_names_the_style_by_its_hash(html: str, page: Page) -> None:
    (policy,) = [m["content"] for m in page.every("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    style = html[html.index("<style>") + 7 : html.index("</style>")]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy.startswith("default-src 'none'")
    assert f"style-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy
    assert "script-src" not in policy
    assert not [tag for tag, attributes in page.tags if "style" in attributes], "the policy would drop style attributes"


def test_typed_text_is_shown_and_does_nothing(hostile: str, html: str, page: Page) -> None:
    assert " ".join(hostile.split()) in page.text
    assert page.every("script") == []
    assert "<b>markup</b>" not in html
    assert "A title with <b>markup</b>" in page.text


def test_patient_block_as_given(page: Page) -> None:
    for words in ("XAVERINE ZOENIRA QUENTINO", "ID-77413-XQ", "1951-12-03", "2026-07-04"):
        assert words in page.text


def test_absent_measures_stand_there_with_their_reason(findings: Findings, page: Page) -> None:
    absent = [m for site in findings.sites for m in site.bone.mesiodistal_width if m.value is None]
    assert absent, "this jaw has no bound along the arch"
    assert "not measured" in page.text
    for flag in {flag for measure in absent for flag in measure.flags}:
        assert flag.meaning in page.text


def test_not_calibrated_is_said_wherever_grey_is_shown(page: Page, findings: Findings) -> None:
    assert findings.calibration is None
    assert page.text.count("Grey value (not calibrated)") == len(findings.sites)
    assert page.text.count("not calibrated, orientation only") == len(findings.sites)
    assert " HU (" not in page.text.split("Density tables")[0]


def test_distance_has_interval_margin_source_and_verdict(findings: Findings, page: Page) -> None:
    for clearance in findings.sites[0].clearances:
        if clearance.kind in ("canal", "root"):
            assert f"{int(clearance.distance.value * 100) / 100:.2f}\u00a0mm".replace("\u00a0", " ") in page.text
            assert clearance.margin.source in page.text
            assert clearance.verdict.value in page.text


def test_drilling_card_says_tip_and_what_is_left(findings: Findings, page: Page) -> None:
    placed = findings.sites[0].placed
    assert placed is not None
    assert placed.preparation.steps
    for step in placed.preparation.steps:
        assert step.drill.name in page.text
        assert f"{step.tip_depth_mm:.2f} mm from the {step.reference}" in page.text


def test_hashes_and_version(findings: Findings, page: Page) -> None:
    assert findings.scan.digest in page.text
    assert findings.case.digest in page.text
    assert "siteplan 0." in page.text


def test_page_can_be_read_aloud(page: Page) -> None:
    assert page.every("html")[0]["lang"] == "en"
    assert all(image["alt"].strip() for image in page.every("img"))
    assert len(page.every("main")) == 1
    assert len(page.every("h1")) == 2
    named = {attributes["id"] for _, attributes in page.tags if "id" in attributes}
    assert {section["aria-labelledby"] for section in page.every("section")} <= named


def test_png_holds_no_description(folder: Path) -> None:
    for path in folder.glob("*.png"):
        raw = path.read_bytes()
        assert not re.search(rb"tEXt|iTXt|zTXt|eXIf|tIME", raw), path.name


def test_same_input_same_page(findings: Findings, folder: Path, tmp_path: Path) -> None:
    write_report(findings, findings.scan, findings.case, tmp_path, made=MADE)
    for name in ("findings.json", "report.html"):
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes()


@pytest.fixture
def no_opengl(monkeypatch: pytest.MonkeyPatch) -> None:
    vtk_gateway.trial.cache_clear()
    monkeypatch.setattr(vtk_gateway, "TRIAL_CODE", "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    yield
    vtk_gateway.trial.cache_clear()


@pytest.mark.usefixtures("no_opengl")
def test_without_opengl_the_report_says_so(findings: Findings, tmp_path: Path) -> None:
    write_report(findings, findings.scan, findings.case, tmp_path, made=MADE)
    text = Page((tmp_path / "report.html").read_text("utf-8")).text
    assert "The 3D picture is missing: this machine offers no OpenGL for VTK to draw with." in text
    assert not list(tmp_path.glob("*-3d.png"))


def test_without_the_typesetter_the_report_says_so(
    findings: Findings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    write_report(findings, findings.scan, findings.case, tmp_path, made=MADE)
    assert pdf.MISSING in Page((tmp_path / "report.html").read_text("utf-8")).text
    assert not (tmp_path / "report.pdf").exists()


def test_vtk_is_imported_in_one_file_only(root: Path) -> None:
    users = [
        p.name
        for p in (root / "siteplan").rglob("*.py")
        if re.search(r"(from|import) vtkmodules|import vtk\b", p.read_text("utf-8"))
    ]
    assert users == ["vtk_gateway.py"]
    assert not re.search(r"^\s*import vtk\b", (root / "siteplan/report/vtk_gateway.py").read_text("utf-8"), re.M)


def test_folder_that_cannot_be_made(findings: Findings, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="cannot be made"):
        write_report(findings, findings.scan, findings.case, tmp_path / "file" / "below")
