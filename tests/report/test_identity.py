"""What identity "none" and "initials" give away: nothing, and no more than they say."""

import re
import shutil
import subprocess
import zlib
from pathlib import Path

import pytest
from made_case import (
    BORN,
    IDENTIFIER,
    NAME,
    SITE_36,
    STUDIED,
    UID,
    canal,
    made_case,
    made_scan,
    root,
    site,
    with_talkative_record,
)

import siteplan
from siteplan.findings import Findings
from siteplan.report import Identity, write_report
from siteplan.report.identity import initials, spoken_name
from siteplan.scan.volume import Patient

SECRETS = [*NAME.split("^"), IDENTIFIER, BORN, STUDIED, UID, "1951-12-03", "2026-07-04", "777413"]


@pytest.fixture(scope="module")
def talkative(tmp_path_factory: pytest.TempPathFactory) -> Findings:
    """A case in which the patient's name was typed into every field that takes text."""
    said = "Zoenira Xaverine Quentino, born 1951-12-03"
    case = made_case(
        [site(36, SITE_36, fixture="demo-compressive-4.0x10", notes=said)],
        [canal(name=f"canal of {said}"), root() | {"name": f"root of {said}", "note": said}],
        title=said,
        patient_label=said,
        notes=said,
        marks=[{"kind": "note", "points_mm": [[0, 0, 0]], "text": said, "tooth": 36}],
        calibration={"slope": 0.9, "intercept": 40.0, "source": said, "device": said, "date": "2026-07-04"},
    )
    found = siteplan.assess(made_scan(), case)
    return with_talkative_record(found, tmp_path_factory.mktemp("record"), said, "2026-07-04")


@pytest.fixture(scope="module")
def shared_out(talkative: Findings, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("none")
    write_report(talkative, talkative.scan, talkative.case, out, identity=Identity.NONE)
    return out


def readable(raw: bytes) -> bytes:
    """The bytes, and those of every compressed stream in them (PDF), so that nothing hides in a stream."""
    parts = [raw]
    for start in re.finditer(rb"stream\r?\n", raw):
        try:
            parts.append(zlib.decompressobj().decompress(raw[start.end() :]))
        except zlib.error:
            continue
    return b"\n".join(parts)


def test_not_one_byte_of_the_patient(shared_out: Path) -> None:
    files = list(shared_out.iterdir())
    assert len(files) >= 6
    for path in files:
        content = readable(path.read_bytes())
        for secret in SECRETS:
            for form in (secret.encode(), secret.encode("utf-16-be"), secret.lower().encode(), secret.title().encode()):
                assert form not in content, f"{path.name} holds {secret}"
                assert secret.lower() not in path.name.lower()


def test_the_pdf_says_nothing_either(shared_out: Path) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    if not (shared_out / "report.pdf").exists():
        pytest.skip("typst is not installed")
    said = subprocess.run(
        ["pdftotext", str(shared_out / "report.pdf"), "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "identity removed" in said
    assert "left canal" in said
    for secret in SECRETS:
        assert secret.lower() not in said.lower()


def test_the_test_itself_finds_a_leak(talkative: Findings, tmp_path: Path) -> None:
    write_report(talkative, talkative.scan, talkative.case, tmp_path, identity=Identity.AS_GIVEN)
    html = (tmp_path / "report.html").read_bytes()
    assert b"Quentino" in html
    assert IDENTIFIER.encode() in html


def test_initials_say_initials_and_year(talkative: Findings, tmp_path: Path) -> None:
    write_report(talkative, talkative.scan, talkative.case, tmp_path, identity=Identity.INITIALS)
    html = (tmp_path / "report.html").read_text("utf-8")
    assert "X.Z.Q." in html
    assert "<dd>1951</dd>" in html
    for secret in (*NAME.split("^"), IDENTIFIER, BORN, STUDIED, "1951-12-03", "2026-07-04"):
        assert secret.lower() not in html.lower()


def test_names() -> None:
    # Component order by DICOM PS3.5 6.2.1.2: family, given, middle, prefix, suffix.
    assert spoken_name("Roe^Jane^Ann^Dr^Jr") == "Dr Jane Ann Roe Jr"
    assert spoken_name("Roe") == "Roe"
    assert initials(Patient("Roe^Jane Ann")) == "J.A.R."
    assert initials(Patient("")) == ""
