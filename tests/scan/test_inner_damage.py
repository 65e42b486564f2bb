"""Damage inside an image: what decoders notice, what the comparison of neighbours notices, and that sound scans stay
silent. What cannot be noticed is not claimed: see the shares in DEVELOPERS.md.
"""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make

from siteplan.scan import Scan, ScanRefused, Severity, list_series, read_scan
from siteplan.scan.neighbours import odd_slices

TODAY = date(2026, 7, 1)
SIZE = make.Recipe(count=9, rows=120, columns=130, stored=12)
CODES = {"odd-slice", "repeated-slice", "strange-stream"}


def anatomy(recipe: make.Recipe = SIZE, noise: float = 20.0, seed: int = 0) -> np.ndarray:
    """(K, J, I) smooth shapes that change from slice to slice, with noise, as 12 bits."""
    rng = np.random.default_rng(seed)
    k, j, i = np.meshgrid(*(np.linspace(-2, 2, n) for n in (recipe.count, recipe.rows, recipe.columns)), indexing="ij")
    shape = 1200 + 900 * np.exp(-((i - 0.3 * k) ** 2) - j**2) + 300 * np.sin(4 * i + k) * np.cos(3 * j)
    shape += 1500 * (np.hypot(i, j - 0.2 * k) < 0.4)
    return (shape + rng.normal(0, noise, shape.shape)).clip(0, 4095).astype(np.uint16)


def codes(scan: Scan) -> set[str]:
    return {finding.code for finding in scan.findings} & CODES


def spoilt(folder: Path, syntax: str, spoil, k: int = 4) -> Path:
    """A series whose slice k went through `spoil(bytes of its pixels)`."""
    recipe, values = replace(SIZE, syntax=syntax), anatomy()
    for at, data in enumerate(make.series_bytes(recipe, values=values)):
        if at == k:
            start = data.rindex(b"\xe0\x7f\x10\x00") + 12
            data = data[:start] + spoil(bytearray(data[start:]))
        (folder / f"{at}.dcm").write_bytes(data)
    return folder


def swapped_bytes(data: bytearray) -> bytes:
    """4096 bytes in the middle with the two bytes of every pixel swapped."""
    at = len(data) // 4 * 2
    data[at : at + 4096] = np.frombuffer(bytes(data[at : at + 4096]), "<u2").byteswap().tobytes()
    return bytes(data)


def one_byte_lost(data: bytearray) -> bytes:
    """A byte of the middle lost, all that follows moved up; the sequence end stays where it was."""
    at = len(data) // 2
    return bytes(data[:at] + data[at + 1 : -8] + b"\0" + data[-8:])


def overwritten(data: bytearray) -> bytes:
    """64 bytes of the middle overwritten with zeros."""
    at = len(data) // 2
    data[at : at + 64] = bytes(64)
    return bytes(data)


def test_swapped_bytes_are_told_with_file_and_place(tmp_path: Path) -> None:
    scan = read_scan(spoilt(tmp_path, make.EXPLICIT, swapped_bytes), today=TODAY)
    (finding,) = [one for one in scan.findings if one.code == "odd-slice"]
    assert finding.severity is Severity.WARNING
    assert "4.dcm" in finding.where
    assert f"{SIZE.position(4)[2]:.2f}) mm" in finding.what


@pytest.mark.parametrize("k", [0, 1, 7, 8])
def test_damage_near_the_ends_is_told(k: int, tmp_path: Path) -> None:
    scan = read_scan(spoilt(tmp_path, make.EXPLICIT, swapped_bytes, k), today=TODAY)
    assert any(one.code == "odd-slice" and one.where == f"{k}.dcm" for one in scan.findings)


@pytest.mark.parametrize("syntax", [make.JPEG_SV1, make.JPEG_14])
def test_overwritten_lossless_jpeg_is_told(syntax: str, tmp_path: Path) -> None:
    assert "odd-slice" in codes(read_scan(spoilt(tmp_path, syntax, overwritten), today=TODAY))


@pytest.mark.parametrize("syntax", [make.JPEG_LS, make.JPEG_2000, make.HTJ2K])
def test_a_lost_byte_is_refused_where_streams_are_strict(syntax: str, tmp_path: Path) -> None:
    with pytest.raises(ScanRefused, match="cannot be decoded"):
        read_scan(spoilt(tmp_path, syntax, one_byte_lost), today=TODAY)


def test_overwritten_jpeg_ls_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScanRefused, match="cannot be decoded"):
        read_scan(spoilt(tmp_path, make.JPEG_LS, overwritten), today=TODAY)


def test_a_longer_rle_segment_is_told(tmp_path: Path) -> None:
    """PS3.5 G.3: the packets of a segment give exactly one byte for each pixel; a longer count gives more."""
    values = anatomy()
    recipe = replace(SIZE, syntax=make.RLE)
    for at, data in enumerate(make.series_bytes(recipe, values=values)):
        if at == 4:
            first = data.rindex(make.rle(values[4])) + 64  # the first count of the plane of high bytes
            count = data[first]
            assert count > 128, "a run is expected where the high bytes are equal"
            data = data[:first] + bytes([count - 20]) + data[first + 1 :]
        (tmp_path / f"{at}.dcm").write_bytes(data)
    scan = read_scan(tmp_path, today=TODAY)
    (finding,) = [one for one in scan.findings if one.code == "strange-stream"]
    assert finding.where == "4.dcm"


def test_a_slice_that_repeats_the_one_before_is_told(tmp_path: Path) -> None:
    values = anatomy()
    values[5] = values[4]
    make.write_series(tmp_path, SIZE, values=values)
    assert codes(read_scan(tmp_path, today=TODAY)) == {"repeated-slice"}


@pytest.mark.parametrize("syntax", [make.EXPLICIT, make.RLE, make.JPEG_SV1, make.JPEG_LS, make.JPEG_2000, make.HTJ2K])
@pytest.mark.parametrize("noise", [0.0, 3.0, 60.0, 400.0])
def test_sound_series_stay_silent(noise: float, syntax: str, tmp_path: Path) -> None:
    make.write_series(tmp_path, replace(SIZE, syntax=syntax), values=anatomy(noise=noise))
    assert codes(read_scan(tmp_path, today=TODAY)) == set()


def test_noise_alone_reaches_the_share_of_the_closed_form() -> None:
    """Two independent normal numbers: P(|a| > c |b|) = (2/pi) atan(sd_a / (c sd_b)) (ratio of normals is Cauchy)."""
    noise = np.random.default_rng(1).normal(size=(3, 1_000_000))
    apart, between = np.abs(noise[1] - (noise[0] + noise[2]) / 2), np.abs(noise[2] - noise[0])
    expected = 2 / np.pi * np.arctan(np.sqrt(1.5 / 2) / 2)
    assert (apart > 2 * between).mean() == pytest.approx(expected, abs=0.002)
    assert expected < 0.27


def scan_of(tmp_path: Path, values: np.ndarray) -> Scan:
    recipe = replace(SIZE, count=len(values))
    make.write_series(tmp_path, recipe, values=values)
    return read_scan(tmp_path, today=TODAY)


def test_what_begins_and_ends_between_slices_is_no_damage(tmp_path: Path) -> None:
    """A body that begins abruptly, a bright wire that lies in one slice only, an empty slice at each end."""
    recipe = replace(SIZE, count=16)
    values = anatomy(recipe)
    values[9:, 30:90, 20:110] += 900  # a flat face exactly between two slices
    values[4, 60:63, 10:120] = 4095  # a wire along a row
    values[6, :, 64:67] = 4095  # and one along a column
    values[0] = values[-1] = 0
    odd = odd_slices(scan_of(tmp_path, values))
    assert odd.repeated == ()
    assert set(odd.alone) <= {4}, "only a bright line through a whole row may be doubted"


@pytest.mark.shared
@pytest.mark.parametrize(
    "place",
    [
        "scans/cadaver_head",
        "phantoms/mandible_coarse/series",
        "phantoms/mandible_posterior/series",
        "phantoms/maxilla_posterior/series",
    ],
)
def test_real_and_simulated_scans_stay_silent_along_every_axis(place: str, shared: Path) -> None:
    scan = read_scan(shared / place, today=TODAY)
    assert codes(scan) == set()
    for axis in (1, 2):
        turned = np.ascontiguousarray(np.moveaxis(scan.voxels, axis, 0))
        slope, intercept = (np.full(len(turned), one[0]) for one in (scan.slope, scan.intercept))
        odd = odd_slices(replace(scan, voxels=turned, slope=slope, intercept=intercept))
        assert (odd.alone, odd.repeated) == ((), ())


@pytest.mark.parametrize("jaw", ["lower_jaw", "upper_jaw"])
def test_sample_patients_stay_silent(jaw: str, root: Path) -> None:
    assert codes(read_scan(root / "sample_volumes" / jaw / "series", today=TODAY)) == set()


def test_a_listing_with_images_tells_what_only_images_show(tmp_path: Path) -> None:
    for name, syntax, spoil in (("told", make.EXPLICIT, swapped_bytes), ("refused", make.JPEG_LS, overwritten)):
        (tmp_path / name).mkdir()
        spoilt(tmp_path / name, syntax, spoil)
    (quick,) = list_series(tmp_path / "told", today=TODAY).series
    (told,) = list_series(tmp_path / "told", images=True, today=TODAY).series
    (refused,) = list_series(tmp_path / "refused", images=True, today=TODAY).series
    assert quick.usable
    assert {one.code for one in told.findings} - {one.code for one in quick.findings} == {
        "odd-slice",
        "motion-not-checked",
    }
    assert not refused.usable
    assert "corrupt-pixels" in {one.code for one in refused.findings}
