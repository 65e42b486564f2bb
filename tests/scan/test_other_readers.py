"""Independent readers of the same files: SimpleITK (GDCM) and, where it is installed, dcmtk."""

import shutil
import subprocess
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import series_maker as make

from siteplan.scan import read_scan

TODAY = date(2026, 7, 1)
OBLIQUE = np.array([[0.8, 0.6, 0.0], [-0.36, 0.48, 0.8], [0.48, -0.64, 0.6]])
"""Rows at right angles with exact decimals."""

SYNTAXES = {
    "implicit": make.IMPLICIT,
    "explicit": make.EXPLICIT,
    "big endian": make.BIG_ENDIAN,
    "deflated": make.DEFLATED,
    "RLE": make.RLE,
    "JPEG SV1": make.JPEG_SV1,
    "JPEG process 14": make.JPEG_14,
    "JPEG-LS": make.JPEG_LS,
    "JPEG 2000": make.JPEG_2000,
    "HTJ2K": make.HTJ2K,
}


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("name", SYNTAXES)
def test_simpleitk_gives_the_same_voxels_and_places(name: str, signed: bool, tmp_path: Path) -> None:
    import SimpleITK as sitk

    recipe = make.Recipe(
        stored=16, signed=signed, syntax=SYNTAXES[name], axes=OBLIQUE, row_spacing=0.25, column_spacing=0.4, gap=0.3
    )
    make.write_series(tmp_path, recipe)
    scan = read_scan(tmp_path, today=TODAY)
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(tmp_path)))
    image = reader.Execute()
    theirs = sitk.GetArrayFromImage(image)
    assert theirs.shape == scan.shape
    for k, j, i in ((0, 0, 0), (11, 17, 21), (3, 5, 8)):
        point = image.TransformIndexToPhysicalPoint((i, j, k))
        np.testing.assert_allclose(scan.index_to_lps([k, j, i]), point, atol=1e-6)
    np.testing.assert_allclose(scan.values((slice(None),) * 3), theirs, atol=1e-3)


@pytest.mark.shared
@pytest.mark.parametrize(
    "folder",
    ["scans/cadaver_head", "phantoms/mandible_posterior/series", "phantoms/maxilla_posterior/series"],
)
def test_simpleitk_agrees_on_the_shared_scans(folder: str, shared: Path) -> None:
    import SimpleITK as sitk

    scan = read_scan(shared / folder, today=TODAY)
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(shared / folder)))
    image = reader.Execute()
    np.testing.assert_array_equal(scan.values((slice(None),) * 3), sitk.GetArrayFromImage(image))
    np.testing.assert_allclose(scan.affine[:3, 3], image.GetOrigin(), atol=1e-6)
    np.testing.assert_allclose(scan.spacing_kji_mm[::-1], image.GetSpacing(), atol=1e-6)


@pytest.mark.skipif(shutil.which("dcmdjpeg") is None, reason="dcmtk is not installed (Debian: apt install dcmtk)")
@pytest.mark.parametrize(
    ("tool", "syntax"),
    [("dcmdjpeg", make.JPEG_SV1), ("dcmdjpeg", make.JPEG_14), ("dcmdjpls", make.JPEG_LS), ("dcmdrle", make.RLE)],
)
def test_dcmtk_decodes_the_same_pixels(tool: str, syntax: str, tmp_path: Path) -> None:
    """dcmtk's own decoders write plain files, which are then read as such."""
    recipe = make.Recipe(stored=16, syntax=syntax)
    packed, plain = make.write_series(tmp_path / "packed", recipe), tmp_path / "plain"
    plain.mkdir()
    for path in packed.iterdir():
        subprocess.run([tool, str(path), str(plain / path.name)], check=True, capture_output=True)
    assert read_scan(plain, today=TODAY).digest == read_scan(packed, today=TODAY).digest


@pytest.mark.skipif(shutil.which("dcmdump") is None, reason="dcmtk is not installed (Debian: apt install dcmtk)")
def test_dcmdump_finds_the_same_numbers(tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe(row_spacing=0.25, column_spacing=0.4))
    scan = read_scan(tmp_path, today=TODAY)
    told = set()
    for path in tmp_path.iterdir():
        run = subprocess.run(["dcmdump", "+P", "0020,0032", str(path)], check=True, capture_output=True, text=True)
        told.add(tuple(float(x) for x in run.stdout.split("[")[1].split("]")[0].split("\\")))
    ours = {tuple(np.round(scan.index_to_lps([k, 0, 0]), 6)) for k in range(scan.shape[0])}
    assert ours == {tuple(np.round(point, 6)) for point in told}
