"""The protocol: how wide, how deep and how tight, per fixture design and bone, read from a TOML file.

Nothing here is a fact of nature: each rule carries the source that its file names, and a clinic can replace the file.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from siteplan.errors import LibraryFileError
from siteplan.surgery.library import FileLines, Name, Note, Part, Text, find, load

SCHEMA = "siteplan-protocol/1"

Small = Annotated[float, Field(ge=0, le=10)]
Torque = Annotated[float, Field(gt=0, le=200)]
Factor = Annotated[float, Field(gt=0.01, lt=100)]
Turns = Annotated[float, Field(gt=0, le=30)]


class BoneClass(Part):
    """One class of bone for the drill, with the labels of density tables that mean it."""

    name: Name
    feels_like: Note = ""
    labels: Annotated[list[Name], Field(min_length=1, description="class labels of density tables, e.g. D2")]
    source: Text


class Fallback(Part):
    """Which class is assumed in each jaw where no trustworthy density is known."""

    lower: Name
    upper: Name
    source: Text


class Limits(Part):
    """Bounds that hold for every rule."""

    tip_beyond_apex_mm: Small = Field(description="the very tip of a drill may pass the fixture's apex by this much")
    undrilled_tolerated_mm: Small = Field(description="a hole that ends this much short of the apex needs no warning")
    undrilled_at_most_mm: Small = Field(description="a hole shorter by more than this makes the card incomplete")
    thread_bite: Annotated[float, Field(ge=0, le=1)] = Field(
        description="share of the thread's height that must be left to bite beside a drill, at every depth"
    )
    widening_step_mm: Annotated[float, Field(gt=0, le=5)] = Field(
        description="a drill widens the hole by no more than this over the drill before it"
    )
    straddle_probability: Annotated[float, Field(gt=0, lt=1)] = Field(
        description="a class at least this probable is planned for as well"
    )
    margin_compared_at: Literal["value", "lower limit"] = Field(
        default="value",
        description="a drill takes the deepest mark whose distances keep every margin over their whole interval; where "
        "there is none, 'value' takes the deepest whose distance itself does and says so, 'lower limit' takes none",
    )
    drill_past_contact_mm: Small = Field(
        default=0.0, description="a drill's tip may pass a surface that the fixture engages on purpose by this much"
    )
    crest_beyond_cortex_mm: Small = Field(description="added to the upper limit of the cortex when opening the crest")
    source: Text


class Rule(Part):
    """What one design needs in one class of bone."""

    design: Name
    bone: Name = Field(description="name of a class of this file")
    under_core_mm: Small = Field(description="drills to depth stay this much under the fixture's core diameter")
    widest_to_depth_mm: Small | None = Field(
        default=None, description="no drill to depth is wider than this, where the thread condenses the rest itself"
    )
    pilot_alone_to_mm: Small = Field(description="fixtures up to this outer diameter get the pilot drill only; 0: none")
    open_crest_above_mm: Small | None = Field(
        default=None, description="fixtures above this outer diameter get the crest opened; leave out for never"
    )
    crest_under_neck_mm: Small = Field(description="the crestal drill stays this much under the neck diameter")
    tap: bool = False
    target_Ncm: tuple[Torque, Torque]
    loading_Ncm: Torque = Field(description="below this final torque early loading is advised against")
    ceiling_Ncm: Torque
    source: Text
    torque_source: Text

    @model_validator(mode="after")
    def _torques_rise(self) -> "Rule":
        low, high = self.target_Ncm
        if not low <= high <= self.ceiling_Ncm:
            raise ValueError("target_Ncm must be lowest, highest, and not above ceiling_Ncm")
        if self.loading_Ncm > self.ceiling_Ncm:
            raise ValueError("loading_Ncm lies above ceiling_Ncm, so no fixture could ever be loaded")
        return self


class SeatingRules(Part):
    """How a fixture is turned in."""

    back_out_turns: Turns = Field(description="after a click at the ceiling, back out by this much")
    widening_turns: Turns = Field(description="going in by at least this much shows that the thread still widens")
    same_tolerance_turns: Annotated[float, Field(ge=0, le=2)] = Field(description="turns are counted this exactly")
    cycles_before_opening: Annotated[int, Field(ge=1, le=50)] = Field(
        description="cycles with little gain that are normal before the site is opened"
    )
    depth_tolerance_mm: Small = Field(description="seated depth may differ from the plan by this much unquestioned")
    source: Text

    @model_validator(mode="after")
    def _gain(self) -> "SeatingRules":
        if self.widening_turns <= self.back_out_turns:
            raise ValueError("widening_turns must be more than back_out_turns, or nothing would be gained")
        return self


class TorqueCorrection(Part):
    """A clinic's own factor for the forecast of torque, from `siteplan outcomes`."""

    factor: Factor
    low: Factor
    high: Factor
    next_low: Factor | None = Field(
        default=None,
        description="where the factor of one more fixture is expected, 95 %; with both ends it takes the place of what "
        "the forecast guesses about friction, contact and chance",
    )
    next_high: Factor | None = None
    source: Text

    @model_validator(mode="after")
    def _rises(self) -> "TorqueCorrection":
        if not self.low <= self.factor <= self.high:
            raise ValueError("torque_correction must have low <= factor <= high")
        if (self.next_low is None) != (self.next_high is None):
            raise ValueError("torque_correction needs both next_low and next_high, or neither")
        ends = (self.next_low or self.low, self.next_high or self.high)
        if not ends[0] <= self.low <= self.high <= ends[1]:
            raise ValueError("torque_correction must have next_low <= low and high <= next_high")
        return self


class ProtocolFile(Part):
    """A whole protocol file."""

    schema_: Literal["siteplan-protocol/1"] = Field(alias="schema")
    name: Name
    units: Literal["mm, N.cm"]
    note: Note = ""
    bone: Annotated[list[BoneClass], Field(min_length=1, description="densest first")]
    fallback: Fallback
    limits: Limits
    seating: SeatingRules
    torque_correction: TorqueCorrection | None = None
    rule: Annotated[list[Rule], Field(min_length=1)]

    @model_validator(mode="after")
    def _names_meet(self) -> "ProtocolFile":
        names = [bone.name for bone in self.bone]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"{name!r} is the name of two classes of bone; give each its own")
        labels = [label for bone in self.bone for label in bone.labels]
        for label in labels:
            if labels.count(label) > 1:
                raise ValueError(f"the label {label!r} belongs to two classes of bone; give it to one")
        for wanted in (self.fallback.lower, self.fallback.upper, *(rule.bone for rule in self.rule)):
            if wanted not in names:
                raise ValueError(f"{wanted!r} is no class of bone here; known are {', '.join(names)}")
        pairs = [(rule.design, rule.bone) for rule in self.rule]
        for pair in pairs:
            if pairs.count(pair) > 1:
                raise ValueError(f"there are two rules for {pair[0]} in {pair[1]}")
        return self


@dataclass(frozen=True, eq=False)
class Protocol:
    """A checked protocol and where its lines are."""

    file: ProtocolFile
    lines: FileLines

    @property
    def name(self) -> str:
        """As the file calls it."""
        return self.file.name

    @property
    def classes(self) -> tuple[str, ...]:
        """Names of the classes of bone, densest first."""
        return tuple(bone.name for bone in self.file.bone)

    def class_of(self, label: str) -> str | None:
        """The class that a density table's label means; None when the file does not know the label."""
        return next((bone.name for bone in self.file.bone if label in bone.labels), None)

    def fallback(self, jaw: str) -> str:
        """The class assumed in the "upper" or "lower" jaw."""
        return self.file.fallback.upper if jaw == "upper" else self.file.fallback.lower

    def rule(self, design: str, bone: str) -> Rule:
        """The rule for a design in a class of bone.

        Raises:
            LibraryFileError: the file has none.
        """
        for rule in self.file.rule:
            if rule.design == design and rule.bone == bone:
                return rule
        raise LibraryFileError(
            f"{self.lines.name}: there is no rule for a {design} fixture in {bone} bone; add a [[rule]] for it."
        )

    def where(self, rule: Rule, key: str) -> str:
        """File and line of one number of a rule."""
        return self.lines.where("rule", self.file.rule.index(rule), key)


def load_protocol(name_or_path: str | Path = "demo-protocol") -> Protocol:
    """A protocol by name (the user's own files first) or by path. Raises LibraryFileError with one sentence."""
    return Protocol(*load(find(name_or_path, "protocols"), ProtocolFile))


def protocol_schema() -> dict[str, Any]:
    """JSON Schema of a protocol file."""
    return ProtocolFile.model_json_schema(by_alias=True)
