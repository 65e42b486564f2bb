"""The PDF: pages, paper, tags, standards, text that another program reads."""

import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest

from siteplan.findings import Findings
from siteplan.report import Identity, pdf, write_report
from siteplan.report.writer import build

MADE = datetime(2026, 11, 25, 4, 30, 7, 123, tzinfo=UTC)
# ISO 216 A4 and ANSI A in points of 1/72 inch.
PAPERS = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "us-letter": (612.0, 792.0)}

pytestmark = pytest.mark.skipif(not pdf.can_write(), reason="typst is not installed")


@pytest.fixture(scope="module", params=PAPERS)
def made(
    request: pytest.FixtureRequest, findings: Findings, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Path]:
    out = tmp_path_factory.mktemp(request.param)
    write_report(findings, findings.scan, findings.case, out, made=MADE, paper=request.param)
    return request.param, out / "report.pdf"


def test_pages_and_paper(made: tuple[str, Path], findings: Findings) -> None:
    paper, path = made
    raw = path.read_bytes()
    boxes = re.findall(rb"/MediaBox ?\[ ?0 0 ([\d.]+) ([\d.]+)", raw)
    cards = sum(site.placed is not None for site in findings.sites)
    assert len(boxes) >= 2 + len(findings.sites) + cards
    for wide, tall in boxes:
        assert (float(wide), float(tall)) == pytest.approx(PAPERS[paper], abs=0.5)


def pages_of(path: Path) -> list[str]:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True)
    return done.stdout.split("\f")[:-1]


def overflowing(pages: list[str]) -> list[int]:
    """Pages before the methods that do not begin with a running head, so that the page before them ran over."""
    heads = [" ".join(page.split()[:40]) for page in pages]
    methods = next(n for n, head in enumerate(heads) if "methods · case" in head)
    return [n for n, head in enumerate(heads[:methods]) if "· case" not in head]


def test_every_site_card_and_record_is_one_page(made: tuple[str, Path]) -> None:
    assert overflowing(pages_of(made[1])) == []


def test_a_card_with_twice_the_steps_still_is_one_page(findings: Findings, tmp_path: Path) -> None:
    content, figures = build(findings, findings.scan, Identity.AS_GIVEN, MADE, lambda _share, _what: None)
    card = content["sites"][0]["card"]
    card["steps"] = [*card["steps"], *card["steps"]]
    (tmp_path / "long.pdf").write_bytes(pdf.report_pdf(content, figures, MADE))
    assert overflowing(pages_of(tmp_path / "long.pdf")) == []


@pytest.mark.parametrize("text", ["short words only", "x" * 30, "0123456789abcdef" * 4])
def test_usual_words_and_hashes_stay_whole(text: str) -> None:
    assert pdf._breakable(text) == text


def test_long_words_can_break() -> None:
    broken = pdf._breakable("canal " + "very" * 20)
    assert broken.replace("\u200b", "") == "canal " + "very" * 20
    assert max(len(part) for part in re.split("[\u200b ]", broken)) <= 15


def test_tags_and_standards(made: tuple[str, Path]) -> None:
    raw = made[1].read_bytes()
    assert b"/StructTreeRoot" in raw
    assert re.search(rb"pdfaid:part>2<", raw)  # ISO 19005-2
    assert re.search(rb"pdfuaid:part>1<", raw)  # ISO 14289-1


def test_another_program_reads_the_same_numbers(made: tuple[str, Path], findings: Findings) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    done = subprocess.run(["pdftotext", "-layout", str(made[1]), "-"], capture_output=True, text=True, check=True)
    text = " ".join(done.stdout.split())
    assert "Tooth 36, lower jaw, left side" in text
    assert "<script>alert('x')</script>" in text.replace("’", "'")
    for clearance in findings.sites[0].clearances[:2]:
        assert f"{int((clearance.distance.value or 0) * 100) / 100:.2f} mm" in text
    assert "not measured" in text
