"""Sections beside a site follow the arch. Closed forms of circle and straight line; a horseshoe is near the first."""

from dataclasses import replace

import numpy as np
import pytest

from siteplan.anatomy import Kind, MadeBy, Structure, Tube
from siteplan.case import SiteEntry
from viewer.look import Look
from viewer.panorama import course_through
from viewer.section_words import side_words, where_words
from viewer.undecided import stops_along

RADIUS_MM = 25.0
ANGLES = np.radians(np.linspace(-100, 100, 41))


def on_circle(angle: float, radius: float, height: float = -40.0) -> np.ndarray:
    """(3,) LPS; at angle 0 in front, growing towards the patient's left."""
    return np.array([radius * np.sin(angle), -radius * np.cos(angle), height])


ARCH = course_through(np.array([on_circle(a, RADIUS_MM) for a in ANGLES]))


def site(tooth: int, angle: float, aside: float = 0.0, tilt: float = 0.0) -> SiteEntry:
    """A site on the circle or `aside` mm outside of it, its buccal direction away from the middle."""
    outwards = on_circle(angle, 1.0, 0.0)
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    axis = np.cos(tilt) * np.array([0.0, 0.0, -1.0]) + np.sin(tilt) * along
    return SiteEntry(
        tooth=tooth, crest_mm=tuple(on_circle(angle, RADIUS_MM + aside)), axis=tuple(axis), buccal=tuple(outwards)
    )


@pytest.mark.parametrize("aside", [0.0, 3.0, -3.0])
@pytest.mark.parametrize(("tooth", "angle"), [(36, 1.0), (46, -1.0)])
@pytest.mark.parametrize("offset", [-30.0, -8.0, -0.5, 0.5, 8.0, 16.0])
def test_a_section_is_turned_with_a_round_arch(tooth, angle, aside, offset):
    """Distal of 36 lies towards the patient's left and back, of 46 towards the right and back."""
    look = Look(site(tooth, angle, aside).frame(), offset, course=ARCH)
    there = angle + (1 if tooth == 36 else -1) * offset / RADIUS_MM
    frame = look.frame()
    assert frame.origin_lps_mm == pytest.approx(on_circle(there, RADIUS_MM + aside), abs=0.03)
    assert float(frame.buccal @ on_circle(there, 1.0, 0.0)) == pytest.approx(1.0, abs=1e-4)
    assert abs(float(look.plane().toward @ on_circle(there, 1.0, 0.0))) < 0.01


def test_straight_on_where_the_arch_is_straight_or_unknown():
    frame = SiteEntry(tooth=36, crest_mm=(10.0, 5.0, -40.0), axis=(0, 0, -1), buccal=(1, 0, 0)).frame()
    line = course_through(np.array([[12.0, y, -40.0] for y in (-30.0, -10.0, 10.0, 30.0)]))
    straight = Look(frame, 7.0)
    for course in (line, None):
        assert straight.along(course).frame().origin_lps_mm == pytest.approx([10.0, 12.0, -40.0], abs=1e-6)
        assert straight.along(course).frame().buccal == pytest.approx([1.0, 0.0, 0.0], abs=1e-9)
    # Beyond the end of an arch the way goes on in its last direction.
    assert Look(frame, 38.0, course=line).frame().origin_lps_mm == pytest.approx([10.0, 43.0, -40.0], abs=0.01)


def test_nothing_jumps_at_the_site_and_its_frame_stays_right_angled():
    frame = site(36, 1.0, 2.0, tilt=0.3).frame()
    for offset in (0.01, -0.01, 6.0, -20.0):
        seen = Look(frame, offset, course=ARCH).frame()
        triad = np.stack([seen.axis, seen.buccal, seen.distal])
        assert triad @ triad.T == pytest.approx(np.eye(3), abs=1e-9)
        assert seen.axis == pytest.approx(frame.axis, abs=1e-12)
        assert float((seen.origin_lps_mm - frame.origin_lps_mm) @ frame.axis) == pytest.approx(0.0, abs=1e-9)
        if abs(offset) < 0.1:
            assert seen.origin_lps_mm == pytest.approx(frame.origin_lps_mm, abs=0.02)
            assert seen.buccal == pytest.approx(frame.buccal, abs=2e-3)


def test_stops_reach_the_ends_of_a_structure_round_the_arch():
    points = np.array([on_circle(a, RADIUS_MM + 1.0, -50.0) for a in np.linspace(0.4, 1.4, 12)])
    canal = Structure("canal", Kind.CANAL, Tube(points, np.full(12, 1.0)), 0.1, MadeBy.FOUND, "")
    stops = stops_along(canal, Look(site(36, 1.0).frame(), course=ARCH), 40.0)
    assert (stops[0], stops[-1]) == pytest.approx((-0.6 * RADIUS_MM, 0.4 * RADIUS_MM), abs=0.05)


def test_the_picture_says_how_far_along_and_names_no_side_that_may_have_changed():
    entry = site(36, 1.0)
    look = Look(entry.frame(), 8.0, course=ARCH)
    assert where_words(look, entry) == "buccolingual, 8.0 mm distal of the axis along the arch"
    assert "straight on" in where_words(look.along(None), entry)
    assert set(side_words(look, look.plane(), entry)[:2]) == {"buccal", "lingual"}
    far = replace(look, offset_mm=-30.0)  # past the front teeth: cheek and tongue are still where they were
    assert set(side_words(far, far.plane(), entry)[:2]) == {"buccal", "lingual"}
    across = replace(far, turn_deg=90.0)
    assert side_words(across, across.plane(), entry)[:2] == ("", "")


def test_an_upper_jaw_has_a_palatal_side():
    entry = SiteEntry(tooth=16, crest_mm=(-25.0, 5.0, 10.0), axis=(0, 0, 1), buccal=(-1, 0, 0))
    assert where_words(Look(entry.frame()), entry) == "buccopalatal"
