"""Numbers as words: units, reasons, rounding to the safe side."""

import re
from pathlib import Path

import pytest

import siteplan
from siteplan.bone.ridge import ridge_form
from siteplan.bone.terminal import measure_words
from siteplan.flags import Flag
from siteplan.measures import Measure, thinner_words
from siteplan.report.site_content import _form_row
from siteplan.report.words import (
    NOT_MEASURED,
    Notes,
    cell,
    chance_words,
    date_words,
    figure,
    percent_span,
    safe_cell,
    sentence,
    torque_words,
    with_unit,
)


def test_absent_measure_gives_its_reason() -> None:
    notes = Notes()
    shown = cell(Measure.absent("mm", Flag.NO_EDGE_FOUND, Flag.NOISY), notes)
    assert shown["absent"]
    assert shown["value"] == "not measured"
    assert [n["sentence"] for n in notes.listed()] == [Flag.NO_EDGE_FOUND.meaning, Flag.NOISY.meaning]
    assert shown["notes"] == [1, 2]


def test_same_reason_has_one_note() -> None:
    notes = Notes()
    for _ in range(3):
        cell(Measure.absent("mm", Flag.NOISY), notes)
    assert len(notes.listed()) == 1


@pytest.mark.parametrize(
    ("value", "printed"), [(1.9999, "1.99"), (2.0, "2.00"), (-0.004, "−0.01"), (0.004, "0.00"), (2.01, "2.01")]
)
def test_distance_is_never_rounded_up(value: float, printed: str) -> None:
    shown = safe_cell(Measure(value, "mm", value - 0.5001, value + 0.5001), Notes())
    assert shown["value"] == f"{printed}\u00a0mm"
    low, high = (float(x.replace("−", "-")) for x in shown["interval"].split(" to "))
    assert low <= value - 0.5001
    assert high >= value + 0.5001


def test_open_interval_is_said() -> None:
    assert cell(Measure(0.4, "mm", None, 0.9), Notes())["interval"] == "no lower limit to 0.9"


def test_limits_in_words_are_rounded_outwards_and_stay_exact_in_json() -> None:
    found = Measure(11.2, "mm", 11.1621, 11.2374)
    assert cell(found, Notes())["interval"] == "11.1 to 11.3"
    assert percent_span(0.0312, 0.0961) == "3.1 to 9.7\u00a0%"
    assert percent_span(0.1201, 0.2) == "12 to 20\u00a0%"
    assert (found.as_json()["low"], found.as_json()["high"]) == (11.1621, 11.2374)


# A class's own bounds (`limit.low`) are no interval.
_ROUNDED_BY_ITSELF = re.compile(r"\.(?:low|high):\.\d|(?:figure|round)\((?!limit)[^()]*\.(?:low|high)\b")


@pytest.mark.parametrize("room", ["siteplan", "viewer"])
def test_no_limit_becomes_words_but_through_the_one_door(room: str) -> None:
    # `siteplan.measures` rounds limits outwards; a format of its own anywhere else would round them to the nearest.
    root = Path(siteplan.__file__).parents[1] / room
    own_way = [
        f"{file.relative_to(root)}: {line.strip()}"
        for file in sorted(root.rglob("*.py"))
        for line in file.read_text(encoding="utf-8").splitlines()
        if _ROUNDED_BY_ITSELF.search(line)
    ]
    assert own_way == []


def test_units_and_signs() -> None:
    assert with_unit(-1.26, "mm") == "−1.3\u00a0mm"
    assert with_unit(12.4, "deg") == "12°"
    assert with_unit(713.2, "grey") == "713\u00a0grey"
    assert figure(-0.04, 1) == "0.0"


def test_sentences_and_dates() -> None:
    assert sentence("a slice is missing") == "A slice is missing."
    assert sentence("") == ""
    assert date_words("20261125") == "2026-11-25"
    assert date_words("odd") == "odd"


def test_a_thickness_that_is_not_known_reads_as_a_limit() -> None:
    notes = Notes()
    flags = (Flag.THICKNESS_OR_DENSITY,)
    measure = Measure(0.31, "mm", 0.12, 0.523, flags=flags, product_hu_mm=361.0)
    shown = cell(measure, notes)
    assert shown["value"] == "thinner than 0.53\u00a0mm"
    assert shown["interval"] == ""
    said = [note["sentence"] for note in notes.listed()]
    assert said[0] == Flag.THICKNESS_OR_DENSITY.meaning
    assert "350 HU·mm" in said[1]
    assert "0.3\u00a0mm" in said[1]
    assert measure.as_json()["thinner_than_mm"] == 0.523
    assert measure.as_json()["product_hu_mm"] == 361.0
    assert "thinner_than_mm" not in Measure(0.31, "mm", 0.12, 0.5).as_json()
    # Terminal and window say it in the same words, and no limit is printed smaller than it is.
    assert thinner_words(measure) == "thinner than 0.53 mm"
    assert measure_words(measure).startswith("thinner than 0.53 mm")
    assert thinner_words(Measure(0.31, "mm", 0.12, 0.5)) is None


@pytest.mark.parametrize(
    ("height", "width", "told"),
    [
        # Available-bone divisions of Misch and Judy (density.misch_quantity_a, confirmed).
        (12.0, 6.0, "division A"),
        (12.0, 4.0, "division B"),
        (9.0, 2.0, "division C"),
        (9.0, 6.0, "in no division"),
    ],
)
def test_ridge_form_is_told_with_its_numbers_and_source(height: float, width: float, told: str) -> None:
    notes = Notes()
    across = Measure(width, "mm", width - 0.1, width + 0.1, depth_mm=3.0)
    row = _form_row(ridge_form(Measure(height, "mm", height - 0.2, height + 0.2), (across,), 0.0), notes)
    assert row["cell"]["value"] == told
    (note,) = notes.listed()
    for part in (f"{height:.1f} mm", f"{width:.1f} mm at 3 mm", "Misch", "confirmed", "Lekholm and Zarb"):
        assert part in note["sentence"]


def test_a_ridge_form_without_width_says_why() -> None:
    notes = Notes()
    nothing = Measure.absent("mm", Flag.NO_EDGE_FOUND, depth_mm=3.0)
    row = _form_row(ridge_form(Measure(12.0, "mm"), (nothing,), 0.0), notes)
    assert row["cell"]["value"] == NOT_MEASURED
    assert "no ridge width" in notes.listed()[0]["sentence"].lower()


def test_a_torque_limit_is_printed_as_it_was_given() -> None:
    # 37.5 N·cm printed as 38 would allow more than the maker does; "35 to 35" is no range.
    assert torque_words(37.5) == "37.5\u00a0N·cm"
    assert torque_words(35.0, 50.0) == "35 to 50\u00a0N·cm"
    assert torque_words(35.0, 35.0) == "35\u00a0N·cm"


def test_none_among_the_draws_is_no_zero() -> None:
    """Wilson's upper limit of none in 1000: z2 / (1000 + z2) = 0.00383 (Wilson EB, J Am Stat Assoc 22:209-212)."""
    assert chance_words(0.0, 0.0, 0.00383) == "under 0.4\u00a0%"
    assert chance_words(0.08, 0.064, 0.0985) == "8.0\u00a0% (6.4 to 9.9\u00a0%)"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("demo-compressive-4.0x14: too deep", "demo-compressive-4.0x14: too deep."),
        ("own-kit.toml, line 5", "own-kit.toml, line 5."),
        ("one-piece designs only", "One-piece designs only."),
        ("the 10 mm mark", "The 10 mm mark."),
    ],
)
def test_a_name_keeps_its_letters_at_the_start_of_a_sentence(text: str, said: str) -> None:
    assert sentence(text) == said
