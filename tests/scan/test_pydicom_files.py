"""The test files that pydicom ships (and those of pydicom-data, where installed): what each must give.

The files are other people's, so they are used from the installed package and never copied. pydicom itself is the
reference for the header walk.
"""

import importlib.util
import warnings
from datetime import date
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.filereader import read_partial

from siteplan.errors import ScanError, SiteplanError
from siteplan.scan import list_series, read_scan, tags
from siteplan.scan.header import NotDicom, Unreadable, read_header
from siteplan.scan.load import load_one
from siteplan.scan.slices import slices_of
from siteplan.scan.source import DiskFile
from siteplan.scan.storage import storage_of
from siteplan.scan.walk import NeedMore, Odd, walk

TODAY = date(2026, 7, 1)
FOLDER = Path(pydicom.__file__).parent / "data" / "test_files"


def _more() -> Path | None:
    spec = importlib.util.find_spec("data_store")
    return (
        None
        if spec is None or not spec.submodule_search_locations
        else Path(next(iter(spec.submodule_search_locations)))
    )


FILES = sorted(path for folder in (FOLDER, _more()) if folder for path in folder.rglob("*") if path.is_file())


def opened(path: Path) -> DiskFile:
    return DiskFile(str(path), path.name, path.stat().st_size)


def test_there_are_files() -> None:
    assert len(FILES) > 150


def test_no_file_lets_anything_but_our_own_errors_out() -> None:
    refused = 0
    for path in FILES:
        try:
            read_scan(path, today=TODAY)
        except SiteplanError:
            refused += 1
    # Only the file-sets and the one Enhanced CT hold more than one slice.
    assert len(FILES) - 12 <= refused < len(FILES)


EXPECTED = {
    "CT_small.dcm": {"single-slice"},
    "693_J2KI.dcm": {"single-slice", "lossy-compression"},
    "J2K_pixelrep_mismatch.dcm": {"single-slice"},
    "MR_small.dcm": {"not-a-ct-volume"},
    "MR_truncated.dcm": {"not-a-ct-volume"},
    "UN_sequence.dcm": {"no-pixel-data", "no-position"},
    "liver_1frame.dcm": {"not-a-ct-volume"},
    "examples_overlay.dcm": {"not-a-ct-volume"},
    "rtplan.dcm": {"not-a-ct-volume"},
    "rtstruct.dcm": {"not-a-ct-volume"},
    "reportsi.dcm": {"not-a-ct-volume"},
    "waveform_ecg.dcm": {"not-a-ct-volume"},
    "image_dfl.dcm": {"not-a-ct-volume"},
    "crayons.icc": {"not-dicom"},
}
"""What a file gives when it is read alone: codes that must be among its findings."""


@pytest.mark.parametrize("name", EXPECTED)
def test_file_gives_what_it_must(name: str) -> None:
    listed = list_series(FOLDER / name, today=TODAY)
    codes = {one.code for entry in listed.series for one in entry.findings} | {one.code for one in listed.findings}
    assert codes >= EXPECTED[name]
    assert not listed.usable


def test_a_packed_file_is_refused_with_a_sentence() -> None:
    with pytest.raises(ScanError, match="a gzip archive, which is not read; unpack it"):
        list_series(FOLDER / "zipMR.gz", today=TODAY)


def test_the_medium_of_pydicom() -> None:
    """CT series of the file-set: five slices 2.5 mm apart are clean; four with a hole of 202.5 mm are refused."""
    listed = list_series(FOLDER / "dicomdirtests", today=TODAY)
    assert {entry.facts.modality for entry in listed.series} == {"CT", "MR", "CR"}
    (clean,) = listed.usable
    assert clean.size_kji == (5, 16, 16)
    assert clean.spacing_kji_mm == pytest.approx((2.5, 0.488281, 0.488281), abs=1e-5)
    holes = [entry for entry in listed.series if any(one.code == "missing-slice" for one in entry.findings)]
    assert [entry.size_kji[0] for entry in holes] == [4]
    scan = read_scan(FOLDER / "dicomdirtests", today=TODAY)
    paths = sorted((FOLDER / "dicomdirtests" / "98892001" / "CT5N").iterdir())
    datasets = sorted((pydicom.dcmread(path) for path in paths), key=lambda ds: float(ds.ImagePositionPatient[2]))
    np.testing.assert_array_equal(scan.voxels, [ds.pixel_array for ds in datasets])


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_quick_walk_agrees_with_pydicom(path: Path) -> None:
    """Where the quick walk reads a header at all, every value and the place of the pixels are those of pydicom."""
    data = path.read_bytes()
    try:
        mine = walk(data, len(data))
    except Odd:
        pytest.skip("left to pydicom")
    except NeedMore:  # all bytes are there
        pytest.fail("asks for more bytes than the file has")
    with warnings.catch_warnings(), open(path, "rb") as stream:
        warnings.simplefilter("ignore")
        place: list[int] = []

        def stop(tag: int, vr: str | None, length: int) -> bool:
            if tag == tags.PIXELS:
                place.append(length)
            return tag >= tags.FLOAT_PIXELS

        theirs = read_partial(stream, stop_when=stop)
        at = stream.tell()
    assert mine.syntax == str(theirs.file_meta.TransferSyntaxUID)
    for tag in tags.WANTED:
        if tag >> 16 == 2:
            continue
        item = theirs.get_item(tag) if tag in theirs else None
        assert (item is None) == (tag not in mine.values), f"{tag:08x}"
        if item is not None and isinstance(item.value, bytes | type(None)):
            assert mine.values[tag] == (item.value or b""), f"{tag:08x}"
    assert (mine.pixel_offset >= 0) == bool(place)
    if place:
        header = 8 if theirs.original_encoding[0] else 12
        assert mine.pixel_offset == at + header
        assert mine.pixel_length == (None if place[0] == 0xFFFFFFFF else place[0])


DECODED = [
    "CT_small.dcm",
    "MR_small.dcm",
    "MR_small_RLE.dcm",
    "MR_small_bigendian.dcm",
    "MR_small_expb.dcm",
    "MR_small_implicit.dcm",
    "MR_small_jp2klossless.dcm",
    "MR_small_jpeg_ls_lossless.dcm",
    "MR_small_padded.dcm",
    "693_J2KI.dcm",
    "J2K_pixelrep_mismatch.dcm",
    "RG1_UNCI.dcm",
    "JPEG-LL.dcm",
    "emri_small.dcm",
    "emri_small_RLE.dcm",
    "emri_small_jpeg_ls_lossless.dcm",
    "emri_small_big_endian.dcm",
    "emri_small_jpeg_2k_lossless.dcm",
    "eCT_Supplemental.dcm",
    "693_UNCI.dcm",
    "693_J2KR.dcm",
    "693_UNCR.dcm",
]


@pytest.mark.parametrize("name", DECODED)
def test_pixels_are_those_of_pydicom(name: str) -> None:
    """Stored values of every frame against pydicom's decoders, whichever of its plugins are installed."""
    path = next((path for path in FILES if path.name == name), None)
    if path is None:
        pytest.skip("it is in pydicom-data, which is not installed")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            theirs = pydicom.dcmread(path).pixel_array
        except (AttributeError, RuntimeError, NotImplementedError) as error:
            pytest.skip(f"pydicom has no decoder for it here: {type(error).__name__}")
    header = read_header(opened(path))
    storage = storage_of(header)
    slices = slices_of(header)
    if not header.frames and theirs.ndim == 3:
        pytest.skip("frames without functional groups are never read")
    for one, expected in zip(slices, theirs.reshape(-1, storage.rows, storage.columns), strict=True):
        got = np.empty((storage.rows, storage.columns), storage.dtype)
        load_one(one, storage, got)
        np.testing.assert_array_equal(got, expected)


def test_damaged_and_foreign_files_are_told_apart() -> None:
    for name in ("crayons.icc", "README.txt", "zipMR.gz"):
        with pytest.raises(NotDicom):
            read_header(opened(FOLDER / name))
    with pytest.raises((Unreadable, NotDicom)):
        read_header(DiskFile(str(FOLDER / "absent"), "absent", 10))


def test_names_in_many_character_sets() -> None:
    """Every name comes out as pydicom decodes it, and no message repeats it."""
    for path in sorted((FOLDER.parent / "charset_files").glob("*.dcm")):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            expected = str(pydicom.dcmread(path).get("PatientName", ""))
        (entry,) = list_series(path, today=TODAY).series
        if path.stem != "chrFrenMulti":
            assert entry.patient.name.rstrip("=") == "".join(c for c in expected if c.isprintable()).rstrip("=")
        for part in entry.patient.name.replace("=", "^").split("^"):
            if len(part) > 3:
                assert not any(part in one.sentence for one in entry.findings)
