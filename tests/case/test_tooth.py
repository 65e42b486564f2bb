"""Tooth numbers against ISO 3950:2016: first digit quadrant 1-4 (5-8 deciduous), second 1-8 (1-5) from the midline."""

import pytest

from siteplan.case.tooth import check_tooth, jaw_of, side_of, universal_of

PERMANENT = [10 * quadrant + position for quadrant in (1, 2, 3, 4) for position in range(1, 9)]
DECIDUOUS = [10 * quadrant + position for quadrant in (5, 6, 7, 8) for position in range(1, 6)]


def test_exactly_the_52_teeth_of_the_standard_exist():
    def known(number):
        try:
            return check_tooth(number) == number
        except ValueError:
            return False

    assert [n for n in range(-20, 1000) if known(n)] == sorted(PERMANENT + DECIDUOUS)


@pytest.mark.parametrize(
    ("tooth", "jaw", "side"),
    [(11, "upper", "right"), (26, "upper", "left"), (36, "lower", "left"), (47, "lower", "right"),
     (55, "upper", "right"), (61, "upper", "left"), (75, "lower", "left"), (84, "lower", "right")],
)  # fmt: skip
def test_quadrants_run_clockwise_from_the_upper_right(tooth, jaw, side):
    assert (jaw_of(tooth), side_of(tooth)) == (jaw, side)


def test_the_other_notation_is_one_to_one():
    # Numbering 1-32 and A-T; common practice, no source in the reference values.
    names = [universal_of(t) for t in PERMANENT + DECIDUOUS]
    assert len(set(names)) == 52
    assert [universal_of(t) for t in (18, 11, 21, 28, 38, 31, 41, 48)] == ["1", "8", "9", "16", "17", "24", "25", "32"]
    assert [universal_of(t) for t in (55, 51, 61, 65, 75, 71, 81, 85)] == ["A", "E", "F", "J", "K", "O", "P", "T"]
