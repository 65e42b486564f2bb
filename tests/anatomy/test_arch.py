"""The arch curve: closed forms, editing, published tooth widths, and the shared simulated jaws."""

import json
from pathlib import Path

import numpy as np
import pytest

from siteplan.anatomy.arch import Arch, crown_widths, find_arch, tooth_places
from siteplan.errors import GeometryError
from siteplan.scan import read_scan


def half_circle(radius: float = 25.0) -> Arch:
    turn = np.linspace(-np.pi / 2, np.pi / 2, 12)
    points = np.stack([radius * np.sin(turn), -radius * np.cos(turn), 0 * turn], axis=1)
    return Arch(points, np.pi * radius / 2)


def test_arc_length_of_a_half_circle() -> None:
    arch = half_circle()
    assert arch.length_mm == pytest.approx(np.pi * 25.0, rel=2e-3)
    middle = arch.at(arch.length_mm / 2)
    assert middle == pytest.approx([0, -25, 0], abs=0.05)
    assert arch.tangent(arch.length_mm / 2) == pytest.approx([1, 0, 0], abs=0.02)
    assert arch.nearest(arch.at(17.0)) == pytest.approx(17.0, abs=0.2)


def test_a_control_point_can_be_moved() -> None:
    arch = half_circle()
    moved = arch.moved(5, arch.control_lps_mm[5] + [0, 0, 2.0])
    assert moved.control_lps_mm[5] - arch.control_lps_mm[5] == pytest.approx([0, 0, 2])
    assert moved.at(0.0) == pytest.approx(arch.at(0.0))
    with pytest.raises(GeometryError, match="control points 0 to 11"):
        arch.moved(12, (0, 0, 0))


def test_tooth_places_follow_the_published_widths() -> None:
    """Sum of mean widths of a lower half arch without the third molar, 53 mm: Wheeler's tables, from memory."""
    arch = half_circle(50.0)
    places = {p.tooth: p for p in tooth_places(arch, upper=False)}
    assert set(places) == {q * 10 + n for q in (3, 4) for n in range(1, 9)}
    widths = crown_widths()["lower"]["mm"]
    edge = places[37].s_mm + widths[6] / 2 - arch.length_mm / 2
    assert edge == pytest.approx(5.0 + 5.5 + 7.0 + 7.0 + 7.0 + 11.0 + 10.5, abs=0.2)
    assert places[36].s_mm - places[46].s_mm == pytest.approx(2 * (31.5 + 5.5), abs=0.2)
    assert places[37].sd_mm > places[31].sd_mm > 0


def test_known_teeth_come_first() -> None:
    arch = half_circle(50.0)
    places = {p.tooth: p for p in tooth_places(arch, upper=True, known={16: 30.0})}
    assert places[16].s_mm == 30.0
    assert not places[16].estimated
    assert places[15].s_mm == pytest.approx(30.0 + 5.0 + 3.5)


def test_needs_something_to_count_from() -> None:
    arch = half_circle()
    with pytest.raises(GeometryError, match="midline"):
        tooth_places(Arch(arch.control_lps_mm), upper=True)


@pytest.mark.shared
@pytest.mark.parametrize(
    ("name", "worst_mm"), [("mandible_posterior", 1.5), ("mandible_coarse", 1.5), ("maxilla_posterior", 3.0)]
)
def test_arch_of_the_simulated_jaws(shared: Path, name: str, worst_mm: float) -> None:
    """The middle of the section against the crest line; the maxilla's rounded front end bends its middle line away."""
    truth = np.array(json.loads((shared / "phantoms" / name / "truth.json").read_text())["arch"]["points_lps"])
    scan = read_scan(shared / "phantoms" / name / "series")
    up = -1.0 if name.startswith("mandible") else 1.0
    arch = find_arch(scan, truth[len(truth) // 2] + [0, 0, 4.0 * up])
    line = arch.at(np.linspace(0.1, 0.9, 30) * arch.length_mm)
    away = np.array([np.linalg.norm(truth[:, :2] - p[:2], axis=1).min() for p in line])
    assert away.max() < worst_mm
    assert away[8:22].max() < 1.2
