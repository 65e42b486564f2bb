"""`Plan`: all that a person can change in the window, as one frozen value; undo is a list of them."""

import json
from dataclasses import dataclass, replace
from typing import Any

from pydantic import Field, ValidationError

from siteplan.case import Case, SiteEntry, StructureEntry
from siteplan.case.by_hand import ArchEntry, HandMarkEntry
from siteplan.case.model import SCHEMA
from siteplan.errors import CaseError

PointMm = tuple[float, float, float]

ARCH_POINTS = 4
"""An arch with fewer control points is not kept in a case (the case file's own rule)."""


class Draft(Case):
    """A case that may still be without sites: what the window holds between opening a scan and the first site."""

    sites: list[SiteEntry] = Field(default_factory=list)


@dataclass(frozen=True)
class HandMark:
    """One measurement or remark by hand on a picture.

    Attributes:
        kind: "distance", "angle", "circle", "line" or "note".
        points_mm: LPS points: two for a distance and a line, three for an angle (the corner in the middle), centre and
            one point of the rim for a circle, one for a note.
        text: the words of a note.
        tooth: the site at which it was made.
    """

    kind: str
    points_mm: tuple[PointMm, ...]
    text: str = ""
    tooth: int | None = None


@dataclass(frozen=True)
class Plan:
    """What a person has decided so far.

    Attributes:
        case: sites and structures.
        marks: hand measurements and notes on the pictures.
        arches: jaw and control points (LPS) of each arch that a person set or corrected.
        proposals: structures that the program proposed without any click. They are no part of the case, so no
            verdict uses them, until a person confirms them.
    """

    case: Draft
    marks: tuple[HandMark, ...] = ()
    arches: tuple[tuple[str, tuple[PointMm, ...]], ...] = ()
    proposals: tuple[StructureEntry, ...] = ()

    @property
    def sites(self) -> list[SiteEntry]:
        """The planned sites."""
        return self.case.sites

    def site(self, tooth: int) -> SiteEntry:
        """The site of a tooth.

        Raises:
            KeyError: it is not planned.
        """
        for entry in self.case.sites:
            if entry.tooth == tooth:
                return entry
        raise KeyError(tooth)

    def with_site(self, entry: SiteEntry) -> "Plan":
        """The plan with this site in place of the one of the same tooth; a new tooth is added at the end."""
        sites = [entry if old.tooth == entry.tooth else old for old in self.case.sites]
        if entry not in sites:
            sites.append(entry)
        return replace(self, case=self.case.model_copy(update={"sites": sites}))

    def without_site(self, tooth: int) -> "Plan":
        """The plan without a site."""
        sites = [old for old in self.case.sites if old.tooth != tooth]
        return replace(self, case=self.case.model_copy(update={"sites": sites}))

    def with_structure(self, entry: StructureEntry) -> "Plan":
        """The plan with this structure; one of the same name is replaced."""
        old = self.case.structures
        entries = [entry if o.name == entry.name else o for o in old]
        if entry not in entries:
            entries.append(entry)
        return replace(self, case=self.case.model_copy(update={"structures": entries}))

    def without_structure(self, name: str) -> "Plan":
        """The plan without a structure; sites that meant to engage it no longer do."""
        structures = [s for s in self.case.structures if s.name != name]
        sites = [
            s.model_copy(update={"planned_contacts": [c for c in s.planned_contacts if c != name]})
            for s in self.case.sites
        ]
        return replace(self, case=self.case.model_copy(update={"structures": structures, "sites": sites}))

    def with_proposal(self, entry: StructureEntry) -> "Plan":
        """The plan with this proposal; one of the same name is replaced."""
        known = any(o.name == entry.name for o in self.proposals)
        changed = tuple(entry if o.name == entry.name else o for o in self.proposals)
        return replace(self, proposals=changed if known else (*changed, entry))

    def without_proposal(self, name: str) -> "Plan":
        """The plan without a proposal."""
        return replace(self, proposals=tuple(p for p in self.proposals if p.name != name))

    def arch(self, jaw: str) -> tuple[PointMm, ...]:
        """Control points of a jaw's arch as a person set it; none while the found one is used."""
        return next((points for name, points in self.arches if name == jaw), ())

    def with_arch(self, jaw: str, points_mm: tuple[PointMm, ...]) -> "Plan":
        """The plan with this arch for a jaw."""
        return replace(self, arches=(*((n, p) for n, p in self.arches if n != jaw), (jaw, points_mm)))

    def with_mark(self, mark: HandMark) -> "Plan":
        """The plan with one more hand mark."""
        return replace(self, marks=(*self.marks, mark))

    def without_mark(self, mark: HandMark) -> "Plan":
        """The plan without a hand mark."""
        return replace(self, marks=tuple(m for m in self.marks if m is not mark))

    def checked_case(self) -> Case:
        """The case as a file may hold it, every rule of the schema applied.

        Raises:
            CaseError: it has no site yet, or breaks a rule.
        """
        from siteplan.case import parse_case
        from viewer.texts import say

        if not self.case.sites:
            raise CaseError(say("error.no-site-yet"))
        return parse_case(json.dumps(self.full_case().as_json()).encode(), "case")

    def full_case(self) -> Draft:
        """The case with hand marks and arches in their places; an arch that is still too short is left out."""
        marks = [HandMarkEntry.model_validate(_mark_json(m)) for m in self.marks]
        arches = [
            ArchEntry.model_validate({"jaw": jaw, "control_points_mm": points})
            for jaw, points in self.arches
            if len(points) >= ARCH_POINTS
        ]
        return self.case.model_copy(update={"marks": marks, "arches": arches})

    def as_json(self) -> dict[str, Any]:
        """All of it, for the recovery file."""
        return {
            "case": self.case.as_json(),
            "marks": [_mark_json(m) for m in self.marks],
            "arches_mm": dict(self.arches),
            "proposals": [p.model_dump(mode="json", exclude_defaults=True) for p in self.proposals],
        }


def empty_plan(series: str, series_uid: str | None = None) -> Plan:
    """The plan of a scan that was opened without a case."""
    return Plan(Draft.model_validate({"schema": SCHEMA, "units": "mm", "series": series, "series_uid": series_uid}))


def plan_of(case: Case) -> Plan:
    """The plan of a case that was read."""
    marks = tuple(HandMark(m.kind, tuple(m.points_mm), m.text, m.tooth) for m in case.marks)
    arches = tuple((str(a.jaw), tuple(a.control_points_mm)) for a in case.arches)
    draft = Draft.model_validate(case.model_copy(update={"marks": [], "arches": []}).as_json())
    return Plan(draft, marks, arches)


def plan_from_json(content: Any) -> Plan:
    """The plan that `Plan.as_json` wrote, now or when one arch stood beside the case.

    Raises:
        CaseError: the content is not one.
    """
    try:
        marks = tuple(
            HandMark(str(m["kind"]), tuple(_point(p) for p in m["points_mm"]), str(m["text"]), m["tooth"])
            for m in content.get("marks", ())
        )
        proposals = tuple(StructureEntry.model_validate(p) for p in content.get("proposals", ()))
        draft = Draft.model_validate(content["case"])
        if "arches_mm" in content:
            named = content["arches_mm"].items()
        else:  # files of an earlier version hold one arch without its jaw
            old = content.get("arch_mm", ())
            named = [(draft.sites[0].jaw if draft.sites else "lower", old)] if old else []
        arches = tuple((str(jaw), tuple(_point(p) for p in points)) for jaw, points in named)
        return Plan(draft, marks, arches, proposals)
    except (ValidationError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise CaseError("recovery: this file holds no complete plan.") from error


def _mark_json(mark: HandMark) -> dict[str, Any]:
    return {"kind": mark.kind, "points_mm": mark.points_mm, "text": mark.text, "tooth": mark.tooth}


def _point(values: Any) -> PointMm:
    x, y, z = (float(v) for v in values)
    return x, y, z
