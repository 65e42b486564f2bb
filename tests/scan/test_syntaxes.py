"""Every transfer syntax, sign and bit depth gives the stored values back, in single files and in multi-frame ones.

The truth is the array that was written; the writers are pydicom and the encoders of imagecodecs. SimpleITK (GDCM) and
dcmtk read the same files in `test_other_readers.py`.
"""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make
from pydicom.dataset import Dataset

from siteplan.scan import ScanRefused, read_scan
from siteplan.scan.storage import Storage

TODAY = date(2026, 7, 1)
LOSSLESS = {
    "implicit": make.IMPLICIT,
    "explicit": make.EXPLICIT,
    "big endian": make.BIG_ENDIAN,
    "deflated": make.DEFLATED,
    "RLE": make.RLE,
    "JPEG process 14": make.JPEG_14,
    "JPEG SV1": make.JPEG_SV1,
    "JPEG-LS": make.JPEG_LS,
    "JPEG 2000": make.JPEG_2000,
    "HTJ2K": make.HTJ2K,
}


@pytest.mark.parametrize("allocated_stored", [(8, 8), (16, 8), (16, 10), (16, 12), (16, 16)])
@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("name", LOSSLESS)
def test_stored_values_come_back(name: str, signed: bool, allocated_stored: tuple[int, int], tmp_path: Path) -> None:
    allocated, stored = allocated_stored
    recipe = make.Recipe(
        count=3, rows=9, columns=7, syntax=LOSSLESS[name], signed=signed, allocated=allocated, stored=stored
    )
    values = make.stored_values(recipe)
    scan = read_scan(make.write_series(tmp_path / "files", recipe), today=TODAY)
    assert scan.voxels.dtype == values.dtype
    np.testing.assert_array_equal(scan.voxels, values)
    assert not scan.grey.lossy
    for sop_class in (make.ENHANCED_CT, make.CRANIOFACIAL):
        whole = tmp_path / "whole.dcm"
        whole.write_bytes(make.file_bytes(make.multi_frame_dataset(recipe, values, sop_class), recipe.syntax, values))
        other = read_scan(whole, today=TODAY)
        np.testing.assert_array_equal(other.voxels, values)
        np.testing.assert_allclose(other.affine, scan.affine, atol=1e-12)


def test_digest_tells_volumes_apart_and_nothing_else(tmp_path: Path) -> None:
    """The same voxels in the same place have one digest, whatever the file names, their order and compression."""
    recipe = make.Recipe(stored=12)
    plain = read_scan(make.write_series(tmp_path / "a", recipe), today=TODAY).digest
    assert read_scan(make.write_series(tmp_path / "b", replace(recipe, syntax=make.RLE), prefix="x")).digest == plain
    (tmp_path / "c").mkdir()
    for k, data in enumerate(reversed(make.series_bytes(recipe))):
        (tmp_path / "c" / f"{k}").write_bytes(data)
    assert read_scan(tmp_path / "c").digest == plain
    assert read_scan(make.write_series(tmp_path / "d", replace(recipe, seed=7))).digest != plain
    assert read_scan(make.write_series(tmp_path / "e", replace(recipe, origin=(-10.0, 5.0, 40.1)))).digest != plain
    assert read_scan(make.write_series(tmp_path / "f", replace(recipe, intercept=-999))).digest != plain


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("syntax", [make.EXPLICIT, make.BIG_ENDIAN, make.RLE])
def test_garbage_in_unused_bits_is_dropped(syntax: str, signed: bool, tmp_path: Path) -> None:
    """PS3.5 8.1.1: nothing may be assumed about bits above the high bit; old overlays live there."""
    recipe = make.Recipe(stored=12, signed=signed, syntax=syntax)
    clean = make.stored_values(recipe)
    garbage = np.random.default_rng(2).integers(0, 16, clean.shape).astype(np.uint16) << 12
    dirty = (clean.view(np.uint16) & 0x0FFF) | garbage
    make.write_series(tmp_path, recipe, values=dirty)
    np.testing.assert_array_equal(read_scan(tmp_path, today=TODAY).voxels, clean)


def test_high_bit_not_below_the_top(tmp_path: Path) -> None:
    """Values may sit higher up in their word (PS3.5 8.1.1): 12 bits with high bit 15 are 16 times their value."""
    recipe = make.Recipe(stored=12)
    clean = make.stored_values(recipe)
    noise = np.random.default_rng(2).integers(0, 16, clean.shape).astype(np.uint16)
    make.write_series(tmp_path, recipe, lambda ds, _: setattr(ds, "HighBit", 15), values=(clean << 4) | noise)
    np.testing.assert_array_equal(read_scan(tmp_path, today=TODAY).voxels, clean)


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize(("stored", "high"), [(12, 11), (12, 15), (10, 12), (16, 15), (9, 8)])
def test_cleaning_agrees_with_the_formula(stored: int, high: int, signed: bool) -> None:
    """All 65,536 words, against the definition of PS3.5 8.1.1 written with Python's own integers."""
    words = np.arange(1 << 16, dtype=np.uint16)
    storage = Storage(256, 256, 16, stored, high, signed, 1, "MONOCHROME2")
    got = words.copy().view(storage.dtype).reshape(256, 256)
    storage.cleaned(got)
    expected = [(word >> (high + 1 - stored)) & ((1 << stored) - 1) for word in range(1 << 16)]
    if signed:
        expected = [value - (1 << stored) if value >> (stored - 1) else value for value in expected]
    np.testing.assert_array_equal(got.ravel(), expected)


@pytest.mark.parametrize("syntax", [make.EXPLICIT, make.BIG_ENDIAN, make.IMPLICIT])
@pytest.mark.parametrize(("signed", "padding"), [(False, 63536), (True, -2000)])
def test_padding_has_the_sign_of_the_pixels(syntax: str, signed: bool, padding: int, tmp_path: Path) -> None:
    """Pixel Padding Value is US or SS after Pixel Representation, whatever its header says (PS3.5 annex A, PS3.6)."""

    def tweak(ds: Dataset, _: int) -> None:
        ds.add_new(0x00280120, "SS" if signed else "US", padding)

    make.write_series(tmp_path, make.Recipe(signed=signed, syntax=syntax), tweak)
    assert read_scan(tmp_path, today=TODAY).padding == padding


def test_slope_and_intercept_by_slice(tmp_path: Path) -> None:
    recipe = make.Recipe(stored=12)

    def tweak(ds: Dataset, k: int) -> None:
        ds.RescaleSlope, ds.RescaleIntercept = str(1 + k / 8), str(-1000 - 10 * k)

    scan = read_scan(make.write_series(tmp_path, recipe, tweak), today=TODAY)
    k = np.arange(recipe.count)[:, None, None]
    expected = make.stored_values(recipe) * (1 + k / 8) - 1000 - 10 * k
    np.testing.assert_allclose(scan.values((slice(None), slice(None), slice(None))), expected, rtol=1e-6)


@pytest.mark.parametrize("syntax", [make.RLE, make.JPEG_SV1, make.JPEG_LS, make.JPEG_2000, make.HTJ2K])
def test_a_stream_of_another_size_is_refused(syntax: str, tmp_path: Path) -> None:
    recipe = make.Recipe(count=4, syntax=syntax)
    small = make.stored_values(make.Recipe(count=4, rows=10, columns=11))
    make.write_series(tmp_path, recipe, values=small)
    with pytest.raises(ScanRefused, match="cannot be decoded"):
        read_scan(tmp_path, today=TODAY)


@pytest.mark.parametrize("table", [True, False])
def test_frames_in_several_fragments(table: bool, tmp_path: Path) -> None:
    """PS3.5 A.4: a frame may come in several fragments; the offset table or the start of a stream tells them apart."""
    from pydicom.encaps import encapsulate

    recipe = make.Recipe(count=4, rows=30, columns=30, syntax=make.JPEG_LS)
    values = make.stored_values(recipe)
    ds = make.multi_frame_dataset(recipe, values)
    data = make.file_bytes(ds, recipe.syntax, values)
    frames = [make.compressed(frame, recipe.syntax, 16) for frame in values]
    ds.PixelData = encapsulate(frames, fragments_per_frame=3, has_bot=table)
    data = make.file_bytes(ds, recipe.syntax)
    (tmp_path / "a.dcm").write_bytes(data)
    np.testing.assert_array_equal(read_scan(tmp_path, today=TODAY).voxels, values)


def test_one_frame_in_several_fragments(tmp_path: Path) -> None:
    from pydicom.encaps import encapsulate

    recipe = make.Recipe(count=3, rows=30, columns=30, syntax=make.JPEG_LS)
    values = make.stored_values(recipe)
    for k in range(3):
        ds = make.slice_dataset(recipe, k, values[k])
        make.file_bytes(ds, recipe.syntax, values[k : k + 1])
        ds.PixelData = encapsulate([make.compressed(values[k], recipe.syntax, 16)], fragments_per_frame=4)
        (tmp_path / f"{k}.dcm").write_bytes(make.file_bytes(ds, recipe.syntax))
    np.testing.assert_array_equal(read_scan(tmp_path, today=TODAY).voxels, values)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.97])
@pytest.mark.parametrize("syntax", [make.RLE, make.JPEG_SV1, make.JPEG_14, make.JPEG_LS, make.JPEG_2000, make.HTJ2K])
def test_half_a_stream_is_never_half_an_image(syntax: str, share: float, tmp_path: Path) -> None:
    """Some decoders fill up what a stream lacks without a word; then bone would end where the data end."""
    from pydicom.encaps import encapsulate

    recipe = make.Recipe(count=3, rows=40, columns=40, syntax=syntax)
    values = make.stored_values(recipe)
    for k in range(3):
        ds = make.slice_dataset(recipe, k, values[k])
        make.file_bytes(ds, recipe.syntax, values[k : k + 1])
        stream = make.compressed(values[k], recipe.syntax, 16)
        ds.PixelData = encapsulate([stream[: int(share * len(stream))] if k == 1 else stream])
        (tmp_path / f"{k}.dcm").write_bytes(make.file_bytes(ds, recipe.syntax))
    with pytest.raises(ScanRefused, match="cannot be decoded"):
        read_scan(tmp_path, today=TODAY)
