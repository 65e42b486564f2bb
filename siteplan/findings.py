"""`Findings`: all that one assessment says, as data; the report, the window and other programs read it from here."""

from dataclasses import asdict, dataclass
from typing import Any

from siteplan import __version__, cautions
from siteplan.anatomy import Structure
from siteplan.bone import BoneFindings, Calibration, DensityClass, bone_json
from siteplan.case import CaseFile, SiteEntry
from siteplan.case.guidance import Guidance, guidance_of
from siteplan.case.tooth import jaw_of, side_of, universal_of
from siteplan.fixture import Fixture, Pose
from siteplan.flags import Flag
from siteplan.measures import Measure
from siteplan.placement import Clearance
from siteplan.placement.hand import Risk
from siteplan.placement.margins import BUCCAL_BONE, LINGUAL_BONE
from siteplan.scan import Scan, ScanFinding
from siteplan.surgery import Preparation
from siteplan.surgery.told import SeatingStory

SCHEMA = "siteplan-findings/1"

FAR_FIXTURE_MM = 15.0
"""A fixture further away than this is no neighbour; that pair is only counted, and stands in `findings.json`
(our own choice: ten sites make 45 pairs, and what matters is lost among them)."""

DAY_CODES = frozenset({"old-scan", "date-in-future"})
"""Codes of the scan findings that compare the scan's date with the present day."""


def far_apart(found: Clearance) -> bool:
    """Whether two fixtures are far from each other and keep their margin."""
    return found.verdict.good and (found.distance.value or 0.0) > FAR_FIXTURE_MM


@dataclass(frozen=True, eq=False)
class FixtureLevel:
    """Bone beside one place of the fixture: "platform", "middle" or "apex", `depth_mm` below the bone entry."""

    name: str
    depth_mm: float
    ridge_width: Measure
    buccal_plate: Measure
    lingual_plate: Measure

    def as_json(self) -> dict[str, Any]:
        """Its part of `findings.json`."""
        return {
            "name": self.name,
            "depth_mm": round(self.depth_mm, 4),
            "ridge_width": self.ridge_width.as_json(),
            "buccal_plate": self.buccal_plate.as_json(),
            "lingual_plate": self.lingual_plate.as_json(),
        }


@dataclass(frozen=True, eq=False)
class FixtureGrey:
    """Mean grey value where the fixture will stand: its body, a shell around it, and its thirds."""

    body: Measure
    shell_1mm: Measure
    crestal_third: Measure
    middle_third: Measure
    apical_third: Measure

    def as_json(self) -> dict[str, Any]:
        """Its part of `findings.json`."""
        return {name: getattr(self, name).as_json() for name in self.__dataclass_fields__}


@dataclass(frozen=True, eq=False)
class PlacedFixture:
    """A fixture where the case puts it.

    Attributes:
        apex_depth_mm, platform_depth_mm: below the measured bone entry, along the axis.
        clearances: to every structure, and the bone left buccally and lingually.
        risks: that the hand, deviating as published, breaks the margin of a clearance; by its `structure`. None in a
            quick answer.
        beside, beside_risks: the same to the other planned fixtures, each "fixture NN"; there both hands deviate.
    """

    fixture: Fixture
    pose: Pose
    platform_depth_mm: float
    apex_depth_mm: float
    levels: tuple[FixtureLevel, ...]
    grey: FixtureGrey
    clearances: tuple[Clearance, ...]
    preparation: Preparation
    risks: tuple[Risk, ...] = ()
    beside: tuple[Clearance, ...] = ()
    beside_risks: tuple[Risk, ...] = ()


@dataclass(frozen=True, eq=False)
class SiteFindings:
    """Everything about one site; `placed` is None where the bone alone is assessed, `seating` without a record.

    Attributes:
        case_guidance: how the case says that drills are led where a site says nothing itself.
    """

    entry: SiteEntry
    bone: BoneFindings
    density: DensityClass
    other_density: tuple[DensityClass, ...]
    placed: PlacedFixture | None
    scan_findings: tuple[ScanFinding, ...]
    seating: SeatingStory | None = None
    case_guidance: str | None = None

    @property
    def guidance(self) -> Guidance:
        """How the drill is led here, and who says so."""
        return guidance_of(self.entry, self.case_guidance)

    @property
    def clearances(self) -> tuple[Clearance, ...]:
        """To structures and bone surfaces, of the planned fixture; none without a fixture."""
        return self.placed.clearances if self.placed else ()

    @property
    def beside(self) -> tuple[Clearance, ...]:
        """To the other planned fixtures."""
        return self.placed.beside if self.placed else ()

    @property
    def beside_near(self) -> tuple[Clearance, ...]:
        """To the other planned fixtures, without those that are far away and keep their margin."""

        return tuple(found for found in self.beside if not far_apart(found))

    @property
    def deciding(self) -> tuple[Clearance, ...]:
        """All that the verdict of this site rests on: a fixture that meets its neighbour is not well placed."""
        return (*self.clearances, *self.beside)

    @property
    def headline_clearances(self) -> tuple[Clearance, ...]:
        """One clearance per structure, per other fixture that is near, and the least bone left on each side; single
        levels are left to the tables."""
        seen: dict[str, Clearance] = {}
        for found in (*self.clearances, *self.beside_near):
            beside = found.kind in (BUCCAL_BONE, LINGUAL_BONE)
            seen.setdefault(found.kind if beside else found.structure, found)
        return tuple(seen.values())

    @property
    def inner_side(self) -> str:
        """What the inner side is called here: "palatal" in an upper jaw, "lingual" in a lower one."""
        return self.entry.inner_side

    def risk_of(self, clearance: Clearance) -> Risk | None:
        """The hand's chance for a clearance, where it was estimated."""
        every = (*self.placed.risks, *self.placed.beside_risks) if self.placed else ()
        return next((risk for risk in every if risk.structure == clearance.structure), None)

    def _clearance_json(self, clearance: Clearance) -> dict[str, Any]:
        risk = self.risk_of(clearance)
        side = {BUCCAL_BONE: "buccal", LINGUAL_BONE: self.inner_side}.get(clearance.kind)
        return clearance.as_json() | {"side_name": side, "risk": risk.as_json() if risk else None}

    def as_json(self) -> dict[str, Any]:
        """One member of `sites` in `findings.json`."""
        tooth = self.entry.tooth
        out: dict[str, Any] = {
            "tooth": tooth,
            "tooth_other_notation": universal_of(tooth),
            "side": side_of(tooth),
            "jaw": jaw_of(tooth),
            "inner_side": self.inner_side,
            **bone_json(self.bone),
            "planned_crest_mm": [round(float(x), 4) for x in self.entry.crest_mm],
            "density": self.density.as_json(),
            "other_density": [table.as_json() for table in self.other_density],
            "approach": self.entry.approach,
            "soft_tissue_mm": self.entry.soft_tissue_mm,
            "guidance": self.guidance.as_json(),
            "notes": self.entry.notes,
            "scan_findings": [finding.as_json() for finding in self.scan_findings],
            "fixture": None,
            "clearances": [self._clearance_json(c) for c in self.clearances],
            "preparation": None,
            "assessed_for": "bone and fixture" if self.placed else "bone only",
            "seating": self.seating.as_json() if self.seating else None,
        }
        if self.placed is not None:
            out["fixture"] = _placed_json(self.placed)
            out["grey_at_fixture"] = self.placed.grey.as_json()
            out["at_fixture"] = [level.as_json() for level in self.placed.levels]
            out["preparation"] = self.placed.preparation.as_json()
        return out


@dataclass(frozen=True, eq=False)
class Findings:
    """The whole assessment of a case.

    Attributes:
        remarks: all that must be said of it. day_remarks: those among them that depend on the day of the assessment.
        between_risks: of two hands, by the `structure` of `between_fixtures`.
    """

    scan: Scan
    case: CaseFile
    structures: tuple[Structure, ...]
    calibration: Calibration | None
    sites: tuple[SiteFindings, ...]
    between_fixtures: tuple[Clearance, ...]
    remarks: tuple[str, ...] = ()
    day_remarks: tuple[str, ...] = ()
    between_risks: tuple[Risk, ...] = ()

    def risk_between(self, clearance: Clearance) -> Risk | None:
        """What two hands may do to the distance of one pair, where it was estimated."""
        return next((risk for risk in self.between_risks if risk.structure == clearance.structure), None)

    def _between_json(self, clearance: Clearance) -> dict[str, Any]:
        risk = self.risk_between(clearance)
        return clearance.as_json() | {"risk": risk.as_json() if risk else None}

    @property
    def cautions(self) -> tuple[str, ...]:
        """What must be said wherever these findings are shown."""
        extra: tuple[str, ...] = (cautions.CALIBRATED if self.calibration else cautions.NOT_CALIBRATED,)
        if any(s.made_by == "found" for s in self.structures):
            extra += (cautions.FOUND_STRUCTURES,)
        led = dict.fromkeys(site.guidance.caution for site in self.sites if site.placed is not None)
        return (*cautions.ALWAYS, *extra, *led)

    def as_json(self) -> dict[str, Any]:
        """The content of `findings.json`, without patient identity: same input, same bytes.

        What depends on the day of the assessment (how old the scan is, how old the calibration) stands in
        `on_day_of_assessment` and nowhere else.
        """
        sites = [site.as_json() for site in self.sites]
        scan_findings = self.scan.findings
        return {
            "schema": SCHEMA,
            "software": {"name": "siteplan", "version": __version__},
            "units": "mm",
            "series": _series_json(self.scan),
            "case": {"digest": self.case.digest, "title": self.case.case.title},
            "scan_findings": [finding.as_json() for finding in scan_findings if finding.code not in DAY_CODES],
            "on_day_of_assessment": {
                "scan_findings": [finding.as_json() for finding in scan_findings if finding.code in DAY_CODES],
                "remarks": list(self.day_remarks),
            },
            "calibration": asdict(self.calibration) if self.calibration else None,
            "remarks": [remark for remark in self.remarks if remark not in self.day_remarks],
            "sites": sites,
            "between_fixtures": [self._between_json(c) for c in self.between_fixtures],
            "structures": [
                {"name": s.name, "kind": s.kind.value, "side": s.side, "made_by": s.made_by.value,
                 "uncertainty_mm": s.uncertainty_mm}
                for s in self.structures
            ],
            "flag_meanings": {code: Flag(code).meaning for code in sorted(_flag_codes(sites))},
            "cautions": list(self.cautions),
        }  # fmt: skip


def _placed_json(placed: PlacedFixture) -> dict[str, Any]:
    fixture = placed.fixture
    return {
        "name": fixture.name,
        "design": fixture.design,
        "outer_diameter_mm": fixture.outer_diameter_mm,
        "core_diameter_mm": fixture.core_diameter_mm,
        "length_mm": fixture.length_mm,
        "platform_mm": [round(float(x), 4) for x in placed.pose.platform_lps_mm],
        "apex_mm": [round(float(x), 4) for x in placed.pose.point(fixture.length_mm)],
        "platform_depth_mm": round(placed.platform_depth_mm, 4),
        "apex_depth_mm": round(placed.apex_depth_mm, 4),
    }


def _series_json(scan: Scan) -> dict[str, Any]:
    k, j, i = scan.spacing_kji_mm
    return {
        "digest": scan.digest,
        "series_uid": scan.series.series_uid,
        "modality": scan.series.modality,
        "files": scan.series.files,
        "size_kji": list(scan.shape),
        "voxel_kji_mm": [round(k, 4), round(j, 4), round(i, 4)],
        "grey_scale": {
            "rescale_type": scan.grey.rescale_type,
            "may_be_hu": scan.grey.may_be_hu,
            "why": scan.grey.why,
            "lossy": scan.grey.lossy,
        },
    }


def _flag_codes(node: Any) -> set[str]:
    if isinstance(node, dict):
        found = set(node.get("flags") or ()) if isinstance(node.get("flags"), list) else set()
        return found.union(*(_flag_codes(v) for v in node.values())) if node else found
    return set().union(*(_flag_codes(v) for v in node)) if isinstance(node, list) else set()
