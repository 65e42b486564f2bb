"""The report as PDF, set by Typst from the same document as the HTML.

Typst comes as one wheel without system libraries or fonts to install, so a bare machine makes the same pages. The files
are tagged and follow PDF/A-2a and PDF/UA-1 where every letter has a glyph; otherwise plain tagged PDF is written.
"""

import json
import re
import tempfile
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import matplotlib as mpl

from siteplan.errors import OutputError
from siteplan.report import palette

Paper = Literal["a4", "us-letter"]
STANDARDS: list[Literal["a-2a", "ua-1"]] = ["a-2a", "ua-1"]
"""Archive form and accessibility (ISO 19005-2 level A, ISO 14289-1)."""
_LONG_WORD = re.compile(r"(?<!\S)(?![0-9a-f]{64}(?!\S))\S{31,}")
_PIECE = re.compile(r".{1,15}")
MISSING = (
    "The PDF is missing: the library that sets it (typst) is not installed on this machine; print report.html instead."
)


def can_write() -> bool:
    """Whether the typesetting library is there."""
    try:
        import typst  # noqa: F401  # looked for, not used here
    except ImportError:
        return False
    return True


def report_pdf(document: dict[str, Any], figures: dict[str, bytes], made: datetime, paper: Paper = "a4") -> bytes:
    """The report as PDF. Text is handed over as data, so nothing that was typed can act as markup."""
    import typst

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data = _with_paths(document, figures) | {"paper": paper}
        (folder / "data.json").write_text(json.dumps(data, ensure_ascii=False), "utf-8")
        (folder / "palette.json").write_text(json.dumps(_palette()), "utf-8")
        template = files("siteplan.report").joinpath("templates/report.typ")
        (folder / "report.typ").write_bytes(template.read_bytes())
        for file, png in figures.items():
            (folder / file).write_bytes(png)
        settings: dict[str, Any] = {
            "root": str(folder),
            "font_paths": [str(Path(mpl.get_data_path()) / "fonts" / "ttf")],
            "format": "pdf",
            "timestamp": made.replace(microsecond=0),
        }
        source = str(folder / "report.typ")
        try:
            out = typst.compile(source, pdf_standards=[*STANDARDS], **settings)
        except typst.TypstError:  # a letter without a glyph breaks the standard, not the page
            out = typst.compile(source, **settings)
    if not isinstance(out, bytes):
        raise OutputError("report.pdf: the typesetting library returned no document; print report.html instead.")
    return out


def _with_paths(node: Any, figures: dict[str, bytes]) -> Any:
    if isinstance(node, dict):
        out = {key: _with_paths(value, figures) for key, value in node.items()}
        if "file" in out and "alt" in out:
            out["src"] = out["file"] if out["file"] in figures else ""
        return out
    if isinstance(node, list):
        return [_with_paths(value, figures) for value in node]
    return _breakable(node) if isinstance(node, str) else node


def _breakable(text: str) -> str:
    """The text with an invisible place to break a line in words too long for a column; hashes keep theirs."""
    return _LONG_WORD.sub(lambda run: "\u200b".join(_PIECE.findall(run.group())), text)


def _palette() -> dict[str, Any]:
    colours = {name: getattr(palette, name) for name in ("INK", "QUIET", "ACCENT", "RULE", "WASH")}
    return colours | {"marks": {m.shape: {"text": m.text_colour, "ground": m.ground} for m in palette.MARKS}}
