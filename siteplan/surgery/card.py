"""`Preparation`: the drilling card of one site as data, and the steps on it."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from siteplan.placement import Clearance
from siteplan.placement.access import Access, Fit
from siteplan.placement.hand import Risk
from siteplan.surgery.kit import Drill
from siteplan.surgery.reasons import Reason
from siteplan.surgery.sequence import Reach

if TYPE_CHECKING:
    from siteplan.surgery.forecast import TorqueReport


@dataclass(frozen=True, eq=False)
class Step:
    """One drill, how deep, and why.

    Attributes:
        reference: "bone crest" or "gum surface": where the mark is read.
        mark_mm: the mark or stop to use, from the reference.
        stop: name of the stop sleeve, None where it is a mark of the drill.
        tip_depth_mm: how deep the very tip reaches, from the same reference.
        tip_below_bone_mm: the same, below the measured bone entry.
        short_of_goal_mm: how much shallower than wanted, because depth is never rounded towards a structure.
        clearances: of the drill at this depth to every structure.
        risks: that the hand, deviating from the plan, touches each structure; empty where not estimated.
        held_back: why the next deeper mark is not used, in words; "" where the goal is reached.
        handpiece: whether its head fits with this drill at its depth; None where the kit lacks a size for it.
    """

    drill: Drill
    reach: Reach
    reference: str
    mark_mm: float
    stop: str | None
    tip_depth_mm: float
    tip_below_bone_mm: float
    short_of_goal_mm: float
    clearances: tuple[Clearance, ...]
    why: tuple[Reason, ...]
    handpiece: Access | None = None
    risks: tuple[Risk, ...] = ()
    held_back: str = ""

    @property
    def set_by(self) -> str:
        """What to look at: "the 12 mm mark" or "stop 11"."""
        return self.stop or f"the {self.mark_mm:g} mm mark"

    @property
    def shows(self) -> str:
        """What is seen when the depth is reached."""
        return f"{self.set_by} is level with the {self.reference}"

    @property
    def access(self) -> str:
        """What the handpiece needs here, in words; "" where it fits between the crowns and no opening was given."""
        found = self.handpiece
        return "" if found is None or (found.fit is Fit.FITS and found.opening is None) else found.why

    def as_json(self) -> dict[str, Any]:
        """One member of `preparation.steps`."""
        low, high = self.drill.speed_per_min
        return {
            "drill": self.drill.name,
            "purpose": self.drill.purpose.value,
            "reach": self.reach.value,
            "diameter_mm": self.drill.diameter_mm,
            "reference": self.reference,
            "mark_mm": self.mark_mm,
            "stop": self.stop,
            "shows": self.shows,
            "tip_depth_mm": round(self.tip_depth_mm, 4),
            "tip_below_bone_mm": round(self.tip_below_bone_mm, 4),
            "short_of_goal_mm": round(self.short_of_goal_mm, 4),
            "speed_per_min": [low, high],
            "irrigation": self.drill.irrigation,
            "clearances": [clearance.as_json() for clearance in self.clearances],
            "access": self.access,
            "handpiece": self.handpiece.as_json() if self.handpiece else None,
            "risks": [risk.as_json() for risk in self.risks],
            "held_back": self.held_back,
            "why": [reason.as_json() for reason in self.why],
        }


@dataclass(frozen=True)
class Pause:
    """Stop after step `after_step` (counted from 1) and do what `what` says."""

    after_step: int
    what: str
    why: Reason

    def as_json(self) -> dict[str, Any]:
        """For `findings.json`."""
        return {"after_step": self.after_step, "what": self.what, "why": self.why.as_json()}


@dataclass(frozen=True, eq=False)
class Branch:
    """What to do when it turns out otherwise: further drills, or another fixture."""

    when: str
    steps: tuple[Step, ...] = ()
    fixtures: tuple[str, ...] = ()
    reasons: tuple[Reason, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """For `findings.json`."""
        return {
            "when": self.when,
            "steps": [step.as_json() for step in self.steps],
            "fixtures": list(self.fixtures),
            "reasons": [reason.as_json() for reason in self.reasons],
        }


@dataclass(frozen=True)
class TorqueGoal:
    """Torques for turning in, N.cm, and whose they are."""

    target_Ncm: tuple[float, float]
    loading_Ncm: float
    ceiling_Ncm: float
    why: Reason

    def as_json(self) -> dict[str, Any]:
        """For `findings.json`."""
        return {
            "target_Ncm": list(self.target_Ncm),
            "loading_Ncm": self.loading_Ncm,
            "ceiling_Ncm": self.ceiling_Ncm,
            "why": self.why.as_json(),
        }


@dataclass(frozen=True, eq=False)
class Preparation:
    """The drilling card of one site.

    Attributes:
        bone: class of bone that it is made for.
        calibrated: whether the density rests on a calibrated scale.
        problems: why the card is incomplete or must not be followed; empty when it is sound. What the fixture's own
            verdicts speak against comes first.
        fixture_verdicts: these first problems alone.
        notes: what is worth knowing but stops nothing.
        forecast: of the torque while seating, None where no grey scale is known at all.
    """

    fixture: str
    design: str
    kit: str
    protocol: str
    bone: str
    reference: str
    soft_tissue_mm: float | None
    steps: tuple[Step, ...]
    pauses: tuple[Pause, ...]
    tighter: Branch
    looser: Branch
    torque: TorqueGoal
    reasons: tuple[Reason, ...]
    notes: tuple[Reason, ...] = ()
    problems: tuple[Reason, ...] = ()
    cautions: tuple[str, ...] = ()
    calibrated: bool = False
    forecast: "TorqueReport | None" = None
    fixture_verdicts: tuple[Reason, ...] = ()

    @property
    def branches(self) -> tuple[Branch, Branch]:
        """If it is tighter than expected, if it is looser."""
        return self.tighter, self.looser

    def as_json(self) -> dict[str, Any]:
        """The member `preparation` of a site in `findings.json`."""
        return {
            "fixture": self.fixture,
            "design": self.design,
            "kit": self.kit,
            "protocol": self.protocol,
            "bone": self.bone,
            "calibrated": self.calibrated,
            "reference": self.reference,
            "soft_tissue_mm": self.soft_tissue_mm,
            "steps": [step.as_json() for step in self.steps],
            "pauses": [pause.as_json() for pause in self.pauses],
            "tighter": self.tighter.as_json(),
            "looser": self.looser.as_json(),
            "torque": self.torque.as_json(),
            "reasons": [reason.as_json() for reason in self.reasons],
            "notes": [reason.as_json() for reason in self.notes],
            "problems": [reason.as_json() for reason in self.problems],
            "cautions": list(self.cautions),
            "forecast": self.forecast.as_json() if self.forecast else None,
        }
