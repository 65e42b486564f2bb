"""Terminals, pipes and disks of other systems: another encoding must neither end a job nor spoil what programs read.

Python writes files in the encoding of the system unless it is told (PEP 597), which is not UTF-8 on Windows, and JSON
is UTF-8 between programs (RFC 8259 section 8.1).
"""

import ast
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from siteplan.commands._shared import print_json

ROOT = Path(__file__).resolve().parents[2]


def in_encoding(encoding: str, code: str) -> bytes:
    environment = {**os.environ, "PYTHONIOENCODING": f"{encoding}:strict"}
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment, cwd=ROOT, check=False)
    assert run.returncode == 0, run.stderr.decode("ascii", "replace")
    return run.stdout


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "ascii", "cp437"])
def test_json_is_json_whatever_the_output_can_hold(encoding: str) -> None:
    words = "ä – ≥ 山田 \U0001f600"
    out = in_encoding(encoding, f"from siteplan.commands._shared import print_json; print_json({words!r})")
    assert json.loads(out.decode("utf-8" if encoding == "utf-8" else "ascii")) == words


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_letter_that_the_terminal_lacks_does_not_end_the_job(encoding: str, tmp_path: Path) -> None:
    (tmp_path / "山田").mkdir()
    code = f"from siteplan.cli import main; main(['inspect', {str(tmp_path / '山田')!r}, '--headers']); print('山')"
    assert b"\\u5c71" in in_encoding(encoding, code)


def test_json_goes_into_a_stream_without_an_encoding(capsys: pytest.CaptureFixture[str]) -> None:
    print_json({"a": 1.5})
    assert json.loads(capsys.readouterr().out) == {"a": 1.5}


def test_every_text_file_is_opened_with_its_encoding() -> None:
    files = [path for room in ("siteplan", "viewer", "sample_volumes") for path in sorted((ROOT / room).rglob("*.py"))]
    assert len(files) > 300
    found = [
        f"{path.relative_to(ROOT)}:{line}" for path in files for line in left_to_the_system(path.read_text("utf-8"))
    ]
    assert found == []


def test_a_text_file_that_is_left_to_the_system_is_found() -> None:
    told = (
        "open(p, 'rb'); p.open('w', encoding='utf-8'); p.write_text(t, 'utf-8'); p.read_text('utf-8'); window.open(p)"
    )
    assert list(left_to_the_system(told)) == []
    for code in ("open(p)", "p.open('w')", "p.write_text(t)", "p.read_text()", "os.fdopen(h, 'w')"):
        assert list(left_to_the_system(code)) == [1], code


def left_to_the_system(code: str) -> Iterator[int]:
    """Lines that read or write text in whatever encoding the system has."""
    for node in ast.walk(ast.parse(code)):
        if not isinstance(node, ast.Call) or any(word.arg == "encoding" for word in node.keywords):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        modes = [one.value for one in [*node.args, *(word.value for word in node.keywords if word.arg == "mode")]
                 if isinstance(one, ast.Constant) and isinstance(one.value, str)]  # fmt: skip
        if name in ("read_text", "write_text") and len(node.args) < (1 if name == "read_text" else 2):
            yield node.lineno
        built_in = isinstance(node.func, ast.Name) and name == "open"
        text_mode = any(mode in ("r", "w", "a", "x", "w+", "r+", "a+") for mode in modes)
        if (name in ("open", "fdopen") and text_mode) or (built_in and not modes):
            yield node.lineno
