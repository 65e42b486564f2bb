"""A case bundle, made and opened again: the same case, the same findings, the same scan."""

import hashlib
import json
import shutil
import zipfile
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from telling_patient import SAID

import siteplan
from siteplan.errors import OutputError, SiteplanError
from siteplan.findings import Findings
from siteplan.handover.bundle_form import BundleError
from siteplan.handover.bundle_read import check_bundle, open_bundle
from siteplan.handover.bundle_write import write_bundle
from siteplan.report import Identity, write_report
from siteplan.surgery.record import read_record, record_path


@pytest.fixture
def no_report(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bundles without pictures, for tests that look at something else."""
    monkeypatch.setattr("siteplan.handover.bundle_write.write_report", lambda *_args, **_more: [])


@pytest.fixture(scope="module")
def whole(findings: Findings, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bundle with everything: identity as given, scan, seating record, own catalogue."""
    target = tmp_path_factory.mktemp("given") / "case-bundle.zip"
    write_bundle(findings, findings.scan, findings.case, target, identity=Identity.AS_GIVEN, with_scan=True)
    return target


@pytest.fixture(scope="module")
def received(whole: Path, tmp_path_factory: pytest.TempPathFactory) -> Findings:
    """The same bundle opened in another place and assessed there."""
    folder = tmp_path_factory.mktemp("elsewhere")
    done = open_bundle(Path(shutil.copy(whole, folder / "received.zip")), folder / "case")
    case = siteplan.load_case(done.case_path)
    return siteplan.assess(siteplan.read_scan(case.series_path, series=case.case.series_uid), case)


def test_it_opens_elsewhere_to_the_same_findings(whole: Path, findings: Findings, received: Findings) -> None:
    assert received.scan.digest == findings.scan.digest == check_bundle(whole).scan.digest
    assert np.array_equal(received.scan.voxels, findings.scan.voxels)
    again, before = (json.loads(json.dumps(one.as_json())) for one in (received, findings))
    for content in (again, before):
        content.pop("case")  # the digest of the case file, whose paths differ
    assert again == before
    assert read_record(record_path(received.case.path), 36) == read_record(record_path(findings.case.path), 36)
    assert received.case.case.title == SAID


def test_the_manifest_agrees_with_hashes_of_another_program(whole: Path) -> None:
    with zipfile.ZipFile(whole) as archive:
        assert archive.testzip() is None
        told = json.loads(archive.read("manifest.json"))
        for entry in told["files"]:
            raw = archive.read(entry["name"])
            assert len(raw) == entry["bytes"]
            assert hashlib.sha256(raw).hexdigest() == entry["sha256"]
        assert {e["name"] for e in told["files"]} | {"manifest.json"} == set(archive.namelist())
        assert archive.read("report/report.pdf").startswith(b"%PDF")
    assert told["scan"]["series_uid"] == check_bundle(whole).scan.series_uid != ""


def test_it_holds_nothing_that_runs(whole: Path) -> None:
    with zipfile.ZipFile(whole) as archive:
        endings = {Path(name).suffix for name in archive.namelist()}
    assert endings <= {".json", ".jsonl", ".pdf", ".png", ".toml", ".dcm"}


@pytest.mark.usefixtures("no_report")
def test_without_the_scan_another_copy_is_named_and_compared(findings: Findings, tmp_path: Path) -> None:
    target = tmp_path / "b.zip"
    left_out = write_bundle(findings, findings.scan, findings.case, target)
    assert any("scan" in sentence for sentence in left_out)
    assert any("seating record" in sentence for sentence in left_out)
    copy = tmp_path / "copy"
    shutil.copytree(findings.case.series_path, copy)
    done = open_bundle(target, tmp_path / "case", scan=copy)
    case = siteplan.load_case(done.case_path)
    scan = siteplan.read_scan(case.series_path, series=case.case.series_uid)
    again = siteplan.assess(scan, case)
    for mine, theirs in zip(findings.sites, again.sites, strict=True):
        assert [c.distance for c in mine.clearances] == [c.distance for c in theirs.clearances]
        assert [c.verdict for c in mine.clearances] == [c.verdict for c in theirs.clearances]
    for number, path in enumerate(sorted(copy.iterdir())):
        if number >= 40:
            path.unlink()
    with pytest.raises(BundleError, match="this is another scan than the case was planned on"):
        open_bundle(target, tmp_path / "other", scan=copy)
    assert not (tmp_path / "other").exists()
    plain = open_bundle(target, tmp_path / "plain")
    assert not plain.has_scan
    with pytest.raises(SiteplanError, match="no such folder"):
        siteplan.read_scan(siteplan.load_case(plain.case_path).series_path)


def test_scripts_in_notes_stay_text(received: Findings, tmp_path: Path) -> None:
    """The receiver's own report of a received case: the typed script is read as text by an HTML parser."""
    one_site = replace(received, sites=received.sites[:1])
    write_report(one_site, received.scan, received.case, tmp_path)
    seen = _Seen()
    seen.feed((tmp_path / "report.html").read_text("utf-8"))
    assert SAID in "".join(seen.text)
    assert not any("alert" in script for script in seen.scripts)
    assert not [name for name in seen.attributes if name.startswith("on")]


class _Seen(HTMLParser):
    """Text, scripts and attribute names of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.scripts: list[str] = []
        self.attributes: set[str] = set()
        self._in_script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_script = tag == "script"
        self.attributes |= {name for name, _ in attrs}

    def handle_endtag(self, tag: str) -> None:
        self._in_script = False

    def handle_data(self, data: str) -> None:
        (self.scripts if self._in_script else self.text).append(data)


def test_the_scan_never_goes_out_without_the_identity(findings: Findings, tmp_path: Path) -> None:
    for identity in (Identity.NONE, Identity.INITIALS):
        with pytest.raises(OutputError, match="the scan itself names the patient"):
            write_bundle(findings, findings.scan, findings.case, tmp_path / "b.zip", identity=identity, with_scan=True)
    assert not list(tmp_path.iterdir())


@pytest.mark.usefixtures("no_report")
def test_a_file_of_the_users_own_that_names_the_patient_is_refused(findings: Findings, tmp_path: Path) -> None:
    own = findings.case.folder / "own.toml"
    before = own.read_text("utf-8")
    own.write_text(f"# for Xaverine\n{before}", "utf-8")
    try:
        with pytest.raises(OutputError, match=r"files/catalogue-1\.toml: .* names the patient") as caught:
            write_bundle(findings, findings.scan, findings.case, tmp_path / "b.zip")
        assert "xaverine" not in str(caught.value).lower()
    finally:
        own.write_text(before, "utf-8")
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there(findings: Findings, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_bundle(findings, findings.scan, findings.case, tmp_path / "absent" / "b.zip")
