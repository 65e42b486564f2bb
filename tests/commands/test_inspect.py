"""`siteplan inspect`: what is there and how far to trust it, without telling who the patient is."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

MAKER = Path(__file__).resolve().parent.parent / "scan" / "series_maker.py"


@pytest.fixture(scope="module")
def make() -> ModuleType:
    if "series_maker" in sys.modules:
        return sys.modules["series_maker"]
    spec = importlib.util.spec_from_file_location("series_maker", MAKER)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["series_maker"] = module
    spec.loader.exec_module(module)
    return module


def inspect(*arguments: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, as a person or a script runs it."""
    script = (
        "import argparse, sys\n"
        "from siteplan.commands import inspect\n"
        "from siteplan.errors import SiteplanError\n"
        "parser = argparse.ArgumentParser()\n"
        "inspect.add_parser(parser.add_subparsers(required=True))\n"
        "args = parser.parse_args(['inspect', *sys.argv[1:]])\n"
        "try:\n"
        "    sys.exit(args.run(args))\n"
        "except SiteplanError as error:\n"
        "    sys.exit(f'siteplan: {error}')\n"
    )
    return subprocess.run([sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=False)


def test_text_for_a_person(make: ModuleType, tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe())
    run = inspect(str(tmp_path))
    assert run.returncode == 0
    assert run.stderr == ""
    for part in (
        "12 slices of 18 rows x 22 columns",
        "0.3 x 0.3 mm",
        "2026-06-01",
        "not Hounsfield units",
        "2.25.1001",
    ):
        assert part in run.stdout
    assert "QUIXANO" not in run.stdout
    assert "MANCHA" not in run.stdout


def test_identity_only_when_asked(make: ModuleType, tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe())
    assert "QUIXANO^ALONSO" in inspect(str(tmp_path), "--identity").stdout
    assert json.loads(inspect(str(tmp_path), "--json", "--identity").stdout)["series"][0]["patient"]["name"]
    assert "QUIXANO" not in inspect(str(tmp_path), "--json").stdout


def test_json_and_nothing_else(make: ModuleType, tmp_path: Path) -> None:
    make.write_series(tmp_path, make.Recipe(row_spacing=0.25, gap=0.4))
    (tmp_path / "other.txt").write_text("x")
    run = inspect(str(tmp_path), "--json")
    told = json.loads(run.stdout)
    (series,) = told["series"]
    assert series["usable"] is True
    assert series["spacing_kji_mm"] == [0.4, 0.25, 0.3]
    assert series["field_of_view_kji_mm"] == [4.8, 4.5, 6.6]
    assert series["grey_scale"]["may_be_hu"] is False
    assert [one["code"] for one in told["findings"]] == ["not-dicom"]


def test_refusals_are_shown_and_the_exit_code_tells(make: ModuleType, tmp_path: Path) -> None:
    for k, data in enumerate(make.series_bytes(make.Recipe())):
        if k != 5:
            (tmp_path / f"{k}.dcm").write_bytes(data)
    run = inspect(str(tmp_path))
    assert run.returncode == 1
    assert "REFUSAL: One slice is missing between" in run.stdout
    assert "cannot be read as a volume" in run.stdout


def test_nothing_there_is_one_sentence(tmp_path: Path) -> None:
    run = inspect(str(tmp_path / "absent"))
    assert run.returncode == 1
    assert run.stdout == ""
    assert "Traceback" not in run.stderr
    assert "there is no such folder or file" in run.stderr
