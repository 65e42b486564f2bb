"""Numbers and verdicts as words: every number with its unit, every absent one with its reason."""

import re
from collections.abc import Iterable
from typing import Any

from siteplan.flags import Flag
from siteplan.measures import Measure, limits_words, rounded_down, rounded_up, thinner_words

NOT_MEASURED = "not measured"
NO_BREAK = "\u00a0"
"""A space at which no line may break, between number and unit."""
_PRODUCT = (
    "Thickness times grey over soft tissue is about {} HU·mm on the provisional scale; the likeliest thickness is {}."
)
_TO_HU_MM = 50
_NAME = re.compile(r"\S*[a-z]\S*(?:\d|\.[a-z])")
"""A first word with a digit or an ending in it."""
_UNIT_WORDS = {"deg": "°", "grey": "grey", "HU": "HU", "mm": "mm", "N.cm": "N·cm"}
_DIGITS = {"mm": 1, "deg": 0, "grey": 0, "HU": 0}


class Notes:
    """Numbered footnotes of one page: each sentence once, in order of first use."""

    def __init__(self) -> None:
        self._sentences: list[str] = []

    def of(self, flags: Iterable[Flag]) -> list[int]:
        """Numbers of the footnotes for these flags."""
        return [self.number(flag.meaning) for flag in flags]

    def number(self, sentence: str) -> int:
        """Number of the footnote with this sentence."""
        if sentence not in self._sentences:
            self._sentences.append(sentence)
        return self._sentences.index(sentence) + 1

    def listed(self) -> list[dict[str, Any]]:
        """All footnotes: number and sentence."""
        return [{"number": n, "sentence": s} for n, s in enumerate(self._sentences, 1)]


def figure(value: float, digits: int) -> str:
    """A number with a true minus sign; never "-0.0"."""
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def unit_word(unit: str) -> str:
    """The unit as it is printed."""
    return _UNIT_WORDS.get(unit, unit)


def with_unit(value: float, unit: str, digits: int | None = None) -> str:
    """Number and unit, with a space that no line break may use."""
    places = _DIGITS.get(unit, 2) if digits is None else digits
    word = unit_word(unit)
    gap = "" if word == "°" else NO_BREAK
    return f"{figure(value, places)}{gap}{word}"


def torque_words(low: float, high: float | None = None) -> str:
    """A torque, or two ends of what is aimed for, as they were given: a limit is not rounded past itself."""
    return f"{low:g}{NO_BREAK}N·cm" if high is None or low == high else f"{low:g} to {high:g}{NO_BREAK}N·cm"


def cell(measure: Measure, notes: Notes, digits: int | None = None) -> dict[str, Any]:
    """A table cell: value with unit, 95 % interval, numbers of its footnotes; or that it was not measured, and why.

    A thickness that cannot be told from density shows the limit below which it lies, and what is known in a footnote.
    """
    numbers = notes.of(measure.flags)
    if measure.value is None:
        return {"value": NOT_MEASURED, "interval": "", "notes": numbers, "absent": True}
    thinner, product = thinner_words(measure, NO_BREAK), measure.product_hu_mm
    if thinner is not None and product is not None:
        # Rounded so that the levels of a site share their notes: neither number is known any better.
        known = _PRODUCT.format(figure(_TO_HU_MM * round(product / _TO_HU_MM), 0), with_unit(measure.value, "mm", 1))
        numbers.append(notes.number(known))
        return {"value": thinner, "interval": "", "notes": numbers, "absent": False}
    places = _DIGITS.get(measure.unit, 2) if digits is None else digits
    return {
        "value": with_unit(measure.value, measure.unit, places),
        "interval": span(measure.low, measure.high, places),
        "notes": numbers,
        "absent": False,
    }


def span(low: float | None, high: float | None, places: int) -> str:
    """An interval rounded outwards, with true minus signs; "" where neither limit is known."""
    return "" if low is None and high is None else limits_words(low, high, places).replace("-", "−")


def safe_cell(measure: Measure, notes: Notes) -> dict[str, Any]:
    """A cell for a distance that decides safety: two decimals, value and lower limit rounded down, upper limit up.

    So a distance just short of its margin can never be printed as if it reached it.
    """
    numbers = notes.of(measure.flags)
    if measure.value is None:
        return {"value": NOT_MEASURED, "interval": "", "notes": numbers, "absent": True}
    return {
        "value": with_unit(rounded_down(measure.value, 2), measure.unit, 2),
        "interval": span(measure.low, measure.high, 2),
        "notes": numbers,
        "absent": False,
    }


def percent(share: float) -> str:
    """A chance with its sign; one decimal below a tenth."""
    return f"{figure(100 * share, 0 if share >= 0.1 or share < 0.0005 else 1)}{NO_BREAK}%"


def percent_span(low: float, high: float) -> str:
    """Limits of a chance, rounded outwards; one decimal where the lower one is below a tenth."""
    return f"{span(100 * low, 100 * high, 0 if low >= 0.1 else 1)}{NO_BREAK}%"


def chance_words(value: float, low: float, high: float) -> str:
    """A chance with its interval in brackets. None among the draws is no zero: its upper limit is told."""
    if value == 0:
        return f"under {figure(rounded_up(100 * high, 1), 1)}{NO_BREAK}%"
    return f"{percent(value)} ({percent_span(low, high)})"


def sentence(text: str) -> str:
    """The text with a capital at its start and a full stop at its end."""
    flat = text.strip()
    if not flat:
        return ""
    # The name of a fixture or of a file keeps its letters: with another one it would be found nowhere.
    first = flat if _NAME.match(flat) else flat[0].upper() + flat[1:]
    return first if first.endswith((".", "!", "?")) else first + "."


def millimetres(spacing: Iterable[float]) -> str:
    """Voxel size as "0.25 × 0.25 × 0.30 mm"."""
    return " × ".join(f"{value:.2f}" for value in spacing) + " mm"


def date_words(dicom_date: str) -> str:
    """2026-11-25 for the DICOM date 20261125 (PS3.5 6.2, DA); anything else as it is."""
    if len(dicom_date) == 8 and dicom_date.isdigit():
        return f"{dicom_date[:4]}-{dicom_date[4:6]}-{dicom_date[6:]}"
    return dicom_date
