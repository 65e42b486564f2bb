"""The case file as pydantic models: what a person or the window writes, checked key by key.

Points and directions are DICOM patient coordinates (LPS), millimetres. Nothing here knows the scan; `check.py` does.
"""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, FiniteFloat, model_validator

from siteplan.anatomy import Kind, MadeBy
from siteplan.case.by_hand import ArchEntry, HandMarkEntry
from siteplan.case.parts import Direction, Part, Point, Tooth
from siteplan.case.tooth import jaw_of, side_of
from siteplan.errors import GeometryError
from siteplan.frame import SiteFrame, site_frame

SCHEMA = "siteplan-case/1"
"""What the `schema` field must say; the number changes when an old program could misread a new file."""

WIDEST_OPENING_MM = 80.0
"""No mouth opens wider, so a larger number is a slip (our own bound; the widest of 894 adults: 70 mm, PMC3428458)."""

THINNEST_CANAL_MM = 0.3
THINNEST_TUBE_MM = 0.1
WIDEST_TUBE_MM = 15.0
"""Radius of a drawn tube. Lumens of the mandibular canal are 2 to 3 mm wide (from memory); our bounds only keep out
what was forgotten or mistyped."""

Side = Literal["left", "right", ""]

Led = Literal["free", "static-guide", "navigation"]
"""How a drill is led: by a free hand, through a static guide, or by hand under navigation; the names of
`placement.hand.hands`."""


class ConeShape(Part):
    """A cone or cone stump, the wide end first; for a root."""

    base_mm: Point
    tip_mm: Point
    base_radius_mm: Annotated[FiniteFloat, Field(gt=0, le=10)]
    tip_radius_mm: Annotated[FiniteFloat, Field(ge=0, le=10)] = 0.0


class SurfaceShape(Part):
    """Points on a surface; triangles may be left out for an open one, which is then spanned across `behind`."""

    points_mm: Annotated[list[Point], Field(min_length=3)]
    triangles: list[tuple[int, int, int]] | None = None
    behind: Direction = (0.0, 0.0, 1.0)
    closed: bool = False

    @model_validator(mode="after")
    def _indices_exist(self) -> "SurfaceShape":
        if self.triangles is None and self.closed:
            raise ValueError("a closed surface needs its triangles")
        count = len(self.points_mm)
        for number, triangle in enumerate(self.triangles or []):
            if not all(0 <= corner < count for corner in triangle):
                raise ValueError(f"triangle {number} names a point that is not there; points run from 0 to {count - 1}")
        return self


class StructureEntry(Part):
    """One structure: a tube (`points_mm` with `radius_mm`), a `cone`, or a `surface`."""

    kind: Kind
    name: Annotated[str, Field(min_length=1, max_length=120)]
    side: Side = ""
    made_by: MadeBy = MadeBy.DRAWN
    uncertainty_mm: Annotated[FiniteFloat, Field(ge=0, le=5)] = 0.3
    note: Annotated[str, Field(max_length=4000)] = ""
    points_mm: Annotated[list[Point], Field(min_length=1)] | None = None
    radius_mm: FiniteFloat | list[FiniteFloat] | None = None
    confidence: list[Annotated[FiniteFloat, Field(ge=0, le=1)]] | None = None
    cone: ConeShape | None = None
    surface: SurfaceShape | None = None

    @model_validator(mode="after")
    def _one_shape(self) -> "StructureEntry":
        given = [name for name in ("points_mm", "cone", "surface") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError("give exactly one of points_mm (with radius_mm), cone, surface")
        if self.points_mm is None:
            if self.radius_mm is not None or self.confidence is not None:
                raise ValueError("radius_mm and confidence belong to points_mm, which is not given")
            return self
        if self.radius_mm is None:
            raise ValueError("points_mm needs radius_mm: one number, or one number per point")
        radii = self.radius_mm if isinstance(self.radius_mm, list) else [self.radius_mm]
        if isinstance(self.radius_mm, list) and len(radii) != len(self.points_mm):
            raise ValueError(f"radius_mm has {len(radii)} numbers for {len(self.points_mm)} points")
        least = THINNEST_CANAL_MM if self.kind is Kind.CANAL else THINNEST_TUBE_MM
        if not all(least <= radius <= WIDEST_TUBE_MM for radius in radii):
            raise ValueError(
                f"radius_mm of this {self.kind.value} must lie between {least:g} and {WIDEST_TUBE_MM:g} mm, "
                "and all distances are taken from it"
            )
        if self.confidence is not None and len(self.confidence) != len(self.points_mm):
            raise ValueError(f"confidence has {len(self.confidence)} numbers for {len(self.points_mm)} points")
        return self


class SiteEntry(Part):
    """One planned site."""

    tooth: Tooth
    side: Literal["left", "right"] | None = Field(default=None, description="a check of the tooth number, not a choice")
    crest_mm: Point
    axis: Direction = Field(description="towards the apex")
    buccal: Direction = Field(description="towards cheek or lip")
    fixture: Annotated[str, Field(min_length=1)] | None = Field(
        default=None, description="name in a catalogue; left out, the site is assessed for its bone alone"
    )
    platform_depth_mm: Annotated[FiniteFloat, Field(ge=-10, le=10)] = Field(
        default=0.0, description="platform below (+) or above (-) the planned crest point, along the axis"
    )
    approach: Literal["flap", "flapless"] = "flap"
    soft_tissue_mm: Annotated[FiniteFloat, Field(ge=0, le=15)] | None = None
    free_height_mm: Annotated[FiniteFloat, Field(gt=0, le=WIDEST_OPENING_MM)] | None = Field(
        default=None, description="from the bone to what stands opposite, mouth open, measured at this site"
    )
    guidance: Led | None = Field(
        default=None, description="how the drill is led at this site; left out, as the case says for all sites"
    )
    planned_contacts: list[str] = Field(
        default_factory=list, description="names of structures whose cortex the fixture is meant to engage"
    )
    notes: Annotated[str, Field(max_length=4000)] = ""

    @model_validator(mode="after")
    def _holds_together(self) -> "SiteEntry":
        if self.side is not None and self.side != side_of(self.tooth):
            raise ValueError(f"tooth {self.tooth} lies on the {side_of(self.tooth)} side, but side says {self.side}")
        if self.approach == "flapless" and self.soft_tissue_mm is None:
            raise ValueError("a flapless approach counts depth from the gum, so soft_tissue_mm must be given")
        try:
            self.frame()
        except GeometryError as error:
            raise ValueError(str(error)) from error
        return self

    def frame(self) -> SiteFrame:
        """The site's frame with its zero at the planned crest point."""
        return site_frame(self.crest_mm, self.axis, self.buccal, self.tooth)

    @property
    def jaw(self) -> str:
        """ "upper" or "lower"."""
        return jaw_of(self.tooth)

    @property
    def inner_side(self) -> str:
        """What the side away from the cheek is called: "palatal" in an upper jaw, "lingual" in a lower one."""
        return "palatal" if self.jaw == "upper" else "lingual"


class CalibrationEntry(Part):
    """grey = slope x HU + intercept, as fitted for this device, protocol and field of view."""

    slope: Annotated[FiniteFloat, Field(gt=0)]
    intercept: FiniteFloat
    slope_interval: tuple[FiniteFloat, FiniteFloat] | None = None
    intercept_interval: tuple[FiniteFloat, FiniteFloat] | None = None
    source: Annotated[str, Field(min_length=1, description="where the two numbers come from")]
    date: str = ""
    device: str = ""


class Case(Part):
    """A whole case file."""

    schema_: Literal["siteplan-case/1"] = Field(alias="schema")
    units: Literal["mm"] = Field(description="every length in the file; only millimetres are understood")
    title: Annotated[str, Field(max_length=200)] = ""
    patient_label: Annotated[str, Field(max_length=200)] = Field(default="", description="as it shall be printed")
    series: Annotated[str, Field(min_length=1, description="folder or file, relative to the case file")]
    series_uid: str | None = Field(default=None, description="which series, where the folder holds several")
    sites: Annotated[list[SiteEntry], Field(min_length=1)]
    structures: list[StructureEntry] = Field(default_factory=list)
    mouth_opening_mm: Annotated[FiniteFloat, Field(gt=0, le=WIDEST_OPENING_MM)] | None = Field(
        default=None, description="between the edges of upper and lower front teeth, mouth as wide open as it goes"
    )
    guidance: Led | None = Field(
        default=None,
        description="how the drill is led at every site that says nothing itself; left out, a free hand "
        "is assumed and the results say so",
    )
    marks: list[HandMarkEntry] = Field(default_factory=list, description="measured or noted by hand; feeds no verdict")
    arches: Annotated[list[ArchEntry], Field(max_length=2)] = Field(
        default_factory=list, description="course of the arch where a person set it, one for each jaw"
    )
    kit: str = "demo-kit"
    protocol: str = "demo-protocol"
    catalogues: list[str] = Field(default_factory=list, description="fixture files of your own, read first")
    margins: str | None = Field(default=None, description="margins file of your own")
    calibration: CalibrationEntry | str | None = Field(default=None, description="two numbers, or a calibration file")
    density_table: str | None = Field(default=None, description="name of the density table for the main verdict")
    notes: Annotated[str, Field(max_length=20000)] = ""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    @model_validator(mode="after")
    def _names_are_clear(self) -> "Case":
        teeth = [site.tooth for site in self.sites]
        for tooth in teeth:
            if teeth.count(tooth) > 1:
                raise ValueError(f"tooth {tooth} is planned twice")
        names = [structure.name for structure in self.structures]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"two structures are called {name!r}; give each its own name")
        if len({arch.jaw for arch in self.arches}) < len(self.arches):
            raise ValueError("arches: each jaw has one arch; join the two that name the same jaw")
        for site in self.sites:
            for wanted in site.planned_contacts:
                if wanted not in names:
                    raise ValueError(
                        f"tooth {site.tooth}: planned_contacts names {wanted!r}, which is no structure here"
                    )
        return self

    def as_json(self) -> dict[str, Any]:
        """The file's content, keys that were left at their default left out."""
        return self.model_dump(mode="json", by_alias=True, exclude_defaults=True) | {"schema": SCHEMA, "units": "mm"}
