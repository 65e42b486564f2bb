"""`siteplan fetch` and `siteplan send` as a person uses them, and that nobody's name gets out."""

import json
import logging
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest
from places import PASSWORD, USER, Place, dimse_place, web_place

from siteplan.cli import main

Run = Callable[..., tuple[int, str, str]]

STUDY, SERIES = "2.25.1000", "2.25.1001"


@pytest.fixture(params=["web", "get", "move"])
def small(request: pytest.FixtureRequest) -> Iterator[Place]:
    with web_place() if request.param == "web" else dimse_place(request.param) as place:
        yield place


@pytest.fixture
def run(small: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    settings = small.settings_file(tmp_path)

    def command(name: str, *arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main([name, "it", "--settings", str(settings), *map(str, arguments)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return command


def test_look_choose_fetch(small: Place, run: Run, make: ModuleType, tmp_path: Path) -> None:
    small.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe()))
    assert run("fetch", "--check") == (0, "The archive 'it' answers.\n", "")
    code, said, _ = run("fetch", "--patient-id", make.PATIENT_ID)
    assert code == 0
    for part in (STUDY, SERIES, "2026-06-01", "12 objects", "CT"):
        assert part in said
    assert make.PATIENT_ID not in said
    assert "QUIXANO" not in said
    _, said, _ = run("fetch", "--patient-id", make.PATIENT_ID, "--identity")
    assert make.PATIENT in said
    code, said, err = run("fetch", "--patient-id", make.PATIENT_ID, "--out", tmp_path / "got")
    assert code == 0
    assert said == (
        f"{tmp_path / 'got'}: 12 objects, all verified\n"
        "12 slices of 18 x 22, voxel 0.3 x 0.3 x 0.3 mm; "
        f"{said.rsplit('; ', 1)[1]}"
    )
    assert "100% fetched" in err
    code, said, _ = run("fetch", "--study", STUDY, "--series", SERIES, "--out", tmp_path / "got")
    assert (code, said.splitlines()[0]) == (0, f"{tmp_path / 'got'}: 12 objects, there already")


def test_json_is_json_and_nothing_else(small: Place, run: Run, make: ModuleType, tmp_path: Path) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=4))
    code, said, err = run("send", folder, "--json")
    assert (code, err) == (0, "")
    assert json.loads(said) == {
        "complete": True, "were_there": 0, "sent": 4, "refused": [], "left_out": [], "missing": [],
    }  # fmt: skip
    _, said, _ = run("fetch", "--study", STUDY, "--json")
    (study,) = json.loads(said)["studies"]
    assert (study["study_uid"], study["series"][0]["objects"]) == (STUDY, 4)
    assert "patient" not in study
    _, said, _ = run("fetch", "--study", STUDY, "--json", "--identity")
    assert json.loads(said)["studies"][0]["patient"]["identifier"] == make.PATIENT_ID
    _, said, err = run("fetch", "--study", STUDY, "--out", tmp_path / "got", "--json")
    found = json.loads(said)
    assert (found["objects"], found["usable"], found["was_there"], err) == (4, True, False, "")
    assert json.loads(run("fetch", "--check", "--json")[1]) == {"answers": True}


def test_the_patient_may_be_given_where_nobody_sees_it(
    small: Place, run: Run, make: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=1)))
    given = iter([f"{make.PATIENT_ID}\n"])
    monkeypatch.setattr("sys.stdin.readline", lambda: next(given))
    assert STUDY in run("fetch", "--patient-id", "-")[1]


def test_several_to_choose_from(small: Place, run: Run, make: ModuleType, tmp_path: Path) -> None:
    small.server.shelf.add_folder(make.write_series(tmp_path / "a", make.Recipe(count=2)))
    other = make.Recipe(count=2, series_uid="2.25.1002")
    small.server.shelf.add_folder(make.write_series(tmp_path / "b", other))
    code, _, err = run("fetch", "--study", STUDY, "--out", tmp_path / "got")
    assert code == 1
    assert "the study has 2 such series; list them without --out, then choose with --series" in err
    assert run("fetch", "--study", STUDY, "--series", "2.25.1002", "--out", tmp_path / "got")[0] == 0
    third = make.Recipe(count=1, study_uid="2.25.3000", series_uid="2.25.3001")
    small.server.shelf.add_folder(make.write_series(tmp_path / "c", third))
    code, _, err = run("fetch", "--patient-id", make.PATIENT_ID, "--out", tmp_path / "new")
    assert code == 1
    assert "2 studies match; list them without --out, then choose one with --study" in err
    for arguments, said in (
        (("--study", "../x"), "a Study Instance UID is digits and dots"),
        (("--study", STUDY, "--series", "x y", "--out", tmp_path / "n"), "a Series Instance UID is digits and dots"),
        (("--study", STUDY, "--series", "2.25.9", "--out", tmp_path / "n"), "the study has no such series"),
        (("--study", "2.25.404", "--out", tmp_path / "n"), "the archive has no such study"),
    ):
        code, _, err = run("fetch", *arguments)
        assert code == 1
        assert said in err
    assert run("fetch", "--study", "2.25.404")[:2] == (1, "No such study.\n")


def test_a_series_that_is_no_volume_is_fetched_and_said(
    small: Place, run: Run, make: ModuleType, tmp_path: Path
) -> None:
    def gap(ds: object, k: int) -> None:
        if k > 3:
            ds.ImagePositionPatient[2] += 5  # type: ignore[attr-defined]

    small.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(), gap))
    code, said, _ = run("fetch", "--study", STUDY, "--out", tmp_path / "got")
    assert code == 0
    assert "It cannot be read as a volume: " in said


def test_a_scan_of_another_patient_than_listed_is_said(
    small: Place, run: Run, make: ModuleType, tmp_path: Path
) -> None:
    small.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe()))
    for header in small.server.shelf.headers.values():
        header.PatientID = "MANCHA-1606"
    _, said, _ = run("fetch", "--study", STUDY, "--out", tmp_path / "got")
    assert "CAUTION: the scan has another patient's number than the archive's list" in said
    assert "MANCHA" not in said


def test_what_was_sent_is_said(small: Place, run: Run, make: ModuleType, tmp_path: Path) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=1))
    assert run("send", folder)[:2] == (0, "The archive 'it' took 1 object and lists it.\n")
    assert run("send", folder)[:2] == (0, "There already and not sent again: 1 object.\n")
    (folder / "notes.txt").write_text("x")
    assert run("send", folder)[:2] == (
        0, "There already and not sent again: 1 object.\nnot sent: notes.txt: no DICOM file.\n",
    )  # fmt: skip
    assert "1 object\n" in run("fetch", "--study", STUDY)[1]


def test_what_is_refused_is_said(run: Run, small: Place, make: ModuleType, tmp_path: Path) -> None:
    if small.way == "web":
        small.server.refused_classes = {make.CT: 0xA700}
    else:
        small.server._status_of = lambda _ds: 0xA700
    code, said, _ = run("send", make.write_series(tmp_path / "s", make.Recipe(count=3)))
    assert code == 1
    assert "REFUSED: 3 x CT Image Storage: the archive is out of room or memory (status A700)" in said


def test_no_name_no_number_no_secret_gets_out(
    small: Place, run: Run, make: ModuleType, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Everything printed and logged, at the lowest level, while all goes well and while it does not."""
    caplog.set_level(logging.DEBUG)
    for name in ("pynetdicom", "dicomweb_client", "urllib3", "requests", "pydicom"):
        caplog.set_level(logging.DEBUG, logger=name)
    folder = make.write_series(tmp_path / "QUIXANO ALONSO MANCHA-1605", make.Recipe(count=2))
    (folder / "Quixano.txt").write_text("x")
    small.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=1)))
    everything = []
    who = ("--patient-id", make.PATIENT_ID, "--patient-name", "QUIX*")
    for arguments in (
        ("fetch", *who),
        ("fetch", *who, "--out", tmp_path / "got"),
        ("fetch", *who, "--out", tmp_path / "s"),
        ("send", folder),
    ):
        everything += run(*arguments)[1:]
    small.server.trick = lambda handler: handler.send_error(500) or True
    if small.way != "web":
        small.server.stop()
    everything += run("fetch", *who)[1:]
    everything += run("send", folder)[1:]
    text = "\n".join([*everything, *(record.getMessage() for record in caplog.records)])
    assert "siteplan: " in text
    for secret in (make.PATIENT_ID, "QUIX", "Quixano", "ALONSO", PASSWORD, USER):
        assert secret not in text.replace(str(tmp_path / "s"), "")


def test_traffic_in_clear_is_said_before_anything_travels(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = Place("", 11112, "X", 0, "get")
    settings = place.settings_file(tmp_path, host="192.0.2.1", timeout_s=0.2)  # an address that nobody has, RFC 5737
    assert main(["fetch", "it", "--settings", str(settings), "--check"]) == 1
    said = capsys.readouterr().err.splitlines()
    assert said[0].startswith("CAUTION: The traffic with the archive 'it' is not encrypted")
    assert said[1].startswith("siteplan: ")
    assert len(said) == 2
