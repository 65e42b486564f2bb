"""What identity "none" and "initials" give away: every byte, every name, every compressed stream of each kind."""

import io
import os
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

import made_case as made
import pytest
from telling_patient import SECRETS

from siteplan.errors import OutputError
from siteplan.findings import Findings
from siteplan.handover.export import export
from siteplan.handover.kinds import KINDS
from siteplan.report import Identity

RANDOM_UID = re.compile(rb"2\.25\.\d{20,39}")
"""What random numbers and keyed hashes become; among thousands of their digits any short number turns up by chance."""


def readable(name: str, raw: bytes) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of a file, and of everything packed in it: members of a ZIP, streams of a PDF, chunks of a PNG."""
    yield name, raw
    if raw.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            for info in archive.infolist():
                yield from readable(f"{name}/{info.filename}", archive.read(info))
                yield f"{name}/{info.filename}", info.extra + info.comment
    if b"%PDF" in raw[:2000] or b"%PDF" in raw:
        for start in re.finditer(rb"stream\r?\n", raw):
            try:
                yield name, zlib.decompressobj().decompress(raw[start.end() :])
            except zlib.error:
                continue


def leaks(name: str, raw: bytes, secrets: Iterable[str]) -> list[str]:
    """Every secret that is found, in the usual ways of writing text down."""
    found = []
    raw = RANDOM_UID.sub(b"", raw)
    for secret in secrets:
        forms = {secret, secret.lower(), secret.title(), secret.upper()}
        if any(form.encode(coding) in raw for form in forms for coding in ("utf-8", "utf-16-be", "utf-16-le")):
            found.append(f"{name}: {secret}")
        if secret.lower() in name.lower():
            found.append(f"name {name}: {secret}")
    return found


@pytest.fixture(scope="module", params=[Identity.NONE, Identity.INITIALS])
def handed_over(
    request: pytest.FixtureRequest, findings: Findings, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Identity, Path]:
    """Every kind with identity none; what text can be in with initials."""
    out = tmp_path_factory.mktemp("out")
    kinds = tuple(KINDS) if request.param is Identity.NONE else ("csv", "json", "bundle")
    with pytest.MonkeyPatch.context() as patch:
        if request.param is not Identity.NONE:  # pages with initials are the report's own tests
            patch.setattr("siteplan.handover.bundle_write.write_report", lambda *_args, **_more: [])
        done = export(findings, findings.scan, findings.case, out, kinds, identity=request.param)
    assert sorted(done.files) == sorted(path for path in out.rglob("*") if path.is_file())
    return request.param, out


def test_not_one_byte_of_the_patient_nor_of_this_machine(
    handed_over: tuple[Identity, Path], findings: Findings
) -> None:
    identity, out = handed_over
    folder = str(findings.case.folder)
    places = [part.encode() for part in (folder, str(findings.case.folder.parent), tempfile.gettempdir(), os.getcwd())]
    looked_at = 0
    found: list[str] = []
    for path in sorted(out.rglob("*")):
        if path.is_file():
            for name, raw in readable(path.relative_to(out).as_posix(), path.read_bytes()):
                looked_at += 1
                found += leaks(name, raw, (*SECRETS, made.UID))
                found += [f"{name}: {place!r}" for place in places if place in raw]
    assert not found
    assert looked_at > (60 if identity is Identity.NONE else 8)


def test_every_kind_was_looked_at(handed_over: tuple[Identity, Path]) -> None:
    identity, out = handed_over
    if identity is not Identity.NONE:
        return  # this run has three kinds only
    names = {path.relative_to(out).parts[0] for path in out.rglob("*") if path.is_file()}
    assert names == {
        "stl", "obj", "plan.glb", "measures.csv", "fixtures.csv", "drilling.csv", "findings.json", "case-bundle.zip",
        "templates", "dicom",
    }  # fmt: skip


def test_the_test_itself_finds_a_leak(findings: Findings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("siteplan.handover.bundle_write.write_report", lambda *_args, **_more: [])
    done = export(
        findings, findings.scan, findings.case, tmp_path, ("json", "csv", "bundle"), identity=Identity.AS_GIVEN
    )
    for path in done.files:
        said = [leak for name, raw in readable(path.name, path.read_bytes()) for leak in leaks(name, raw, SECRETS)]
        assert bool(said) == (path.name not in ("fixtures.csv", "drilling.csv")), path.name


def test_initials_are_there_where_a_person_looks(handed_over: tuple[Identity, Path]) -> None:
    identity, out = handed_over
    with zipfile.ZipFile(out / "case-bundle.zip") as archive:
        case = archive.read("case.json").decode()
    assert ("X.Z.Q." in case) == (identity is Identity.INITIALS)


def test_a_catalogue_that_names_the_patient_makes_no_templates(findings: Findings, tmp_path: Path) -> None:
    own = findings.case.folder / "own.toml"
    before = own.read_text("utf-8")
    own.write_text(before.replace('source = "invented"', 'source = "measured on Zoenira"'), "utf-8")
    try:
        with pytest.raises(OutputError, match="templates: a catalogue file that the case names also names the patient"):
            export(findings, findings.scan, findings.case, tmp_path, ("templates",))
        assert not list(tmp_path.rglob("*.dcm"))
        done = export(findings, findings.scan, findings.case, tmp_path, ("templates",), identity=Identity.AS_GIVEN)
        assert len(done.files) > 60
    finally:
        own.write_text(before, "utf-8")
