"""The drill kit: what lies on the tray, read from a TOML file.

Depth words: a drill's *shoulder* is where its conical point ends and its full diameter begins. Marks count either from
the shoulder or from the very tip, as the kit file says; the tip lies one point length deeper than the shoulder.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import radians, tan
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from siteplan.surgery.library import FileLines, Name, Note, Part, Text, find, load

SCHEMA = "siteplan-kit/1"

Millimetres = Annotated[float, Field(gt=0, le=60)]


class Purpose(StrEnum):
    """What a drill is for; also the order of use in a hole."""

    PILOT = "pilot"
    SHAPING = "shaping"
    CRESTAL = "crestal"
    TAP = "tap"


class Drill(Part):
    """One drill."""

    name: Name
    purpose: Purpose
    diameter_mm: Annotated[float, Field(gt=0.5, le=8, description="full diameter")]
    narrow_tip_diameter_mm: Annotated[float, Field(gt=0.4, le=8)] | None = Field(
        default=None, description="diameter of a stepped drill next to its point; then narrow_tip_length_mm too"
    )
    narrow_tip_length_mm: Annotated[float, Field(gt=0, le=20)] | None = None
    point_angle_deg: Annotated[float, Field(ge=30, le=180, description="included angle; 180 is a flat end")]
    marks_mm: Annotated[list[Millimetres], Field(min_length=1)]
    marks_count_from: Literal["shoulder", "tip"] = "shoulder"
    max_depth_mm: Millimetres
    speed_per_min: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    irrigation: Text
    free_length_mm: Millimetres | None = Field(
        default=None,
        description="from the face of the handpiece's head to the tip; left out, the head is not checked",
    )
    source: Text

    @model_validator(mode="after")
    def _holds_together(self) -> "Drill":
        if sorted(set(self.marks_mm)) != self.marks_mm:
            raise ValueError(f"the marks of {self.name} must rise, each once")
        if self.marks_mm[-1] > self.max_depth_mm:
            raise ValueError(f"{self.name} has a mark below its greatest depth of {self.max_depth_mm} mm")
        if self.free_length_mm is not None and self.max_depth_mm + self.beyond_mark_mm >= self.free_length_mm:
            raise ValueError(
                f"{self.name} cannot reach its greatest depth with a free length of {self.free_length_mm} mm"
            )
        if self.speed_per_min[0] > self.speed_per_min[1]:
            raise ValueError(f"the speeds of {self.name} must be lowest, highest")
        if (self.narrow_tip_diameter_mm is None) != (self.narrow_tip_length_mm is None):
            raise ValueError(f"{self.name} needs both narrow_tip_diameter_mm and narrow_tip_length_mm, or neither")
        if self.narrow_tip_diameter_mm is not None and self.narrow_tip_diameter_mm >= self.diameter_mm:
            raise ValueError(f"the narrow tip of {self.name} must be narrower than its full diameter")
        return self

    @property
    def point_length_mm(self) -> float:
        """Length of the conical point: L = (D / 2) / tan(A / 2), Machinery's Handbook, twist drill points."""
        diameter = self.narrow_tip_diameter_mm or self.diameter_mm
        return diameter / 2 / tan(radians(self.point_angle_deg) / 2) if self.point_angle_deg < 180 else 0.0

    @property
    def beyond_mark_mm(self) -> float:
        """How far the very tip lies deeper than the mark says."""
        return self.point_length_mm if self.marks_count_from == "shoulder" else 0.0


class Stop(Part):
    """A stop sleeve: slid on a drill it ends the depth at `depth_mm`, counted as that drill's marks count."""

    name: Name
    depth_mm: Millimetres
    fits_diameter_mm: tuple[Millimetres, Millimetres]
    source: Note = ""

    @model_validator(mode="after")
    def _fits_something(self) -> "Stop":
        if self.fits_diameter_mm[0] > self.fits_diameter_mm[1]:
            raise ValueError(f"the diameters that {self.name} fits must be lowest, highest")
        return self


class HandpieceHead(Part):
    """The head that holds the drill, for access between crowns."""

    diameter_mm: Millimetres
    height_mm: Millimetres
    source: Text


class Extender(Part):
    """Lengthens a drill where crowns stop the head."""

    length_mm: Millimetres
    diameter_mm: Millimetres
    source: Text


class Ratchet(Part):
    """The torque ratchet: the settings at which it can click."""

    settings_Ncm: Annotated[list[Annotated[float, Field(gt=0, le=200)]], Field(min_length=1)]
    source: Text

    @model_validator(mode="after")
    def _rises(self) -> "Ratchet":
        if sorted(set(self.settings_Ncm)) != self.settings_Ncm:
            raise ValueError("the settings must rise, each once")
        return self


class KitFile(Part):
    """A whole kit file."""

    schema_: Literal["siteplan-kit/1"] = Field(alias="schema")
    name: Name
    units: Literal["mm"]
    note: Note = ""
    drill: Annotated[list[Drill], Field(min_length=1)]
    stop: list[Stop] = Field(default_factory=list)
    handpiece_head: HandpieceHead | None = None
    extender: Extender | None = None
    ratchet: Ratchet

    @model_validator(mode="after")
    def _usable(self) -> "KitFile":
        names = [drill.name for drill in self.drill] + [stop.name for stop in self.stop]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"{name!r} is the name of two things; give each its own")
        if not any(drill.purpose is Purpose.PILOT for drill in self.drill):
            raise ValueError("a kit needs at least one pilot drill")
        return self


@dataclass(frozen=True, eq=False)
class Kit:
    """A checked kit and where its lines are."""

    file: KitFile
    lines: FileLines

    @property
    def name(self) -> str:
        """As the file calls it."""
        return self.file.name

    def drills(self, purpose: Purpose) -> tuple[Drill, ...]:
        """The drills of one purpose, thinnest first."""
        return tuple(sorted((d for d in self.file.drill if d.purpose is purpose), key=lambda d: d.diameter_mm))

    def where(self, drill: Drill, *key: str) -> str:
        """File and line of a drill, or of one of its keys."""
        return self.lines.where("drill", self.file.drill.index(drill), *key)


def load_kit(name_or_path: str | Path = "demo-kit") -> Kit:
    """A kit by name (the user's own files first) or by path. Raises LibraryFileError with one sentence."""
    return Kit(*load(find(name_or_path, "kits"), KitFile))


def kit_schema() -> dict[str, Any]:
    """JSON Schema of a kit file."""
    return KitFile.model_json_schema(by_alias=True)
