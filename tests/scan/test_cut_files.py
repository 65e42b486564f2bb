"""A copy that was cut short, wherever the cut fell, is named: a slice must never go missing without a word."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make
from pydicom.dataset import Dataset

from siteplan.scan import ScanFinding, ScanRefused, Severity, list_series, read_scan

TODAY = date(2026, 7, 1)
RECIPE = make.Recipe()


def said_of(folder: Path) -> tuple[ScanFinding, ...]:
    try:
        return read_scan(folder, today=TODAY).findings
    except ScanRefused as error:
        return error.findings


def with_last(folder: Path, recipe: make.Recipe) -> tuple[Path, bytes]:
    """Writes the series in its order; the file of the last slice and what is in it."""
    for k, data in enumerate(make.series_bytes(recipe)):
        (folder / f"{k:03d}.dcm").write_bytes(data)
    return folder / f"{recipe.count - 1:03d}.dcm", data


@pytest.mark.parametrize("syntax", [make.EXPLICIT, make.IMPLICIT])
def test_a_cut_anywhere_in_the_last_file_is_named(syntax: str, tmp_path: Path) -> None:
    """The last slice is the worst to lose: the others still follow each other at equal distances."""
    last, whole = with_last(tmp_path, make.Recipe(syntax=syntax))
    silent = []
    for length in [*range(0, 132, 33), *range(132, len(whole), 9)]:
        last.write_bytes(whole[:length])
        named = [one for one in said_of(tmp_path) if last.name in one.where]
        if not any(one.severity is not Severity.NOTE and one.remedy for one in named):
            silent.append(length)
    assert silent == []


def test_a_cut_file_is_not_taken_for_another_patient(tmp_path: Path) -> None:
    last, whole = with_last(tmp_path, RECIPE)
    last.write_bytes(whole[:400])
    assert {one.code for one in said_of(tmp_path)} == {"unreadable-file", "motion-not-checked"}


def test_an_empty_file_of_another_name_is_only_passed_over(tmp_path: Path) -> None:
    make.write_series(tmp_path, RECIPE)
    (tmp_path / "lock").write_bytes(b"")
    assert {one.code for one in said_of(tmp_path)} == {"not-dicom", "motion-not-checked"}


def test_what_a_multi_frame_file_says_holds_though_its_first_frame_is_left_out(tmp_path: Path) -> None:
    """PS3.3 C.7.6.16: frames may lie in different directions; the first is an overview image here."""
    values = make.stored_values(RECIPE)
    ds = make.multi_frame_dataset(RECIPE, values)
    ds.LossyImageCompression = "01"
    overview = Dataset()
    overview.ImageOrientationPatient = [0, 1, 0, 0, 0, -1]
    ds.PerFrameFunctionalGroupsSequence[0].PlaneOrientationSequence = [overview]
    (tmp_path / "all.dcm").write_bytes(make.file_bytes(ds, make.EXPLICIT))
    scan = read_scan(tmp_path, today=TODAY)
    np.testing.assert_array_equal(scan.voxels, values[1:])
    assert {"left-out-slices", "lossy-compression"} <= {one.code for one in scan.findings}
    assert scan.grey.lossy
    (entry,) = list_series(tmp_path, today=TODAY).series
    assert entry.facts.files == 1
