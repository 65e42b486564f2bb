"""What intake doubts must reach whoever reads a number, whichever command gave it."""

import json
from pathlib import Path

import numpy as np
import pydicom
import pytest

from siteplan.cli import main

LOWER = Path(__file__).resolve().parents[2] / "sample_volumes" / "lower_jaw"
BLOB_MM = 2.5


@pytest.fixture(scope="module")
def doubtful(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The lower jaw once more, said to be lossy, with a ball at the end of the grey range 7 mm in front of 36."""
    out = tmp_path_factory.mktemp("doubtful")
    case = json.loads((LOWER / "case.json").read_text("utf-8"))
    case["sites"] = [site for site in case["sites"] if site["tooth"] == 36]
    (out / "case.json").write_text(json.dumps(case), encoding="utf-8")
    centre = np.add(case["sites"][0]["crest_mm"], [0.0, -7.0, 0.0])
    (out / "series").mkdir()
    for file in (LOWER / "series").iterdir():
        ds = pydicom.dcmread(file)
        assert list(ds.ImageOrientationPatient) == [1, 0, 0, 0, 1, 0]
        ds.LossyImageCompression = "01"
        j, i = np.mgrid[: ds.Rows, : ds.Columns]
        x, y, z = (float(value) for value in ds.ImagePositionPatient)
        step = float(ds.PixelSpacing[0])
        off = np.stack([x + i * step, y + j * step, np.full(i.shape, z)], axis=-1) - centre
        pixels = ds.pixel_array.copy()
        pixels[np.linalg.norm(off, axis=-1) < BLOB_MM] = (1 << ds.BitsStored) - 1
        ds.PixelData = pixels.tobytes()
        ds.save_as(out / "series" / file.name)
    return out


@pytest.fixture(scope="module")
def directions() -> list[str]:
    (site,) = [one for one in json.loads((LOWER / "case.json").read_text("utf-8"))["sites"] if one["tooth"] == 36]
    names = (("crest", "crest_mm"), ("axis", "axis"), ("buccal", "buccal"))
    return [f"--{name}=" + ",".join(map(str, site[key])) for name, key in names]


def test_measure_says_it_before_the_numbers(
    doubtful: Path, directions: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measure", str(doubtful / "series"), *directions, "--quick"]) == 0
    text = capsys.readouterr().out
    first_number = text.index("bone starts")
    assert 0 <= text.find("lossy compression") < first_number
    metal = text[:first_number].splitlines()[-1]
    assert metal.startswith("WARNING: Metal")
    told = float(metal.split(" lies ")[1].split(" mm ")[0])
    assert told == pytest.approx(7.0 - BLOB_MM, abs=0.3)  # the ball's surface, to a voxel


def test_measure_gives_it_to_programs(
    doubtful: Path, directions: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measure", str(doubtful / "series"), *directions, "--quick", "--json"]) == 0
    codes = {one["code"] for one in json.loads(capsys.readouterr().out)["scan_findings"]}
    assert {"lossy-compression", "metal-near"} <= codes


@pytest.mark.parametrize("options", [[], ["--json"]])
def test_trace_says_it_beside_its_answer(
    doubtful: Path, options: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trace", str(doubtful / "series"), "arch", "--near", "30,-15,-40", *options]) == 0
    said = capsys.readouterr()
    assert "WARNING: The images went through lossy compression" in said.err
    if options:
        json.loads(said.out)


def test_the_card_says_it(doubtful: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["card", str(doubtful / "case.json"), "--tooth", "36"]) == 0
    assert "WARNING: The images went through lossy compression" in capsys.readouterr().err
