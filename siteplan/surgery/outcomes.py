"""Looking back: forecast against achieved torque, planned against used drills, class against feel, over many cases."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.measures import rounded_outwards
from siteplan.surgery.entries import Entry, Kind, effective
from siteplan.surgery.record import Record, read_records, record_path, recorded_teeth
from siteplan.surgery.seating import Phase, State
from siteplan.surgery.seating_plan import SeatingError

LEAST_FOR_A_FIT = 5
"""Fewer patients give no correction: the interval would be wider than what it corrects (our own bound)."""

CONFIDENCE = 0.95

FIT_CAUTION = (
    "The correction belongs to this clinic, these fixtures, this scanner and these hands. Fixtures of one case file "
    "count together, because they are not independent. Cases without a record are not in it, so the true interval may "
    "be wider."
)


@dataclass(frozen=True)
class Outcome:
    """One fixture that was turned in.

    Attributes:
        case: name of the case file, with as much of its folder as tells it from the other ones.
        bone: class that the card was made for. felt: what the surgeon entered, "" where nothing.
        forecast_Ncm: (low, value, high), None without a forecast. factor: of the clinic's correction that was in it.
        achieved_Ncm: final torque, or the highest click within the record where the final was not read.
        planned_drills, used_drills: used is empty where no drill was entered.
        opened: further drills after the first try.
        cycles: of backing out and going in.
        seated: whether full seating was reached.
    """

    case: str
    tooth: int
    time: str
    fixture: str
    bone: str
    calibrated: bool
    felt: str
    forecast_Ncm: tuple[float, float, float] | None
    achieved_Ncm: float | None
    planned_drills: tuple[str, ...]
    used_drills: tuple[str, ...]
    opened: tuple[str, ...]
    cycles: int
    seated: bool
    factor: float = 1.0

    @property
    def as_planned(self) -> bool | None:
        """Whether exactly the planned drills were used; None where no drill was entered."""
        return None if not self.used_drills else self.used_drills == self.planned_drills and not self.opened

    def as_json(self) -> dict[str, Any]:
        """One row for other programs."""
        return {**self.__dict__, "as_planned": self.as_planned}


@dataclass(frozen=True)
class Correction:
    """Factor by which this clinic's torques differ from the forecast.

    Attributes:
        factor, low, high: geometric mean of achieved over forecast, with its 95 % interval.
        next_low, next_high: where the factor of one more fixture is expected, 95 %.
        fixtures, patients: how many it rests on. inside: how many achieved torques lay in the forecast's interval.
    """

    factor: float
    low: float
    high: float
    next_low: float
    next_high: float
    fixtures: int
    patients: int
    inside: int

    def as_json(self) -> dict[str, Any]:
        """For other programs."""
        return {name: round(value, 4) for name, value in self.__dict__.items()} | {"caution": FIT_CAUTION}

    def as_toml(self) -> str:
        """What a clinic's protocol file would hold."""
        low, high = rounded_outwards(self.low, self.high, 3)
        next_low, next_high = rounded_outwards(self.next_low, self.next_high, 3)
        return (
            f"[torque_correction]\nfactor = {self.factor:.3f}\nlow = {low:.3f}\nhigh = {high:.3f}\n"
            f"next_low = {next_low:.3f}\nnext_high = {next_high:.3f}\n"
            f'source = "own records of {self.fixtures} fixtures in {self.patients} patients"\n'
        )


def collect(cases: Iterable[str | Path]) -> tuple[tuple[Outcome, ...], tuple[str, ...]]:
    """(outcomes, remarks): every record beside these cases; what could not be used is told in the remarks.

    A case that is given twice counts once.
    """
    found: list[Outcome] = []
    remarks: list[str] = []
    files: dict[Path, Path] = {}
    for case in map(Path, cases):
        first = files.setdefault(record_path(case).resolve(), case)
        remarks += [f"{case.name}: given more than once, and counted once"] if first is not case else []
    for (path, case), name in zip(files.items(), _apart([one.resolve() for one in files.values()]), strict=True):
        teeth = recorded_teeth(path)
        if not teeth:
            remarks.append(f"{case.name}: no seating record beside it")
        for tooth in teeth:
            for record in read_records(path, tooth):
                try:
                    found.append(_outcome(name, record))
                except SeatingError as error:
                    remarks.append(f"{path.name}, tooth {tooth}: left out, because {error}")
    return tuple(found), tuple(remarks)


def _apart(files: Sequence[Path]) -> list[str]:
    """A name of its own for each file: a clinic may keep every patient's `case.json` in a folder of its own."""
    parts = [path.with_suffix("").parts for path in files]
    names: dict[tuple[str, ...], str] = {}
    for length in range(1, max(map(len, parts), default=0) + 1):
        seen = Counter(one[-length:] for one in parts)
        for one in parts:
            if seen[one[-length:]] == 1:
                names.setdefault(one, "/".join(one[-length:]))
    return [names[one] for one in parts]


def fit_correction(outcomes: Sequence[Outcome]) -> Correction | None:
    """Correction of the plain forecast from the seated fixtures that have both torques; None for too few patients.

    Logarithms of achieved over forecast are taken as normal, with a share that all fixtures of a patient (a case file)
    have in common. The factor is the mean of the patients' means with Student's interval; one more fixture, of another
    patient, spreads by both shares (analysis of variance with one random factor: Searle, Casella and McCulloch,
    Variance Components, 1992; with one fixture each these are the textbook formulas mean +- t s / sqrt(n) and
    mean +- t s sqrt(1 + 1 / n)). A correction that was in a forecast already is taken out of it first.
    """
    from scipy.stats import t as student

    usable = [
        (o.case, o.forecast_Ncm, o.achieved_Ncm, o.factor)
        for o in outcomes
        if o.seated and o.forecast_Ncm and o.achieved_Ncm and o.forecast_Ncm[1] > 0 and o.achieved_Ncm > 0
    ]
    groups: dict[str, list[float]] = {}
    for case, forecast, achieved, factor in usable:
        groups.setdefault(case, []).append(math.log(achieved * factor / forecast[1]))
    if len(groups) < LEAST_FOR_A_FIT:
        return None
    means = np.array([np.mean(group) for group in groups.values()])
    count, mean, of_means = len(means), float(means.mean()), float(means.var(ddof=1))
    single = of_means + _within(list(groups.values()))
    reach = float(student.ppf(0.5 + CONFIDENCE / 2, count - 1))
    of_mean, of_next = reach * math.sqrt(of_means / count), reach * math.sqrt(single + of_means / count)
    inside = sum(forecast[0] <= achieved <= forecast[2] for _, forecast, achieved, _ in usable)
    return Correction(
        factor=math.exp(mean),
        low=math.exp(mean - of_mean),
        high=math.exp(mean + of_mean),
        next_low=math.exp(mean - of_next),
        next_high=math.exp(mean + of_next),
        fixtures=len(usable),
        patients=count,
        inside=inside,
    )


def _within(groups: list[list[float]]) -> float:
    """What one fixture's variance has beyond that of its patient's mean: variance within patients, less its share."""
    free = sum(len(group) - 1 for group in groups)
    if free == 0:
        return 0.0
    pooled = sum(float(np.sum((np.array(group) - np.mean(group)) ** 2)) for group in groups) / free
    return pooled * (1 - float(np.mean([1 / len(group) for group in groups])))


def agreement(outcomes: Sequence[Outcome]) -> dict[tuple[str, str], int]:
    """How often each class of the card met each felt class, where one was entered."""
    table: dict[tuple[str, str], int] = {}
    for outcome in outcomes:
        if outcome.felt:
            pair = (outcome.bone, outcome.felt)
            table[pair] = table.get(pair, 0) + 1
    return table


def _outcome(case: str, record: Record) -> Outcome:
    entries = effective(record.entries)
    state = record.state
    plan = state.plan
    known = plan.forecast
    return Outcome(
        case=case,
        tooth=record.tooth,
        time=record.entries[0].time,
        fixture=plan.fixture,
        bone=plan.bone,
        calibrated=plan.calibrated,
        felt=next((e.text for e in reversed(entries) if e.kind is Kind.FELT), ""),
        forecast_Ncm=(known["low"], known["value"], known["high"]) if {"low", "value", "high"} <= set(known) else None,
        achieved_Ncm=_achieved(state, entries),
        planned_drills=plan.planned_drills,
        used_drills=tuple(e.text for e in entries if e.kind is Kind.DRILLED),
        opened=state.opened,
        cycles=sum(e.kind is Kind.BACKED_OUT for e in entries),
        seated=state.phase in (Phase.SEATED, Phase.LOOSE),
        factor=known.get("factor") or 1.0,
    )


def _achieved(state: State, entries: Sequence[Entry]) -> float | None:
    """The final torque, else the highest click of the fixture that is in now."""
    if state.final_Ncm is not None:
        return state.final_Ncm
    since = max((n for n, e in enumerate(entries) if e.kind in (Kind.STARTED, Kind.REPLACED)), default=0)
    clicks = [e.torque_Ncm for e in entries[since:] if e.kind is Kind.CLICKED and e.torque_Ncm is not None]
    return max(clicks, default=None)
