"""Density class of a mean value as a distribution over the classes of a published table."""

import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from siteplan.errors import LibraryFileError
from siteplan.measures import Measure

CAUTION_UNCALIBRATED = (
    "Cone-beam grey values are not Hounsfield units: without a calibration of this device and protocol the class is "
    "a guess and must not decide how a site is prepared."
)
CAUTION_CALIBRATED = "The class is one sign among several; feel of the drill and licensed judgement decide."
_NORMAL_95 = 1.959964
"""Half width of the 95 % interval of a normal distribution in SD."""
_UNKNOWN_SD = 150.0
"""SD in HU taken where a mean comes without an interval (our own bound: about the SD of regional means within one
jaw region, Norton and Gamble 2001, halved)."""


@dataclass(frozen=True, slots=True)
class DensityLimit:
    """One class: everything from `low` (included) to the next class. `low` is None for the lowest class."""

    label: str
    low: float | None
    note: str
    source: str


@dataclass(frozen=True, slots=True)
class DensityTable:
    """A published table; `classes` run from the densest to the softest. trabecular: made without the cortex."""

    name: str
    title: str
    unit: str
    region: str
    source: str
    status: str
    classes: tuple[DensityLimit, ...]
    trabecular: bool = False


@dataclass(frozen=True, slots=True)
class DensityClass:
    """The most probable class and the probability of each; `label` is None when there was no value."""

    table: str
    label: str | None
    probabilities: dict[str, float]
    calibrated: bool
    source: str
    caution: str

    def as_json(self) -> dict[str, object]:
        """What `findings.json` holds."""
        return {
            "table": self.table,
            "class": self.label,
            "probabilities": {name: round(share, 4) for name, share in self.probabilities.items()},
            "calibrated": self.calibrated,
            "source": self.source,
            "caution": self.caution,
        }


@lru_cache(maxsize=8)
def density_tables(extra: Path | None = None) -> dict[str, DensityTable]:
    """All tables of the package, and those of the user's own file over them.

    Raises:
        LibraryFileError: a file cannot be read, or a table in it is wrong.
    """
    tables = _read(Path(__file__).with_name("density_tables.toml"))
    return tables if extra is None else {**tables, **_read(extra)}


def classify(mean: Measure, table: DensityTable, calibrated: bool) -> DensityClass:
    """Probability of each class given the 95 % interval of a mean in HU, taken as a normal distribution."""
    caution = CAUTION_CALIBRATED if calibrated else CAUTION_UNCALIBRATED
    if mean.value is None:
        return DensityClass(table.name, None, {}, calibrated, table.source, caution)
    sd = _UNKNOWN_SD
    if mean.low is not None and mean.high is not None:
        sd = max((mean.high - mean.low) / (2 * _NORMAL_95), 1e-6)
    above = 0.0
    probabilities: dict[str, float] = {}
    for limit in table.classes:
        upto = 1.0 if limit.low is None else 0.5 * math.erfc((limit.low - mean.value) / (sd * math.sqrt(2)))
        probabilities[limit.label] = max(upto - above, 0.0)
        above = upto
    best = next(x.label for x in table.classes if x.low is None or mean.value >= x.low)
    return DensityClass(table.name, best, probabilities, calibrated, table.source, caution)


def _read(path: Path) -> dict[str, DensityTable]:
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise LibraryFileError(f"{path}: the density tables cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LibraryFileError(f"{path}: this is not valid TOML: {error}.") from error
    return {name: _table(path, name, entry) for name, entry in content.items()}


def _table(path: Path, name: str, entry: object) -> DensityTable:
    if not isinstance(entry, dict) or not isinstance(entry.get("classes"), list) or not entry["classes"]:
        raise LibraryFileError(f"{path}: [{name}] needs a list `classes`; see the tables of the package for the form.")
    for key in ("title", "unit", "source"):
        if not isinstance(entry.get(key), str):
            raise LibraryFileError(f"{path}: [{name}] needs `{key}` as text.")
    limits = tuple(_limit(path, name, k, one) for k, one in enumerate(entry["classes"]))
    lows = [x.low for x in limits]
    bounds = [low for low in lows[:-1] if low is not None]
    if lows[-1] is not None or len(bounds) != len(lows) - 1 or bounds != sorted(set(bounds), reverse=True):
        raise LibraryFileError(
            f"{path}: [{name}] classes must run from the densest to the softest, each with a lower `min` than the one "
            "before and only the last without."
        )
    text = {key: str(entry.get(key, "")) for key in ("title", "unit", "region", "source", "status")}
    trabecular = entry.get("trabecular", False)
    if not isinstance(trabecular, bool):
        raise LibraryFileError(f"{path}: [{name}] `trabecular` must be true or false, not {trabecular!r}.")
    return DensityTable(name=name, classes=limits, trabecular=trabecular, **text)


def _limit(path: Path, name: str, position: int, entry: object) -> DensityLimit:
    where = f"{path}: [{name}] class {position + 1}"
    if not isinstance(entry, dict) or not isinstance(entry.get("label"), str):
        raise LibraryFileError(f"{where} needs a `label`.")
    low = entry.get("min")
    if low is not None and (isinstance(low, bool) or not isinstance(low, int | float) or not math.isfinite(low)):
        raise LibraryFileError(f"{where}: `min` must be a number, not {low!r}.")
    return DensityLimit(
        entry["label"], None if low is None else float(low), str(entry.get("note", "")), str(entry.get("source", ""))
    )
