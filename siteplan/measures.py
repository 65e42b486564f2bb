"""`Measure`: a number with its unit, its interval, how it was obtained and why to doubt it."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from siteplan.flags import Flag


@dataclass(frozen=True, slots=True)
class Measure:
    """One measured quantity.

    Attributes:
        value: the number in `unit`, or None when it could not be measured; then `flags` says why.
        unit: "mm", "deg", "grey", "HU", "N.cm", ...
        low, high: the 95 % interval, None until it is known.
        method: how the value was obtained, in a few words.
        flags: reasons for doubt, or for absence.
        depth_mm: depth below the bone crest at which it was taken, where that applies.
        sd, samples: spread and count of what was averaged, where that applies.
        product_hu_mm: of a layer whose thickness the scan cannot tell from its density: thickness times what it has
            over soft tissue, on the provisional scale. `high` is then the limit below which the thickness lies.
    """

    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    method: str = ""
    flags: tuple[Flag, ...] = ()
    depth_mm: float | None = None
    sd: float | None = None
    samples: int | None = None
    product_hu_mm: float | None = None

    def __post_init__(self) -> None:
        if self.value is None and not self.flags:
            raise ValueError("A measure without a value must say why in its flags.")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"The interval [{self.low}, {self.high}] is upside down.")

    @classmethod
    def absent(cls, unit: str, *flags: Flag, depth_mm: float | None = None, method: str = "") -> "Measure":
        """A quantity that could not be measured, with its reasons."""
        return cls(None, unit, method=method, flags=flags, depth_mm=depth_mm)

    @property
    def thinner_than_mm(self) -> float | None:
        """Upper limit of a thickness of which little more is known; None for every other quantity."""
        return None if self.product_hu_mm is None else self.high

    def flagged(self, *flags: Flag) -> "Measure":
        """The same measure with more reasons for doubt."""
        return replace(self, flags=tuple(dict.fromkeys((*self.flags, *flags))))

    def as_json(self) -> dict[str, Any]:
        """What `findings.json` holds for this measure. Optional members appear only where they apply."""
        out: dict[str, Any] = {
            "value": _rounded(self.value),
            "low": _rounded(self.low),
            "high": _rounded(self.high),
            "unit": self.unit,
            "method": self.method,
            "flags": [flag.value for flag in self.flags],
        }
        if self.depth_mm is not None:
            out["depth_mm"] = _rounded(self.depth_mm)
        if self.sd is not None:
            out["sd"] = _rounded(self.sd)
        if self.samples is not None:
            out["samples"] = self.samples
        if self.product_hu_mm is not None:
            out["product_hu_mm"] = round(self.product_hu_mm, 1)
            out["thinner_than_mm"] = _rounded(self.thinner_than_mm)
        return out


def all_flags(measures: Iterable[Measure]) -> tuple[Flag, ...]:
    """Every flag that occurs in the measures, once each, in order of first appearance."""
    return tuple(dict.fromkeys(flag for measure in measures for flag in measure.flags))


def rounded_down(value: float, digits: int = 2) -> float:
    """A number cut to `digits` decimals towards minus infinity: no distance is printed larger than it is.

    What binary numbers add of their own below a billionth does not count: 0.29 stays 0.29.
    """
    scale = 10.0**digits
    return math.floor(value * scale + 1e-9) / scale


def rounded_up(value: float, digits: int = 2) -> float:
    """The same towards plus infinity."""
    return -rounded_down(-value, digits)


def safely_rounded(measure: Measure, digits: int = 2) -> tuple[float | None, float | None, float | None]:
    """Value, lower and upper limit as every page, terminal and window prints a distance that decides safety.

    Value and lower limit are rounded down, the upper limit up, so a distance just short of its margin can never be
    read as if it reached it.
    """
    low, high = rounded_outwards(measure.low, measure.high, digits)
    return None if measure.value is None else rounded_down(measure.value, digits), low, high


def rounded_outwards(low: float | None, high: float | None, digits: int) -> tuple[float | None, float | None]:
    """Limits of an interval as they are printed: the lower one down, the upper one up; None stays None.

    Printed limits so never hold less than the interval does, and always hold the value rounded to as many decimals.
    """
    return None if low is None else rounded_down(low, digits), None if high is None else rounded_up(high, digits)


def limits_words(low: float | None, high: float | None, digits: int) -> str:
    """An interval in words, rounded outwards: "11.1 to 11.3"; the one door for every page, terminal and window."""
    down, up = rounded_outwards(low, high, digits)
    below = "no lower limit" if down is None else _plain(down, digits)
    return f"{below} to {'no upper limit' if up is None else _plain(up, digits)}"


def distance_words(measure: Measure, digits: int = 2) -> str:
    """A distance safely rounded with its 95 % interval: "0.86 mm (0.25 to 1.47)"; "not measured" without a value."""
    if measure.value is None:
        return "not measured"
    words = f"{_plain(rounded_down(measure.value, digits), digits)} {measure.unit}"
    if measure.low is None or measure.high is None:
        return words
    return f"{words} ({limits_words(measure.low, measure.high, digits)})"


def thinner_words(measure: Measure, gap: str = " ") -> str | None:
    """What report, terminal and window say of a thickness of which only the limit is known: "thinner than 0.53 mm".

    The limit is rounded up; None for every other measure. `gap` stands between number and unit.
    """
    limit = measure.thinner_than_mm
    return None if limit is None else f"thinner than {rounded_up(limit, 2):.2f}{gap}{measure.unit}"


def _plain(number: float, digits: int) -> str:
    text = f"{number:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text


def _rounded(number: float | None) -> float | None:
    """Four decimals: far below any error of measurement, and stable to the last bit across machines."""
    return None if number is None else round(float(number), 4)
