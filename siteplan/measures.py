"""`Measure`: a number with its unit, its interval, how it was obtained and why to doubt it."""

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

    def __post_init__(self) -> None:
        if self.value is None and not self.flags:
            raise ValueError("A measure without a value must say why in its flags.")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"The interval [{self.low}, {self.high}] is upside down.")

    @classmethod
    def absent(cls, unit: str, *flags: Flag, depth_mm: float | None = None, method: str = "") -> "Measure":
        """A quantity that could not be measured, with its reasons."""
        return cls(None, unit, method=method, flags=flags, depth_mm=depth_mm)

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
        return out


def all_flags(measures: Iterable[Measure]) -> tuple[Flag, ...]:
    """Every flag that occurs in the measures, once each, in order of first appearance."""
    return tuple(dict.fromkeys(flag for measure in measures for flag in measure.flags))


def _rounded(number: float | None) -> float | None:
    """Four decimals: far below any error of measurement, and stable to the last bit across machines."""
    return None if number is None else round(float(number), 4)
