"""Exporting programs name files after the patient, each in its own spelling; none of them may reach a message.

How names are spelt in files: common practice, no source (accents dropped, umlauts written out, parts run together);
composed and decomposed letters: Unicode Standard Annex 15. Names are invented.
"""

import sys
import unicodedata
from datetime import date
from pathlib import Path

import pytest
import series_maker as make
from pydicom.dataset import Dataset

from siteplan.scan import ScanRefused, list_series, read_scan
from siteplan.scan.identity import without_names
from siteplan.scan.volume import Patient

TODAY = date(2026, 7, 1)


def put(ds: Dataset, **elements: str) -> None:
    for keyword, value in elements.items():
        setattr(ds, keyword, value)


@pytest.mark.parametrize(
    ("name", "file", "secrets"),
    [
        ("Wattle-Smythe^Zebedee", "Wattle_Smythe_zebedee", ["wattle", "smythe", "zebedee"]),
        ("Müßigbrodt^Jürgen", "Muessigbrodt_Juergen", ["ssigbrodt", "rgen"]),
        ("Krähenbühl^Ona", "Krahenbuhl-ONA", ["kra", "ona"]),
        ("Krähenbühl^Ona", unicodedata.normalize("NFD", "Krähenbühl"), ["henb"]),
        (unicodedata.normalize("NFD", "Krähenbühl"), "Krähenbühl", ["henb"]),
        ("O'Quigley^Fergal", "OQuigley", ["quigley"]),
        ("Quixano^Alonso", "AlonsoQuixano", ["alonso", "quixano"]),
        ("Wu^Li", "Wu_Li", ["wu", "_li"]),
        ("Vrkljan^Ana=山田^太郎", "山田太郎", ["山", "郎"]),
        ("Quixano^Alonso", "MANCHA1605", ["mancha", "1605"]),
        ("Quixano^Alonso", "born 03.02.1961", ["1961"]),
        ("Quixano^Alonso", "19610203", ["1961"]),
    ],
)
def test_no_spelling_of_a_patient_reaches_a_message(name: str, file: str, secrets: list[str], tmp_path: Path) -> None:
    for k, data in enumerate(
        make.series_bytes(
            make.Recipe(patient=name),
            lambda ds, _: put(ds, PatientBirthDate="19610203", SpecificCharacterSet="ISO_IR 192"),
        )
    ):
        if k != 5:
            (tmp_path / f"{file} {k:03d}").write_bytes(data)
    with pytest.raises(ScanRefused) as caught:
        read_scan(tmp_path, today=TODAY)
    (finding,) = [one for one in caught.value.findings if one.code == "missing-slice"]
    assert "004" in finding.where
    assert "006" in finding.where
    told = " ".join([str(caught.value), *(one.sentence for one in caught.value.findings)]).lower()
    assert [secret for secret in secrets if secret in told] == []


def test_words_that_only_contain_a_short_name_stay() -> None:
    masked = without_names([Patient("Wu^Li", "7", "19610203")])
    assert masked("lines/wurst 7 19610204.dcm") == "lines/wurst 7 19610204.dcm"
    assert masked("li/Wu 7.dcm") == "***/*** 7.dcm"
    assert without_names([Patient("Wu^Li")], short_parts=False)("li, al, de") == "li, al, de"


@pytest.mark.parametrize("number", ["", "0"])
def test_patients_are_told_apart_by_name_where_numbers_do_not(number: str, tmp_path: Path) -> None:
    make.write_series(tmp_path / "a", make.Recipe(patient_id=number))
    make.write_series(tmp_path / "b", make.Recipe(patient_id=number, patient="PANZA^SANCHO", series_uid="2.25.7"))
    assert "several-patients" in {one.code for one in list_series(tmp_path, today=TODAY).findings}
    assert "several-patients" in {one.code for one in read_scan(tmp_path, series="2.25.7", today=TODAY).findings}


def test_one_patient_spelt_twice_is_one(tmp_path: Path) -> None:
    make.write_series(tmp_path / "a", make.Recipe(patient="QUIXANO^ALONSO"))
    make.write_series(tmp_path / "b", make.Recipe(patient="Quixano, Alonso^^", series_uid="2.25.7"))
    assert list_series(tmp_path, today=TODAY).findings == ()


def test_a_name_in_a_field_of_the_device_is_hidden(tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe(), lambda ds, _: put(ds, ManufacturerModelName="Room of Alonso"))
    assert read_scan(tmp_path, today=TODAY).grey.model == "Room of ***"


@pytest.mark.skipif(sys.platform == "win32", reason="this system does not allow such names")
def test_names_that_no_text_can_hold_are_shown_safely(tmp_path: Path) -> None:
    """Files may have any bytes as names (POSIX.1), among them those that a terminal obeys."""
    make.write_series(tmp_path, make.Recipe())
    (tmp_path / "a\x1b[2Jb.txt").write_text("x", encoding="utf-8")
    (finding,) = [one for one in read_scan(tmp_path, today=TODAY).findings if one.code == "not-dicom"]
    assert finding.where == "a?[2Jb.txt"
