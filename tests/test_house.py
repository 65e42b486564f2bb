"""The rules of the house: what may be imported when, by whom, and what may lie in the project."""

import json
import pkgutil
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

import siteplan
from siteplan.cli import COMMANDS

HEAVY = ("vtkmodules", "PySide6", "SimpleITK", "scipy", "skimage", "pydantic", "matplotlib", "imagecodecs", "jinja2")
LONGEST_FILE = 400
KEPT = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "siteplan", "viewer", "sample_volumes", "tests"}
NOT_OURS = {"__pycache__", "build", "dist", "node_modules"}
TEXT = {".py", ".md", ".toml", ".json", ".html", ".css", ".js", ".svg", ".txt", ".sh", ".yml", ".yaml", ".cfg", ""}
# Written in pieces so that this file does not hold what it looks for.
FORBIDDEN = re.compile(
    "|".join(
        [
            "/(?:" + "|".join(word[::-1] for word in ("krow", "mraf", "toor", "emoh")) + ")/",
            "tran" + "script",
            "seed " + "document",
            r"(?:pypi|debian|npmjs)\." + r"(?:org|com)\b",
            "rai" + r"se NotImplemented|\b(?:TO" + "DO|FIX" + r"ME|XX" + r"X)\b",
        ]
    )
)


def _files(root: Path) -> list[Path]:
    """Every file that belongs to the project: what git knows, or all that is there when there is no git."""
    if shutil.which("git") and (root / ".git").exists():
        said = subprocess.run(["git", "ls-files", "-z"], cwd=root, capture_output=True, text=True, check=False)
        if said.returncode == 0 and said.stdout:
            return [root / name for name in said.stdout.split("\0") if name and (root / name).is_file()]
    anchored = (line.strip() for line in (root / ".gitignore").read_text(encoding="utf-8").splitlines())
    made_here = {line.strip("/") for line in anchored if line.startswith("/")}
    return [file for file in _walk(root) if file.is_file() and file.relative_to(root).parts[0] not in made_here]


def _walk(folder: Path) -> Iterator[Path]:
    for entry in sorted(folder.iterdir()):
        hidden = entry.name.startswith(".") and entry.name not in {".ci", ".gitignore"}
        if hidden or entry.name in NOT_OURS or entry.name.endswith(".egg-info"):
            continue
        if entry.is_dir():
            yield from _walk(entry)
        else:
            yield entry


def _loaded_after(code: str) -> set[str]:
    """Top-level modules in a fresh interpreter after `code`."""
    script = f"{code}\nimport sys, json; print(json.dumps(sorted({{m.partition('.')[0] for m in sys.modules}})))"
    said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(json.loads(said.stdout.splitlines()[-1]))


@pytest.mark.parametrize("code", ["import siteplan", "import siteplan.cli; siteplan.cli.parser().format_help()"])
def test_start_up_loads_nothing_heavy(code):
    assert not _loaded_after(code) & set(HEAVY)


def test_the_window_is_no_part_of_the_library():
    assert not _loaded_after("import siteplan.assessment, siteplan.case, siteplan.scan, siteplan.report") & {
        "PySide6",
        "viewer",
        "vtkmodules",
    }


def test_every_name_that_a_package_offers_is_there():
    """Lazy names fail only on first use, so all of them are used here once."""
    offered = 0
    for package in ["siteplan", *_packages("siteplan")]:
        module = import_module(package)
        for name in getattr(module, "__all__", ()):
            getattr(module, name)
            offered += 1
    assert offered > 40
    with pytest.raises(AttributeError, match="no_such_name"):
        siteplan.no_such_name  # noqa: B018  (the access is what is tested)


def _packages(name: str) -> list[str]:
    module = import_module(name)
    return [info.name for info in pkgutil.walk_packages(module.__path__, f"{name}.") if info.ispkg]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command):
    said = subprocess.run(
        [sys.executable, "-m", "siteplan", command, "--help"], capture_output=True, text=True, check=False
    )
    assert said.returncode == 0, said.stderr
    assert said.stdout.startswith(f"usage: siteplan {command}")


def test_rooms_import_downwards(root):
    tool = Path(sys.executable).with_name("lint-imports")
    said = subprocess.run([tool, "--no-cache"], cwd=root, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stdout[-3000:] + said.stderr[-500:]
    assert "0 broken" in said.stdout


def test_the_import_rules_can_be_broken(root, tmp_path):
    """The contracts fail on a copy in which bone reaches up to the command line."""
    for part in ("siteplan", "viewer", "pyproject.toml"):
        source = root / part
        (shutil.copytree if source.is_dir() else shutil.copy)(source, tmp_path / part)
    with (tmp_path / "siteplan" / "bone" / "block.py").open("a", encoding="utf-8") as file:
        file.write("\nfrom siteplan import cli\n")
    tool = Path(sys.executable).with_name("lint-imports")
    said = subprocess.run([tool, "--no-cache"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert said.returncode != 0
    assert "BROKEN" in said.stdout


def test_the_top_folder_stays_tidy(root):
    tops = {file.relative_to(root).parts[0] for file in _files(root)}
    assert {name for name in tops if not name.startswith(".")} == KEPT


def test_no_file_names_a_machine_or_what_is_not_ours_to_name(root):
    bad = []
    for file in _files(root):
        if file.suffix in TEXT and file.name != "LICENSE":
            text = file.read_text(encoding="utf-8", errors="replace")
            bad += [f"{file.relative_to(root)}: {hit.group()}" for hit in FORBIDDEN.finditer(text)]
    assert not bad


def test_files_stay_small(root):
    long = [
        f"{file.relative_to(root)}: {count}"
        for file in _files(root)
        if file.suffix == ".py" and (count := len(file.read_text(encoding="utf-8").splitlines())) > LONGEST_FILE
    ]
    assert not long


def test_silenced_checks_say_why(root):
    """A silenced check carries its reason on the same line."""
    mark = re.compile(
        r"#\s*(?:no" + r"qa|type:\s*ig" + r"nore|pragma: no co" + r"ver)(?:: [A-Z0-9, ]+)?(?:\[[\w, -]+\])?"
    )
    bare = []
    for file in _files(root):
        if file.suffix != ".py" or file.is_relative_to(root / "tests"):
            continue
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
            if (hit := mark.search(line)) and len(line[hit.end() :].strip(" #-()")) < 5:
                bare.append(f"{file.relative_to(root)}:{number}")
    assert not bare


def _data_files(root: Path) -> list[Path]:
    return [file for file in _files(root) if file.suffix == ".toml" and file.is_relative_to(root / "siteplan")]


def test_every_number_in_a_data_file_has_a_source(root):
    files = _data_files(root)
    assert len(files) >= 4
    bare = [f"{file.name}: {where}" for file in files for where in _unsourced(tomllib.loads(file.read_text()))]
    assert not bare


NOT_DISPUTABLE = {"format", "version"}
"""Numbers that describe the file, not the world."""


def _unsourced(content: Any, where: str = "", sourced: bool = False) -> Iterator[str]:
    """Places of numbers with no `source` in their own table or in one around it."""
    if isinstance(content, dict):
        sourced = sourced or any(
            key.startswith("source") and isinstance(text, str) and text.strip() for key, text in content.items()
        )
        for key, value in content.items():
            if key not in NOT_DISPUTABLE:
                yield from _unsourced(value, f"{where}.{key}" if where else key, sourced)
    elif isinstance(content, list):
        for number, value in enumerate(content):
            yield from _unsourced(value, f"{where}[{number}]", sourced)
    elif isinstance(content, int | float) and not isinstance(content, bool) and not sourced:
        yield where


def test_a_number_without_a_source_is_found():
    assert list(_unsourced({"format": 1, "a": {"value": 2.0}, "b": {"value": 1, "source": "a published table"}})) == [
        "a.value"
    ]
