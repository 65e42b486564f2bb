"""Forecast of the torque while seating, with an interval as wide as such forecasts are poor."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.fixture import Fixture
from siteplan.measures import Measure, limits_words
from siteplan.surgery import cautions
from siteplan.surgery.bone_laws import CORTEX_DENSITY
from siteplan.surgery.card import Step, TorqueGoal
from siteplan.surgery.drill_shape import hole_radius
from siteplan.surgery.kit import Purpose
from siteplan.surgery.protocol import TorqueCorrection
from siteplan.surgery.sequence import Reach
from siteplan.surgery.torque_model import STEP_MM, Guesses, Layers, torques
from siteplan.surgery.wall import WallBone

Array = NDArray[np.float64]

GUESSES = 256
"""Number of guesses: the ends of the interval then move by a few per cent between seeds, far less than its width."""

SEED = 20240229
"""Fixed, so that the same input gives the same forecast."""

FRICTION = (0.2, 0.35, 0.6)
"""2.5 %, 50 %, 97.5 %. Usual in finite-element work on dental fixtures: 0.3 to 0.45 (from memory); rough titanium on
cancellous bone 0.37 to 0.95 (Abedi A et al., 2025), smooth metal clearly lower (Shirazi-Adl A et al., 1993)."""

CONTACT = (0.04, 0.12, 0.45)
"""Share of nominal pressure and surface that acts. Fitted, not known: its middle brings the model near published means
in patients (Turkyilmaz I, McGlumphy EA, 2008: 21.8 N·cm at 267 HU, 37.2 at 645), its upper end has to reach bench
tests in foam (Camargo BA et al., 2016), which come out two to four times higher than the middle."""

OVERSIZE_SD_MM = 0.08
"""A hole drilled by hand is wider than its drill by about this (half-normal; our own estimate, no source)."""

RESIDUAL_SD = 0.35
"""SD of the logarithm of what no model of this kind explains: torque and density on cadavers correlate at about 0.6
(Lee SS, thesis: Spearman 0.62 and 0.63), so much of the spread is something else (size of it: our own estimate)."""

NORMAL_95 = 1.959964


@dataclass(frozen=True, eq=False)
class Forecast:
    """Torque while seating after one way of preparing.

    Attributes:
        name: what was prepared: "as on the card", "without ...", "with ...".
        depth_mm: (K,) apex below the bone entry; low, middle, high: (K,) N·cm, 95 % interval and median.
        cortex, cancellous: (K,) medians of the two parts.
        final: at full depth; peak: the highest on the way; both N·cm with interval.
        below_loading, above_ceiling: probabilities that the final torque is too low to load, that the peak is too high.
    """

    name: str
    depth_mm: Array
    low: Array
    middle: Array
    high: Array
    cortex: Array
    cancellous: Array
    final: Measure
    peak: Measure
    below_loading: float
    above_ceiling: float

    def as_json(self) -> dict[str, Any]:
        """For `findings.json`."""
        curves = {name: _rounded(getattr(self, name)) for name in _CURVES}
        return {
            "name": self.name,
            **curves,
            "final": self.final.as_json(),
            "peak": self.peak.as_json(),
            "below_loading": round(self.below_loading, 3),
            "above_ceiling": round(self.above_ceiling, 3),
        }


_CURVES = ("depth_mm", "low", "middle", "high", "cortex", "cancellous")


@dataclass(frozen=True, eq=False)
class TorqueReport:
    """The forecast as on the card, and with other choices of steps.

    Attributes:
        basis: what the bone in it rests on. warnings: what must be said before surgery. cannot_know: its limits.
    """

    basis: str
    planned: Forecast
    others: tuple[Forecast, ...]
    warnings: tuple[str, ...]
    cannot_know: tuple[str, ...] = cautions.FORECAST

    def as_json(self) -> dict[str, Any]:
        """For `findings.json`."""
        return {
            "unit": "N.cm",
            "basis": self.basis,
            "planned": self.planned.as_json(),
            "others": [other.as_json() for other in self.others],
            "warnings": list(self.warnings),
            "cannot_know": list(self.cannot_know),
        }


def forecast(
    name: str,
    fixture: Fixture,
    apex_mm: float,
    steps: Sequence[Step],
    wall: WallBone,
    goal: TorqueGoal,
    own: TorqueCorrection | None = None,
) -> Forecast:
    """Torque of one fixture after one set of steps.

    Args:
        apex_mm: planned depth of the apex below the bone entry.
        own: a clinic's correction; its interval is taken into that of the forecast. Where it says how far single
            fixtures spread, that takes the place of what is guessed about friction, contact and chance.
    """
    guesses = _guesses(wall, own)
    depth = np.arange(STEP_MM / 2, max(apex_mm, STEP_MM), STEP_MM)
    layers = Layers(depth, np.interp(depth, wall.depth_mm, wall.hu), _hole(steps, depth), _starts(wall))
    tapped = any(step.drill.purpose is Purpose.TAP for step in steps)
    reached, cortex, cancellous = torques(fixture, layers, guesses, tapped=tapped)
    total = cortex + cancellous
    if own is not None and own.next_low is not None:
        # A clinic's records were compared with the middle of the plain forecast: its factor belongs to that.
        _, plain_cortex, plain_cancellous = torques(fixture, layers, _guesses(wall, None), tapped=tapped)
        plain, now = (float(np.median(x[:, -1])) for x in (plain_cortex + plain_cancellous, total))
        scale = own.factor * plain / now if now > 0 else 1.0
        total, cortex, cancellous = total * scale, cortex * scale, cancellous * scale
    low, middle, high = np.quantile(total, [0.025, 0.5, 0.975], axis=0)
    final, peak = total[:, -1], total.max(axis=1)
    return Forecast(
        name, reached, low, middle, high, np.median(cortex, axis=0), np.median(cancellous, axis=0),
        _measure(final, "final torque, model"), _measure(peak, "highest torque, model"),
        float(np.mean(final < goal.loading_Ncm)), float(np.mean(peak > goal.ceiling_Ncm)),
    )  # fmt: skip


def torque_report(
    fixture: Fixture,
    apex_mm: float,
    steps: Sequence[Step],
    tighter: Sequence[Step],
    wall: WallBone,
    goal: TorqueGoal,
    own: TorqueCorrection | None = None,
    *,
    looser: bool = True,
) -> TorqueReport:
    """Forecast for the card, without each step that could be left out, and with each that could be added.

    Args:
        looser: whether the looser branch of the card holds a fixture; what the warnings advise depends on it.
    """
    planned = forecast("as on the card", fixture, apex_mm, steps, wall, goal, own)
    others = [forecast(name, fixture, apex_mm, chosen, wall, goal, own) for name, chosen in _choices(steps, tighter)]
    basis = wall.basis if own is None else f"{wall.basis}; corrected by {own.factor:g} ({own.source})"
    return TorqueReport(basis, planned, tuple(others), _warnings(planned, goal, tighter=bool(tighter), looser=looser))


def _choices(steps: Sequence[Step], tighter: Sequence[Step]) -> list[tuple[str, list[Step]]]:
    """The other ways: crest left closed, last drill to depth left out, no tap; then each further step added in turn."""
    found: list[tuple[str, list[Step]]] = []
    crest = [step for step in steps if step.reach is Reach.CREST]
    taps = [step for step in steps if step.drill.purpose is Purpose.TAP]
    shaping = [step for step in steps if step.drill.purpose is Purpose.SHAPING]
    if crest:
        found.append(("without opening the crest", [step for step in steps if step not in crest]))
    if shaping:
        found.append((f"without {shaping[-1].drill.name}", [step for step in steps if step is not shaping[-1]]))
    if taps:
        found.append(("without the tap", [step for step in steps if step not in taps]))
    so_far = list(steps)
    for step in tighter:
        so_far = [*so_far, step]
        names = " and ".join(s.drill.name for s in so_far[len(steps) :])
        found.append((f"with {names}", so_far))
    return found


def _warnings(planned: Forecast, goal: TorqueGoal, *, tighter: bool, looser: bool) -> tuple[str, ...]:
    """What must be said before surgery; one in five is not a small chance here (our own bound).

    No branch is named that holds nothing.
    """
    said: list[str] = []
    middle = planned.final.value or 0.0
    if planned.below_loading >= 0.5:
        said.append(
            f"The forecast at full depth ({_words(planned.final)}) is more likely than not below the loading torque of "
            f"{goal.loading_Ncm:g} N·cm: plan for healing without load"
            f"{', or for the looser branch' if looser else ''}."
        )
    elif planned.below_loading >= 0.2:
        said.append(
            f"The final torque may stay below the loading torque of {goal.loading_Ncm:g} N·cm "
            f"(probability {planned.below_loading * 100:.0f} %)."
        )
    if planned.above_ceiling >= 0.5:
        said.append(
            f"The highest torque on the way ({_words(planned.peak)}) is more likely than not above the ceiling of "
            f"{goal.ceiling_Ncm:g} N·cm: expect to back out"
            + (
                " and to need the tighter branch."
                if tighter
                else ", and no further drill is allowed for it here: have a thinner fixture at hand."
            )
        )
    elif planned.above_ceiling >= 0.2:
        said.append(
            f"The ceiling of {goal.ceiling_Ncm:g} N·cm may be reached on the way "
            f"(probability {planned.above_ceiling * 100:.0f} %)."
        )
    if middle <= 0:
        said.append("The model finds no bone that could hold this fixture; look at the section.")
    return tuple(said)


def _words(measure: Measure) -> str:
    return f"{measure.value:.0f} N·cm, 95 % interval {limits_words(measure.low, measure.high, 0)}"


def _guesses(wall: WallBone, own: TorqueCorrection | None) -> Guesses:
    rng = np.random.default_rng(SEED)
    cortex = [_cortex(rng, thickness) for _, thickness in wall.cortex]
    guessed = Guesses(
        friction=_spread(rng, FRICTION),
        contact=_spread(rng, CONTACT),
        oversize_mm=np.abs(rng.normal(0.0, OVERSIZE_SD_MM, GUESSES)),
        hu_error=rng.normal(0.0, wall.hu_sd, GUESSES),
        cortex_mm=np.array(cortex).reshape(len(wall.cortex), GUESSES),
        cortex_density=rng.uniform(*CORTEX_DENSITY, GUESSES),
        law=rng.integers(0, 2, GUESSES),
        residual=np.exp(rng.normal(0.0, RESIDUAL_SD, GUESSES)),
    )
    if own is None:
        return guessed
    clinic = np.random.default_rng(SEED + 1)
    if own.next_low is None or own.next_high is None:
        return replace(guessed, residual=guessed.residual * _spread(clinic, (own.low, own.factor, own.high)))
    # How far single fixtures of this clinic lie from the forecast was measured: friction, contact and chance are in it.
    return replace(
        guessed,
        friction=np.full(GUESSES, FRICTION[1]),
        contact=np.full(GUESSES, CONTACT[1]),
        residual=_spread(clinic, (own.next_low, own.factor, own.next_high)),
    )


def _cortex(rng: np.random.Generator, thickness: Measure) -> Array:
    value = thickness.value or 0.0
    known = thickness.low is not None and thickness.high is not None
    sd = (thickness.high - thickness.low) / (2 * NORMAL_95) if known else 0.3  # type: ignore[operator]  # `known` says so
    made: Array = np.clip(rng.normal(value, sd, GUESSES), 0.0, None)
    return made


def _spread(rng: np.random.Generator, ends: tuple[float, float, float]) -> Array:
    """Log-normal with the given 2.5 %, 50 % and 97.5 % points (the two halves may differ)."""
    low, middle, high = np.log(ends)
    z = rng.normal(0.0, 1.0, GUESSES)
    made: Array = np.exp(middle + z * np.where(z < 0, middle - low, high - middle) / NORMAL_95)
    return made


def _hole(steps: Sequence[Step], depth_mm: Array) -> Array:
    drills = [(step.drill, step.tip_below_bone_mm) for step in steps if step.drill.purpose is not Purpose.TAP]
    return hole_radius(drills, depth_mm)


def _starts(wall: WallBone) -> tuple[float, ...]:
    return tuple(start for start, _ in wall.cortex)


def _measure(torque: Array, method: str) -> Measure:
    low, middle, high = np.quantile(torque, [0.025, 0.5, 0.975])
    return Measure(float(middle), "N.cm", float(low), float(high), method)


def _rounded(values: Array) -> list[float]:
    return [round(float(value), 3) for value in values]
