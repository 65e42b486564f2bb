"""A wrong or hostile bundle: refused in one sentence, and nothing of it lands."""

import json
import stat
import struct
import zipfile
from pathlib import Path
from typing import Any

import bundle_maker as maker
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from siteplan.errors import OutputError, SiteplanError
from siteplan.handover import bundle_form as form
from siteplan.handover.bundle_form import BundleError
from siteplan.handover.bundle_read import check_bundle, open_bundle


def refused(bundle: Path, match: str) -> None:
    """Both doors refuse with one sentence, and nothing is left beside the bundle."""
    before = sorted(bundle.parent.iterdir())
    for call in (lambda: check_bundle(bundle), lambda: open_bundle(bundle, bundle.parent / "out")):
        with pytest.raises(BundleError, match=match) as caught:
            call()
        said = str(caught.value)
        assert "\n" not in said
        assert "\x1b" not in said
        assert said.endswith(".")
        assert len(said) < 400
    assert sorted(bundle.parent.iterdir()) == before


def test_a_good_one_opens(tmp_path: Path) -> None:
    bundle = maker.write(tmp_path / "b.zip", maker.members(report__report_pdf=b"%PDF-1.7"))
    assert check_bundle(bundle).identity == "none"
    done = open_bundle(bundle, tmp_path / "out")
    assert json.loads(done.case_path.read_bytes()) == maker.CASE
    assert sorted(p.relative_to(tmp_path / "out").as_posix() for p in (tmp_path / "out").rglob("*.*")) == [
        "case.json", "findings.json", "manifest.json", "report/report.pdf",
    ]  # fmt: skip
    assert not done.has_scan


@pytest.mark.parametrize(
    "name",
    [
        "../case.json", "/etc/passwd", "report/../../x.png", "C:\\x.png", "report\\x.png", "series/../x.dcm", "x.html",
        "report/plan.html", "report/run.js", "files/kit.toml/x", "report/.hidden.png", "REPORT/x.png", "case.json/",
        "report/x.svg", "files/kit.py", "series/1.dcm", "report/a\x1b[31m.png", "case.json\x00.exe", "con.png", "",
    ],
)  # fmt: skip
def test_names_that_leave_the_folder_run_or_hide(name: str, tmp_path: Path) -> None:
    files = maker.members()
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        for good, raw in files.items():
            archive.writestr(good, raw)
        info = zipfile.ZipInfo("x" if "\x00" in name or not name else name)
        archive.writestr(info, b"x")
        archive.writestr("manifest.json", json.dumps(maker.manifest(files)))
    raw = (tmp_path / "b.zip").read_bytes()
    if "\x00" in name:  # zipfile cuts at a zero byte when it writes, so the stored name is patched
        head = raw.rindex(b"PK\x01\x02", 0, raw.rindex(b"x", 0, raw.rindex(b"manifest.json")))
        raw = raw[: head + 46] + b"\x00" + raw[head + 47 :]
        (tmp_path / "b.zip").write_bytes(raw)
    refused(tmp_path / "b.zip", "which no bundle has|damaged")


def test_links_and_folders(tmp_path: Path) -> None:
    files = maker.members(report__x_png=b"/etc/passwd")
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        for name, raw in files.items():
            info = zipfile.ZipInfo(name)
            info.external_attr = ((stat.S_IFLNK if name.endswith("png") else stat.S_IFREG) | 0o777) << 16
            archive.writestr(info, raw)
        archive.writestr("manifest.json", json.dumps(maker.manifest(files)))
    refused(tmp_path / "b.zip", "is a link or no plain file")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_name_twice(tmp_path: Path) -> None:
    bundle = maker.write(tmp_path / "b.zip", maker.members())
    with zipfile.ZipFile(bundle, "a") as archive:
        archive.writestr("case.json", b"{}")
    refused(bundle, "case.json is in it twice")


def test_wrong_hash_wrong_length_missing_and_unlisted_members(tmp_path: Path) -> None:
    files = maker.members(report__x_png=b"picture")
    changed = files | {"report/x.png": b"another"}
    refused(maker.write(tmp_path / "b.zip", changed, maker.manifest(files)), "report/x.png is not what the manifest")
    shorter = files | {"report/x.png": b"pict"}
    refused(maker.write(tmp_path / "b.zip", shorter, maker.manifest(files)), "report/x.png is not what the manifest")
    longer = files | {"report/x.png": b"picture" * 9}
    refused(maker.write(tmp_path / "b.zip", longer, maker.manifest(files)), "report/x.png is not what the manifest")
    case = files | {"case.json": files["case.json"] + b" "}
    refused(maker.write(tmp_path / "b.zip", case, maker.manifest(files)), "case.json is not what the manifest")
    fewer = {name: raw for name, raw in files.items() if name != "report/x.png"}
    refused(maker.write(tmp_path / "b.zip", fewer, maker.manifest(files)), "in its manifest, but missing")
    refused(maker.write(tmp_path / "b.zip", files, maker.manifest(fewer)), "in it, but not in its manifest")
    no_case = {name: raw for name, raw in files.items() if name != "case.json"}
    refused(maker.write(tmp_path / "b.zip", no_case), "case.json is missing")
    no_findings = {name: raw for name, raw in files.items() if name != "findings.json"}
    refused(maker.write(tmp_path / "b.zip", no_findings), "findings.json is missing")


@pytest.mark.parametrize(
    ("changed", "match"),
    [
        ({"schema": "siteplan-bundle/2"}, "of the kind 'siteplan-bundle/2', this program reads .* update the program"),
        ({"schema": "else"}, "manifest.json: schema"),
        ({"identity": "everything"}, "manifest.json: identity"),
        ({"unknown": 1}, "manifest.json: unknown"),
        ({"files": []}, "manifest.json: files"),
        ({"files": [{"name": "../x", "bytes": 1, "sha256": "0" * 64}]}, r"manifest.json: files\[0\].name"),
        ({"files": [{"name": "case.json", "bytes": -1, "sha256": "0" * 64}]}, r"files\[0\].bytes"),
        ({"files": [{"name": "case.json", "bytes": 1, "sha256": "x"}]}, r"files\[0\].sha256"),
        ({"files": [{"name": "case.json", "bytes": 1, "sha256": "0" * 64}] * 2}, "names a member twice"),
        ({"left_out": ["x"] * 1000}, "manifest.json: left_out"),
    ],
)
def test_manifests_that_say_what_cannot_be(changed: dict[str, Any], match: str, tmp_path: Path) -> None:
    files = maker.members()
    refused(maker.write(tmp_path / "b.zip", files, maker.manifest(files) | changed), match)


def test_a_scan_that_is_said_to_be_there_and_is_not(tmp_path: Path) -> None:
    files = maker.members()
    told = maker.manifest(files)
    told["scan"]["included"] = True
    refused(maker.write(tmp_path / "b.zip", files, told), "disagree on whether the scan is in it")


@pytest.mark.parametrize("raw", [b"not json", b"[]", b"\xff\xfe", b"[" * 100_000, b'"text"', b"NaN"])
def test_manifests_that_are_none(raw: bytes, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        archive.writestr("case.json", b"{}")
        archive.writestr("manifest.json", raw)
    refused(tmp_path / "b.zip", "manifest.json")


def test_no_manifest(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        archive.writestr("case.json", json.dumps(maker.CASE))
    refused(tmp_path / "b.zip", "no manifest.json")


def test_a_member_that_unpacks_to_far_more(tmp_path: Path) -> None:
    """Zeros pack about 1000 to 1, which is all that deflate can do (RFC 1951: 258 bytes from 2 bits)."""
    refused(maker.write(tmp_path / "b.zip", maker.members(report__x_png=bytes(30 << 20))), "far more than was packed")


def test_a_member_larger_than_its_kind_can_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(form, "LARGEST_TEXT_BYTES", 1000)
    files = maker.members(files__kit_toml=b"x" * 1001)
    refused(maker.write(tmp_path / "b.zip", files), "more than such a file can have")


def test_more_in_sum_than_a_case_can_have(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(form, "LARGEST_TOTAL_BYTES", 1000)
    refused(maker.write(tmp_path / "b.zip", maker.members(report__x_png=bytes(2000))), "more than a case with its scan")


def test_more_members_than_any_case_has(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(form, "MOST_MEMBERS", 5)
    files = maker.members(**{f"series__{n:06d}_dcm": b"x" for n in range(9)})
    refused(maker.write(tmp_path / "b.zip", files), "holds 12 members")


def test_a_length_in_the_directory_that_lies(tmp_path: Path) -> None:
    """The central directory says 10 bytes, the stream holds 5 MB: no more than was said is ever unpacked."""
    files = maker.members(report__x_png=b"0123456789")
    bundle = maker.write(tmp_path / "b.zip", files | {"report/x.png": bytes(5 << 20)}, maker.manifest(files))
    raw = bytearray(bundle.read_bytes())
    at = raw.rindex(b"PK\x01\x02", 0, raw.rindex(b"report/x.png"))
    raw[at + 24 : at + 28] = struct.pack("<I", 10)
    bundle.write_bytes(bytes(raw))
    refused(bundle, "report/x.png is damaged|report/x.png is not what")


def test_locked_with_a_password(tmp_path: Path) -> None:
    bundle = maker.write(tmp_path / "b.zip", maker.members())
    raw = bytearray(bundle.read_bytes())
    raw[raw.index(b"PK\x01\x02") + 8] |= 1
    bundle.write_bytes(bytes(raw))
    refused(bundle, "locked with a password")


def test_another_way_of_packing(tmp_path: Path) -> None:
    files = maker.members()
    with zipfile.ZipFile(tmp_path / "b.zip", "w", zipfile.ZIP_BZIP2) as archive:
        for name, raw in files.items():
            archive.writestr(name, raw)
    refused(tmp_path / "b.zip", "packed in a way that no bundle uses")


@pytest.mark.parametrize(
    ("changed", "match"),
    [
        ({"series": "/etc"}, "series points to '/etc', outside"),
        ({"series": "../../other"}, "series points to"),
        ({"kit": "../kit.toml"}, "kit names '../kit.toml', which is not in the bundle"),
        ({"protocol": "/etc/passwd"}, "protocol names"),
        ({"margins": "/proc/self/environ"}, "margins names"),
        ({"catalogues": ["files/catalogue-1.toml"]}, "catalogues names"),
        ({"calibration": "../../secret.toml"}, "calibration names"),
        ({"sites": []}, "case.json: sites"),
        ({"schema": "siteplan-case/9"}, "this program reads 'siteplan-case/1'"),
        ({"unknown": 1}, "unknown: this key is not known"),
    ],
)
def test_a_case_that_reaches_outside_or_is_none(changed: dict[str, Any], match: str, tmp_path: Path) -> None:
    refused(maker.write(tmp_path / "b.zip", maker.members(maker.CASE | changed)), match)


@pytest.mark.parametrize("raw", [b"", b"PK", b"PK\x05\x06" + bytes(18), b"not a zip", bytes(1000)])
def test_no_zip_file(raw: bytes, tmp_path: Path) -> None:
    (tmp_path / "b.zip").write_bytes(raw)
    refused(tmp_path / "b.zip", "no ZIP file|no manifest")


def test_no_file_and_a_place_in_use(tmp_path: Path) -> None:
    refused(tmp_path / "absent.zip", "there is no such file")
    bundle = maker.write(tmp_path / "b.zip", maker.members())
    (tmp_path / "used").mkdir()
    (tmp_path / "used" / "own.txt").write_text("mine")
    with pytest.raises(OutputError, match="this place is in use"):
        open_bundle(bundle, tmp_path / "used")
    assert (tmp_path / "used" / "own.txt").read_text() == "mine"
    (tmp_path / "empty").mkdir()
    assert open_bundle(bundle, tmp_path / "empty").case_path.is_file()


def test_a_disk_that_fills_up_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bundle = maker.write(tmp_path / "b.zip", maker.members())
    monkeypatch.setattr("siteplan.handover.bundle_read.os.fsync", _full)
    with pytest.raises(OutputError, match="nothing was unpacked"):
        open_bundle(bundle, tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["b.zip"]


def _full(_handle: int) -> None:
    raise OSError(28, "No space left on device")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damage_is_refused_or_harmless(data: st.DataObject, tmp_path: Path) -> None:
    """Bytes changed or cut anywhere: one of our own errors, or exactly what was packed; never anything else."""
    files = maker.members(report__x_png=bytes(range(256)) * 4)
    bundle = maker.write(tmp_path / "b.zip", files)
    raw = bytearray(bundle.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(raw))) if data.draw(st.booleans()) else len(raw)
    bundle.write_bytes(bytes(raw[:cut]))
    out = tmp_path / "out"
    said = ""
    try:
        open_bundle(bundle, out)
    except SiteplanError as error:
        said = str(error)
    if said:
        assert "\n" not in said
        assert not out.exists()
        return
    for name, content in files.items():
        assert (out / name).read_bytes() == content
    for path in sorted(out.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    out.rmdir()
