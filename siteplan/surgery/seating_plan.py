"""`SeatingPlan`: what must be known at the chair to guide one fixture in; it is kept with the record."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np

from siteplan.errors import SiteplanError
from siteplan.fixture import Fixture
from siteplan.measures import Measure
from siteplan.placement import Clearance, Verdict
from siteplan.placement.cover import of_each_side_one
from siteplan.surgery.around import against
from siteplan.surgery.card import Preparation, Step
from siteplan.surgery.drill_shape import hole_radius
from siteplan.surgery.kit import Kit, Purpose
from siteplan.surgery.protocol import Protocol


class SeatingError(SiteplanError):
    """An entry or a plan that the seating guide cannot accept; the sentence says what can be entered instead."""


GUM = "gum surface"
"""The reference of a flapless card; the other one is the bone crest."""


@dataclass(frozen=True)
class BranchStep:
    """One further drill of the tighter branch."""

    drill: str
    says: str


@dataclass(frozen=True)
class SeatingPlan:
    """Numbers and rules for one fixture at one site.

    Attributes:
        apex_mm: planned depth of the apex below the bone entry.
        drop_in_mm: how deep the fixture drops into the prepared hole before its thread bites (from their shapes).
        gum_mm: thickness of the gum as planned, None where it is not known.
        reference: "gum surface" or "bone crest": where the mark of the seating tool is read.
        settings_Ncm: of the ratchet, rising, none above `ceiling_Ncm`.
        target_Ncm, loading_Ncm, ceiling_Ncm: of the card; the maker's ceiling is already in it.
        back_out_turns to depth_tolerance_mm: rules of the protocol.
        tighter: further drills in order. looser: names of fixtures that fit here and hold more.
        warnings: what speaks against this fixture here: margins that it does not keep, problems of its card.
        broken: of these, the margins that the fixture does break; a person must accept them before the first turn.
        site: where and how the case planned it when the record began, so that a later change of the case is noticed.
        planned_drills, bone, forecast: for looking back later; forecast is {"low", "value", "high"} in N.cm, with the
            "factor" of the clinic's own correction where one is in it, or empty.
    """

    tooth: int
    fixture: str
    length_mm: float
    lead_mm: float
    apex_mm: float
    drop_in_mm: float
    gum_mm: float | None
    settings_Ncm: tuple[float, ...]
    target_Ncm: tuple[float, float]
    loading_Ncm: float
    ceiling_Ncm: float
    back_out_turns: float
    widening_turns: float
    same_tolerance_turns: float
    cycles_before_opening: int
    depth_tolerance_mm: float
    tighter: tuple[BranchStep, ...] = ()
    looser: tuple[str, ...] = ()
    planned_drills: tuple[str, ...] = ()
    bone: str = ""
    calibrated: bool = False
    forecast: dict[str, float] = field(default_factory=dict)
    forecast_curve: dict[str, list[float]] = field(default_factory=dict)
    reference: str = GUM
    warnings: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    site: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.lead_mm <= 0 or self.apex_mm <= 0:
            raise SeatingError(f"{self.fixture}: thread lead and planned depth must be above zero.")
        if not self.settings_Ncm or max(self.settings_Ncm) > self.ceiling_Ncm:
            raise SeatingError(
                f"{self.fixture}: no setting of the ratchet stays within the ceiling of {self.ceiling_Ncm:g} N·cm; "
                "use a ratchet with lower settings."
            )

    @property
    def platform_mm(self) -> float:
        """Planned depth of the platform below the bone entry; negative above it."""
        return self.apex_mm - self.length_mm

    def as_json(self) -> dict[str, Any]:
        """For the record."""
        return asdict(self)

    @classmethod
    def from_json(cls, content: Any) -> "SeatingPlan":
        """From the record.

        Raises:
            SeatingError: it is not a plan.
        """
        try:
            known = {f.name for f in fields(cls)}
            given = {name: _frozen(value) for name, value in dict(content).items() if name in known}
            given["tighter"] = tuple(BranchStep(**step) for step in given.get("tighter", ()))
            return cls(**given)
        except (TypeError, ValueError, AttributeError) as error:
            raise SeatingError("the plan in the seating record cannot be read; start a new record.") from error


def differing(former: SeatingPlan, now: SeatingPlan) -> tuple[str, ...]:
    """What decides at the chair and is not the same in two plans of one site, in words; empty where nothing is."""
    pairs = (
        ("fixture", former.fixture, now.fixture),
        ("planned depth", round(former.apex_mm, 1), round(now.apex_mm, 1)),
        ("place where depth is read", former.reference, now.reference),
        ("thickness of the gum", former.gum_mm, now.gum_mm),
        ("torques", (former.target_Ncm, former.loading_Ncm, former.ceiling_Ncm),
         (now.target_Ncm, now.loading_Ncm, now.ceiling_Ncm)),
        ("settings of the ratchet", former.settings_Ncm, now.settings_Ncm),
        ("margins that are not kept", _about(former.broken), _about(now.broken)),
    )  # fmt: skip
    return tuple(name for name, one, other in pairs if one != other)


def _about(said: Sequence[str]) -> frozenset[str]:
    """What sentences such as "canal: 0.86 mm, ..." are about: numbers measured anew may round otherwise."""
    return frozenset(one.partition(":")[0] for one in said)


def seating_plan(
    preparation: Preparation,
    fixture: Fixture,
    apex_mm: float,
    kit: Kit,
    protocol: Protocol,
    tooth: int,
    *,
    clearances: Sequence[Clearance] = (),
    site: Mapping[str, Any] | None = None,
) -> SeatingPlan:
    """The plan for guiding a fixture in by its card.

    Args:
        clearances: of the fixture at its place; those that do not keep their margin are warned about.
        site: what the case says of the place, as JSON values.

    Raises:
        SeatingError: the ratchet has no setting within the ceiling.
    """
    rules = protocol.file.seating
    goal = preparation.torque
    planned = preparation.forecast.planned if preparation.forecast else None
    final = planned.final if planned else None
    curves = planned.as_json() if planned else {}
    not_clear = of_each_side_one([c for c in clearances if not c.verdict.good])
    return SeatingPlan(
        tooth=tooth,
        fixture=fixture.name,
        length_mm=fixture.length_mm,
        lead_mm=fixture.thread_lead_mm,
        apex_mm=round(apex_mm, 3),
        drop_in_mm=round(drop_in_mm(fixture, preparation.steps, apex_mm), 3),
        gum_mm=preparation.soft_tissue_mm,
        reference=preparation.reference,
        warnings=(*map(against, not_clear), *_problems(preparation)),
        broken=tuple(against(c) for c in not_clear if c.verdict is not _NOT_TOLD),
        settings_Ncm=tuple(s for s in kit.file.ratchet.settings_Ncm if s <= goal.ceiling_Ncm),
        target_Ncm=goal.target_Ncm,
        loading_Ncm=goal.loading_Ncm,
        ceiling_Ncm=goal.ceiling_Ncm,
        back_out_turns=rules.back_out_turns,
        widening_turns=rules.widening_turns,
        same_tolerance_turns=rules.same_tolerance_turns,
        cycles_before_opening=rules.cycles_before_opening,
        depth_tolerance_mm=rules.depth_tolerance_mm,
        tighter=tuple(BranchStep(s.drill.name, _says(s)) for s in preparation.tighter.steps),
        looser=preparation.looser.fixtures,
        planned_drills=tuple(step.drill.name for step in preparation.steps),
        bone=preparation.bone,
        calibrated=preparation.calibrated,
        forecast={} if final is None else _kept_forecast(final, protocol),
        site=dict(site or {}),
        forecast_curve={name: curves[name] for name in ("depth_mm", "low", "middle", "high") if name in curves},
    )  # fmt: skip


def _kept_forecast(final: Measure, protocol: Protocol) -> dict[str, float]:
    """What `outcomes` needs: a correction that is in it already must not be fitted a second time."""
    kept = {k: round(getattr(final, k), 2) for k in ("low", "value", "high")}
    own = protocol.file.torque_correction
    return kept if own is None else kept | {"factor": own.factor}


_NOT_TOLD = Verdict.CANNOT_BE_TOLD


def _problems(preparation: Preparation) -> tuple[str, ...]:
    """Of the card; what speaks against the fixture itself is warned about with its clearances."""
    others = [problem for problem in preparation.problems if problem not in preparation.fixture_verdicts]
    return tuple(f"the card must not be followed as it stands: {problem.text}" for problem in others)


def drop_in_mm(fixture: Fixture, steps: tuple[Step, ...], apex_mm: float) -> float:
    """Depth of the apex at which some part of the fixture first meets the wall of the prepared hole."""
    drills = [(s.drill, s.tip_below_bone_mm) for s in steps if s.drill.purpose is not Purpose.TAP]
    heights = np.arange(0.0, fixture.length_mm + _STEP_MM, _STEP_MM)
    radius = np.interp(heights, fixture.body.z_mm, fixture.body.r_mm)
    for apex in np.arange(0.0, apex_mm, _STEP_MM):
        depth = apex - fixture.length_mm + heights
        inside = depth > 0
        if (radius[inside] > hole_radius(drills, depth[inside]) + _STEP_MM / 10).any():
            return float(apex)
    return apex_mm


_STEP_MM = 0.1
"""Depths tried for dropping in: finer than anybody reads at the chair."""


def _says(step: Step) -> str:
    return f"{step.drill.name}, {step.reach.value}, until {step.shows} (tip {step.tip_depth_mm:.1f} mm deep)"


def _frozen(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value
