"""Both pages in a browser: on a telephone every verdict lies inside the screen, on paper a site is one page."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from siteplan.findings import Findings
from siteplan.report import write_report
from siteplan.report.share import write_shared

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(BROWSER is None, reason="Chromium is not installed")

MEASURE = (
    "<body><iframe id='f' style='width:390px;height:800px' src='%s'></iframe><script>"
    "document.getElementById('f').onload = e => { const d = e.target.contentDocument;"
    "document.title = [...d.querySelectorAll('.verdict')].map(v => Math.round(v.getBoundingClientRect().right))"
    ".concat(d.documentElement.clientWidth).join(' ') }</script>"
)
"""A frame as wide as a telephone (390 CSS pixels, a usual width) that writes down where each verdict ends."""


@pytest.fixture(scope="module")
def folder(findings: Findings, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("screen")
    write_report(findings, findings.scan, findings.case, out / "clinic")
    write_shared(findings, findings.scan, out / "shared")
    return out


def browse(tmp_path: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
         "--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={tmp_path / 'profile'}", *more],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip


@pytest.mark.parametrize(("file", "least"), [("shared/plan.html", 3), ("clinic/report.html", 6)])
def test_on_a_small_screen_every_verdict_lies_inside_it(folder: Path, tmp_path: Path, file: str, least: int) -> None:
    """A verdict beyond the edge would not be read."""
    page = tmp_path / "frame.html"
    page.write_text(MEASURE % (folder / file).as_uri(), "utf-8")
    done = browse(tmp_path, "--virtual-time-budget=3000", "--dump-dom", page.as_uri())
    found = re.search(r"<title>([\d ]+)</title>", done.stdout)
    assert found is not None, done.stderr[-500:]
    *edges, wide = map(int, found.group(1).split())
    assert wide <= 390
    assert len(edges) > least
    assert max(edges) <= wide


def test_printed_from_a_browser_every_page_begins_with_its_head(folder: Path, tmp_path: Path) -> None:
    """A page without the running head is what a site page or card has run over onto."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    paper = tmp_path / "printed.pdf"
    done = browse(
        tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={paper}", (folder / "clinic/report.html").as_uri()
    )
    assert paper.is_file(), done.stderr[-500:]
    text = subprocess.run(["pdftotext", "-layout", str(paper), "-"], capture_output=True, text=True, check=True).stdout
    pages = [" ".join(page.split()[:40]) for page in text.split("\f")[:-1]]
    assert len(pages) >= 5
    assert [n for n, head in enumerate(pages, 1) if "· case" not in head] == []
