"""One made series for each defect: the finding must name it, and the sound neighbours must stay silent.

The list of defects is that of real exports, collected from issue threads of open DICOM libraries; what must be refused
and what only noted follows from PS3.3 C.7.6.2 (position, orientation, spacing) and C.11.1 (rescale).
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make
from pydicom.dataset import Dataset
from pydicom.uid import UID

from siteplan.errors import SiteplanError
from siteplan.scan import ScanRefused, Severity, list_series, read_scan

TODAY = date(2026, 7, 1)
SOUND = make.Recipe()
ALWAYS = "motion-not-checked"


def missing(*gone: int) -> Callable[[Path, make.Recipe], None]:
    def write(folder: Path, recipe: make.Recipe) -> None:
        data = make.series_bytes(recipe)
        for k, one in enumerate(data):
            if k not in gone:
                (folder / f"{k}.dcm").write_bytes(one)

    return write


def tweaked(tweak: make.Tweak) -> Callable[[Path, make.Recipe], None]:
    def write(folder: Path, recipe: make.Recipe) -> None:
        make.write_series(folder, recipe, tweak)

    return write


def moved(shift: Callable[[int], tuple[float, float, float]]) -> Callable[[Path, make.Recipe], None]:
    def tweak(ds: Dataset, k: int) -> None:
        ds.ImagePositionPatient = [f"{a + b:.8g}" for a, b in zip(ds.ImagePositionPatient, shift(k), strict=True)]

    return tweaked(tweak)


def at(k: int, change: Callable[[Dataset], None]) -> Callable[[Path, make.Recipe], None]:
    return tweaked(lambda ds, now: change(ds) if now == k else None)


def everywhere(change: Callable[[Dataset], None]) -> Callable[[Path, make.Recipe], None]:
    return tweaked(lambda ds, _: change(ds))


def second_series(**changes: object) -> Callable[[Path, make.Recipe], None]:
    def write(folder: Path, recipe: make.Recipe) -> None:
        make.write_series(folder, recipe)
        make.write_series(folder, replace(recipe, **changes), prefix="t")  # type: ignore[arg-type]

    return write


def localizer(folder: Path, recipe: make.Recipe) -> None:
    make.write_series(folder, recipe)
    ds = make.slice_dataset(recipe, 99, make.stored_values(recipe)[0])
    ds.ImageOrientationPatient = [1, 0, 0, 0, 0, -1]
    (folder / "overview.dcm").write_bytes(make.file_bytes(ds, make.EXPLICIT))


def truncated(folder: Path, recipe: make.Recipe) -> None:
    make.write_series(folder, recipe)
    path = sorted(folder.iterdir())[4]
    path.write_bytes(path.read_bytes()[:-100])


def truncated_header(folder: Path, recipe: make.Recipe) -> None:
    missing(5)(folder, recipe)
    (folder / "5.dcm").write_bytes(make.series_bytes(recipe)[5][:500])


def copied(folder: Path, recipe: make.Recipe) -> None:
    make.write_series(folder, recipe)
    path = sorted(folder.iterdir())[4]
    (folder / "again.dcm").write_bytes(path.read_bytes())


def damaged_stream(folder: Path, recipe: make.Recipe) -> None:
    make.write_series(folder, replace(recipe, syntax=make.JPEG_LS))
    path = sorted(folder.iterdir())[4]
    data = bytearray(path.read_bytes())
    start = data.index(b"\xff\xd8\xff")
    data[start + 40 : start + 400] = bytes(360)
    path.write_bytes(bytes(data))


def smaller_slice(ds: Dataset) -> None:
    ds.Rows = 10
    ds.PixelData = ds.PixelData[: 10 * int(ds.Columns) * 2]


def delete(keyword: str) -> Callable[[Dataset], None]:
    return lambda ds: delattr(ds, keyword)


def put(keyword: str, value: object) -> Callable[[Dataset], None]:
    return lambda ds: setattr(ds, keyword, value)


def two_frames(ds: Dataset) -> None:
    ds.NumberOfFrames = 2
    ds.PixelData = ds.PixelData * 2


@dataclass(frozen=True)
class Case:
    """A defect, how to write it, and the finding it must give."""

    name: str
    write: Callable[[Path, make.Recipe], None]
    code: str
    severity: Severity
    recipe: make.Recipe = SOUND


def as_they_are(ds: Dataset) -> None:
    """No change: the recipe itself is the defect."""


REFUSAL, WARNING, NOTE = Severity.REFUSAL, Severity.WARNING, Severity.NOTE
CASES = [
    Case("one slice missing", missing(5), "missing-slice", REFUSAL),
    Case("three slices missing", missing(5, 6, 7), "missing-slice", REFUSAL),
    Case("two holes", missing(3, 8), "missing-slice", REFUSAL),
    Case("same place twice", moved(lambda k: (0, 0, -0.3 if k == 6 else 0)), "duplicate-position", REFUSAL),
    Case("every place twice", moved(lambda k: (0, 0, -0.3 * (k % 2))), "duplicate-position", REFUSAL),
    Case("all at one place", moved(lambda k: (0, 0, -0.3 * k)), "duplicate-position", REFUSAL),
    Case("one slice off its place", moved(lambda k: (0, 0, 0.1 if k == 6 else 0)), "unequal-spacing", REFUSAL),
    Case("spacing grows", moved(lambda k: (0, 0, 0.01 * k * k)), "unequal-spacing", REFUSAL),
    Case("one slice sideways", moved(lambda k: (0.5 if k == 6 else 0, 0, 0)), "shifted-slice", REFUSAL),
    Case("gantry tilt", moved(lambda k: (0, 0.1 * k, 0)), "tilted-stack", NOTE),
    Case("localizer inside", localizer, "left-out-slices", WARNING),
    Case("half in another direction", second_series(axes=np.eye(3)[[1, 2, 0]]), "several", REFUSAL),
    Case("two patients", at(4, put("PatientID", "OTHER")), "mixed-patients", REFUSAL),
    Case("two names", at(4, put("PatientName", "PANZA^SANCHO")), "mixed-patients", REFUSAL),
    Case("two studies", at(4, put("StudyInstanceUID", UID("2.25.5"))), "mixed-studies", REFUSAL),
    Case(
        "two frames of reference",
        at(4, put("FrameOfReferenceUID", UID("2.25.6"))),
        "mixed-frames-of-reference",
        REFUSAL,
    ),
    Case("no pixel spacing", everywhere(delete("PixelSpacing")), "no-pixel-spacing", REFUSAL),
    Case("pixel spacing zero", everywhere(put("PixelSpacing", [0, 0])), "no-pixel-spacing", REFUSAL),
    Case("pixel spacing of one slice absent", at(4, delete("PixelSpacing")), "missing-slice", REFUSAL),
    Case("no positions", everywhere(delete("ImagePositionPatient")), "no-position", REFUSAL),
    Case("no orientation", everywhere(delete("ImageOrientationPatient")), "no-position", REFUSAL),
    Case(
        "orientation is no direction",
        everywhere(put("ImageOrientationPatient", [1, 0, 0, 1, 0, 0])),
        "bad-orientation",
        REFUSAL,
    ),
    Case("frames without places", everywhere(two_frames), "no-position", REFUSAL),
    Case("truncated file", truncated, "truncated-file", REFUSAL),
    Case("truncated header", truncated_header, "missing-slice", REFUSAL),
    Case("damaged compressed stream", damaged_stream, "corrupt-pixels", REFUSAL),
    Case("no pixel data", everywhere(delete("PixelData")), "no-pixel-data", REFUSAL),
    Case("no pixel data in one slice", at(4, delete("PixelData")), "no-pixel-data", REFUSAL),
    Case("slice of another size", at(4, smaller_slice), "missing-slice", REFUSAL),
    Case("pixels of another sign", at(4, put("PixelRepresentation", 1)), "mixed-storage", REFUSAL),
    Case("colour", everywhere(put("PhotometricInterpretation", "RGB")), "unsupported-pixels", REFUSAL),
    Case("12 bits allocated", everywhere(put("BitsAllocated", 12)), "unsupported-pixels", REFUSAL),
    Case(
        "unknown transfer syntax",
        everywhere(as_they_are),
        "unsupported-pixels",
        REFUSAL,
        replace(SOUND, syntax="2.25.9"),
    ),
    Case("an MR series", everywhere(put("SOPClassUID", UID("1.2.840.10008.5.1.4.1.1.4"))), "not-a-ct-volume", REFUSAL),
    Case("exact copy of a file", copied, "copied-files", NOTE),
    Case("single slice", missing(*range(1, 12)), "single-slice", REFUSAL),
    Case("few slices", missing(*range(4, 12)), "few-slices", WARNING),
    Case("fewer than stated", everywhere(put("ImagesInAcquisition", 20)), "fewer-than-stated", WARNING),
    Case("thin slices far apart", everywhere(put("SliceThickness", "0.1")), "gaps-between-slices", WARNING),
    Case("no rescale", everywhere(delete("RescaleSlope")), "no-rescale", WARNING),
    Case("rescale slope zero", everywhere(put("RescaleSlope", "0")), "unsupported-pixels", REFUSAL),
    Case("rescale by slice", at(4, put("RescaleSlope", "2")), "rescale-varies", NOTE),
    Case("inverted", everywhere(put("PhotometricInterpretation", "MONOCHROME1")), "inverted-display", WARNING),
    Case("lossy by statement", everywhere(put("LossyImageCompression", "01")), "lossy-compression", WARNING),
    Case(
        "lossy by stream",
        everywhere(as_they_are),
        "lossy-compression",
        WARNING,
        replace(SOUND, syntax=make.JPEG_LS_NEAR),
    ),
    Case(
        "lossy wavelet",
        everywhere(as_they_are),
        "lossy-compression",
        WARNING,
        replace(SOUND, syntax=make.JPEG_2000_ANY),
    ),
    Case("coarse voxel", everywhere(as_they_are), "coarse-voxel", WARNING, replace(SOUND, gap=0.5)),
    Case("coarse pixel", everywhere(as_they_are), "coarse-voxel", WARNING, replace(SOUND, row_spacing=0.45)),
    Case("old scan", everywhere(as_they_are), "old-scan", WARNING, replace(SOUND, date="20250601")),
    Case("future scan", everywhere(as_they_are), "date-in-future", WARNING, replace(SOUND, date="20270101")),
    Case("no date", everywhere(as_they_are), "no-date", WARNING, replace(SOUND, date="")),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_defect_is_told(case: Case, tmp_path: Path) -> None:
    case.write(tmp_path, case.recipe)
    before = _contents(tmp_path)
    findings, scan = [], None
    try:
        scan = read_scan(tmp_path, today=TODAY)
        findings = list(scan.findings)
        message = ""
    except ScanRefused as error:
        findings, message = list(error.findings), str(error)
    except SiteplanError as error:
        message = str(error)
    if case.code == "several":
        assert "2 series could be meant" in message
    else:
        found = [one for one in findings if one.code == case.code]
        assert found, f"{[one.code for one in findings]} {message}"
        assert found[0].severity is case.severity
        assert found[0].where
        assert found[0].remedy or case.severity is NOTE
    assert (scan is None) == (case.severity is REFUSAL)
    listed = list_series(tmp_path, today=TODAY)
    texts = [
        message,
        *(one.sentence for one in findings),
        *(one.sentence for one in listed.findings),
        str(listed.as_json()),
    ]
    for secret in ("QUIXANO", "ALONSO", "MANCHA", "PANZA", "SANCHO", "OTHER"):
        assert not any(secret in text for text in texts)
    assert _contents(tmp_path) == before


def _contents(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


OTHER_SOUND = {
    "as it is": {},
    "jitter of 0.004 mm": {},
    "oblique": {"axes": np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]},
    "pixels not square": {"row_spacing": 0.25, "column_spacing": 0.4},
    "implicit": {"syntax": make.IMPLICIT},
    "compressed": {"syntax": make.JPEG_SV1},
    "signed 12 bits": {"signed": True, "stored": 12},
    "8 bits": {"stored": 8, "allocated": 8},
}


@pytest.mark.parametrize("name", OTHER_SOUND)
def test_sound_series_stay_silent(name: str, tmp_path: Path) -> None:
    recipe = replace(SOUND, **OTHER_SOUND[name])
    if "axes" in OTHER_SOUND[name] and np.linalg.det(recipe.axes) < 0:
        recipe = replace(recipe, axes=recipe.axes * [[1], [1], [-1]])
    jitter = np.random.default_rng(1).uniform(-0.004, 0.004, (recipe.count, 3)) * ("jitter" in name)

    def tweak(ds: Dataset, k: int) -> None:
        ds.ImagePositionPatient = [f"{a + b:.6f}" for a, b in zip(ds.ImagePositionPatient, jitter[k], strict=True)]

    make.write_series(tmp_path, recipe, tweak)
    listed = list_series(tmp_path, today=TODAY)
    assert listed.findings == ()
    assert [entry.findings for entry in listed.series] == [()]
    scan = read_scan(tmp_path, today=TODAY)
    assert [one.code for one in scan.findings] == [ALWAYS]
    np.testing.assert_array_equal(scan.voxels, make.stored_values(recipe))


def test_missing_slice_says_from_where_to_where(tmp_path: Path) -> None:
    missing(5)(tmp_path, SOUND)
    with pytest.raises(ScanRefused, match=r"One slice is missing between") as caught:
        read_scan(tmp_path, today=TODAY)
    (finding,) = [one for one in caught.value.findings if one.code == "missing-slice"]
    for k, name in ((4, "4.dcm"), (6, "6.dcm")):
        x, y, z = SOUND.position(k)
        assert f"({x:.2f}, {y:.2f}, {z:.2f}) mm" in finding.what
        assert name in finding.where


def test_two_holes_are_two_findings(tmp_path: Path) -> None:
    missing(3, 7, 8)(tmp_path, SOUND)
    with pytest.raises(ScanRefused) as caught:
        read_scan(tmp_path, today=TODAY)
    holes = [one.what for one in caught.value.findings if one.code == "missing-slice"]
    assert len(holes) == 2
    assert "One slice" in holes[0]
    assert "2 slices in a row" in holes[1]


def test_localizer_is_named_and_the_rest_is_read(tmp_path: Path) -> None:
    localizer(tmp_path, SOUND)
    scan = read_scan(tmp_path, today=TODAY)
    (finding,) = [one for one in scan.findings if one.code == "left-out-slices"]
    assert "overview.dcm" in finding.where
    np.testing.assert_array_equal(scan.voxels, make.stored_values(SOUND))


def test_names_in_file_names_are_hidden(tmp_path: Path) -> None:
    folder = tmp_path / "Quixano_Alonso"
    folder.mkdir()
    for k, data in enumerate(make.series_bytes(SOUND)):
        if k != 5:
            (folder / f"QUIXANO-alonso_MANCHA-1605_{k}.dcm").write_bytes(data)
    with pytest.raises(ScanRefused) as caught:
        read_scan(tmp_path, today=TODAY)
    for text in (str(caught.value), *(one.sentence for one in caught.value.findings)):
        assert not any(secret in text.upper() for secret in ("QUIXANO", "ALONSO", "MANCHA"))
    assert "***" in caught.value.findings[0].where


def test_tilted_stack_gives_the_values_of_the_tilted_places(tmp_path: Path) -> None:
    """A linear field keeps its value at every patient point whatever the tilt: linear interpolation is exact on it."""
    recipe = replace(SOUND, stored=16)
    k, j, i = np.meshgrid(*(np.arange(n) for n in (recipe.count, recipe.rows, recipe.columns)), indexing="ij")
    drift = np.array([0.07, -0.11, 0.0])
    first = np.array(recipe.origin)
    points = (
        first
        + k[..., None] * np.add(drift, [0, 0, recipe.gap])
        + i[..., None] * [0.3, 0, 0]
        + j[..., None] * [0, 0.3, 0]
    )
    field = 20000 + points @ [300.0, 500.0, 700.0]
    make.write_series(
        tmp_path,
        recipe,
        lambda ds, k: setattr(ds, "ImagePositionPatient", [f"{x:.6f}" for x in recipe.position(k) + k * drift]),
        values=np.round(field).astype(np.uint16),
    )
    scan = read_scan(tmp_path, today=TODAY)
    values = scan.values((slice(None), slice(None), slice(None))).astype(np.float64) + 1000
    held = scan.voxels != scan.padding
    assert 0.5 < held.mean() < 1.0
    index = np.argwhere(held)
    expected = 20000 + scan.index_to_lps(index) @ [300.0, 500.0, 700.0]
    np.testing.assert_allclose(values[held], expected, atol=1.01)  # stored values are rounded to whole numbers
    corners = scan.lps_to_index(points[[0, -1]][:, [0, -1]][:, :, [0, -1]].reshape(-1, 3))
    assert (corners > -1).all()
    assert (corners < scan.shape).all()
