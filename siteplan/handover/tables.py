"""Findings as flat tables (CSV, RFC 4180, UTF-8) for a spreadsheet or a statistics program; nothing is computed here.

`measures.csv` has one row for each measure of `findings.json` (where `thinner_than_mm` is given, that limit is all
that is known of a thickness, and its value only the likeliest one), `fixtures.csv` one for each planned fixture,
`drilling.csv` one for each step of the card. Teeth by ISO 3950.
"""

import csv
import io
from collections.abc import Iterator
from typing import Any

MEASURES = (
    "tooth", "item", "structure", "kind", "depth_mm", "value", "unit", "low_95", "high_95", "thinner_than_mm", "sd",
    "samples", "margin_mm", "margin_status", "margin_source", "verdict", "flags", "flag_meanings", "method",
)  # fmt: skip
FIXTURES = (
    "tooth", "fixture", "design", "outer_diameter_mm", "core_diameter_mm", "length_mm", "platform_depth_mm",
    "apex_depth_mm", *(f"{end}_{way}_lps_mm" for end in ("platform", "apex") for way in "xyz"),
)  # fmt: skip
DRILLING = (
    "tooth", "step", "drill", "purpose", "diameter_mm", "reach", "reference", "mark_mm", "tip_depth_mm",
    "tip_below_bone_mm", "speed_low_per_min", "speed_high_per_min", "shows",
)  # fmt: skip

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so is run as a formula by spreadsheets; text gets an apostrophe first (OWASP, CSV injection)."""


def csv_files(findings: dict[str, Any]) -> dict[str, bytes]:
    """The three tables by file name, from the content of `findings.json`."""
    return {
        "measures.csv": _table(MEASURES, measure_rows(findings)),
        "fixtures.csv": _table(FIXTURES, fixture_rows(findings)),
        "drilling.csv": _table(DRILLING, drilling_rows(findings)),
    }


def measure_rows(findings: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """A row for every object of the findings that has a value with a unit; absent values stay empty, flags say why."""
    meanings = findings.get("flag_meanings", {})
    for site in findings["sites"]:
        for item, measure in _measures(site, ""):
            yield _measure_row(site["tooth"], item, measure, meanings)
    for item, measure in _measures(findings["between_fixtures"], "between_fixtures"):
        yield _measure_row("", item, measure, meanings)


def fixture_rows(findings: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """A row for every planned fixture."""
    for site in findings["sites"]:
        fixture = site["fixture"]
        if fixture is None:
            continue
        row = {name: fixture[name] for name in FIXTURES[2:8]} | {"tooth": site["tooth"], "fixture": fixture["name"]}
        for end in ("platform", "apex"):
            for way, value in zip("xyz", fixture[f"{end}_mm"], strict=True):
                row[f"{end}_{way}_lps_mm"] = value
        yield row


def drilling_rows(findings: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """A row for every step of every card, in order."""
    for site in findings["sites"]:
        for number, step in enumerate((site["preparation"] or {}).get("steps", ()), start=1):
            row = {name: step[name] for name in DRILLING if name in step}
            slow, fast = step["speed_per_min"]
            yield row | {
                "tooth": site["tooth"], "step": number, "speed_low_per_min": slow, "speed_high_per_min": fast,
            }  # fmt: skip


def _measures(node: Any, path: str) -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(node, dict):
        if "value" in node and "unit" in node:
            yield path, node
            return
        for key, value in node.items():
            yield from _measures(value, f"{path}.{key}" if path else key)
    elif isinstance(node, list):
        for number, value in enumerate(node):
            yield from _measures(value, f"{path}[{number}]")


def _measure_row(tooth: int | str, item: str, measure: dict[str, Any], meanings: dict[str, str]) -> dict[str, Any]:
    row = {name: measure[name] for name in MEASURES if name in measure}
    flags = measure.get("flags", [])
    return row | {
        "tooth": tooth,
        "item": item,
        "low_95": measure.get("low"),
        "high_95": measure.get("high"),
        "margin_mm": measure.get("margin"),
        "flags": " ".join(flags),
        "flag_meanings": " ".join(meanings[flag] for flag in flags if flag in meanings),
    }


def _table(columns: tuple[str, ...], rows: Iterator[dict[str, Any]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns, restval="")
    writer.writeheader()
    writer.writerows({name: _cell(value) for name, value in row.items()} for row in rows)
    return out.getvalue().encode()


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_FORMULA) else value
    return "" if value is None else value
