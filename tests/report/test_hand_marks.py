"""Marks set by hand, in the report: values from closed forms, text only where identity lets it through."""

import math
from typing import Any

import pytest
from made_case import SITE_36, made_case, made_scan, site

import siteplan
from siteplan.findings import Findings
from siteplan.report.document import document
from siteplan.report.identity import Identity

SAID = "Zoenira measured this"
MARKS: list[dict[str, Any]] = [
    {"kind": "distance", "points_mm": [[0, 0, 0], [3, 4, 0]], "text": SAID, "tooth": 36},
    {"kind": "angle", "points_mm": [[1, 0, 0], [0, 0, 0], [0, 1, 0]]},
    {"kind": "note", "points_mm": [[0, 0, 0]], "text": SAID},
]


@pytest.fixture(scope="module")
def marked() -> Findings:
    return siteplan.assess(made_scan(), made_case([site(36, SITE_36)], marks=MARKS))


def test_values_are_those_of_geometry(marked: Findings) -> None:
    rows = document(marked, Identity.AS_GIVEN)["by_hand"]
    # 3-4-5 triangle; two axes of a frame stand at 90 degrees.
    assert rows[0]["value"].startswith("5.0\u00a0mm (")
    assert rows[1]["value"] == "90°"
    assert [row["tooth"] for row in rows] == ["36", "", ""]
    # The interval of a length between two points that a hand sets: half a voxel diagonal each, per direction.
    reach = 1.96 * math.sqrt(2) * 0.5 * math.dist((0, 0, 0), marked.scan.spacing_kji_mm) / math.sqrt(3)
    assert rows[0]["value"].endswith(f"({5 - reach:.1f} to {5 + reach:.1f})")


@pytest.mark.parametrize("identity", [Identity.NONE, Identity.INITIALS])
def test_typed_text_stays_here(marked: Findings, identity: Identity) -> None:
    rows = document(marked, identity)["by_hand"]
    assert "Zoenira" not in str(rows)
    assert [row["text"] for row in rows] == ["typed text left out", "", "typed text left out"]
    assert rows[0]["value"].startswith("5.0")
