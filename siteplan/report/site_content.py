"""The words and numbers of one site's page."""

from collections.abc import Callable
from typing import Any

from siteplan.anatomy import MadeBy, Structure
from siteplan.bone import BoneFindings, RidgeForm
from siteplan.case.tooth import jaw_of, side_of, universal_of
from siteplan.findings import Findings, PlacedFixture, SiteFindings
from siteplan.flags import Flag
from siteplan.measures import Measure
from siteplan.placement import Clearance, Verdict
from siteplan.placement.hand import Risk
from siteplan.placement.margins import FIXTURE
from siteplan.report import verdicts
from siteplan.report.identity import Identity
from siteplan.report.naming import Naming
from siteplan.report.remarks import demand_words, is_lumen, rim_words, site_roof_words
from siteplan.report.words import (
    NOT_MEASURED,
    Notes,
    cell,
    chance_words,
    figure,
    percent,
    safe_cell,
    sentence,
    with_unit,
)

_FAR_MM = 15.0
"""A structure further away than this that keeps its margin needs no row of its own (own choice)."""
_BONE_SIDES = ("buccal-bone", "lingual-bone")
_STATUS = {"memory": "from memory, not verified", "user": "from the user's own file"}
_MADE_BY = {MadeBy.DRAWN: "drawn", MadeBy.FOUND: "found by the program, not confirmed", MadeBy.CONFIRMED: "confirmed"}


def site_content(findings: Findings, site: SiteFindings, naming: Naming, identity: Identity) -> dict[str, Any]:
    """Everything that the page of a site says, as text; figures are added by the caller."""
    notes = Notes()
    tooth = site.entry.tooth
    return {
        "tooth": tooth,
        "case": findings.case.digest[:12],
        "other_notation": universal_of(tooth),
        "place": f"{jaw_of(tooth)} jaw, {side_of(tooth)} side",
        "inner": "palatal" if jaw_of(tooth) == "upper" else "lingual",
        "fixture": fixture_words(site.placed),
        "approach": approach_words(site),
        "verdict": site_verdict(site, naming),
        "bone_only": site.placed is None,
        "hand_head": f"Broken {site.guidance.hand.phrase}",
        "clearances": clearance_rows(
            (*site.clearances, *site.beside_near),
            naming,
            findings.structures,
            notes,
            _upper(site),
            hand_of(site, notes),
            site_roof_words(site),
        ),
        "rim": rim_words(site),
        "far": far_words(site.clearances, naming, notes),
        "levels": _level_rows(site, notes),
        "axis_rows": _axis_rows(site.bone, notes),
        "grey_rows": _grey_rows(site, notes),
        "density": _density(site, findings),
        "shape_rows": _shape_rows(site.bone, notes),
        "calibrated": findings.calibration is not None,
        "scan_findings": [f"{sentence(f.what)} {sentence(f.remedy)}".strip() for f in site.scan_findings],
        "remarks": site.entry.notes if identity.keeps_free_text else "",
        "notes": notes.listed(),
    }


def site_verdict(site: SiteFindings, naming: Naming) -> dict[str, Any]:
    """Word and shape of the gravest verdict, and what it is about."""
    said = verdicts.of_site(site.deciding, site.placed is not None)
    return said | {"about": naming.name(said["about"])}


def _upper(site: SiteFindings) -> bool:
    return jaw_of(site.entry.tooth) == "upper"


def fixture_words(placed: PlacedFixture | None) -> str:
    """Name, design and size of the planned fixture."""
    if placed is None:
        return "no fixture planned"
    f = placed.fixture
    return (
        f"{f.name}: {f.design.value}, Ø {with_unit(f.outer_diameter_mm, 'mm')} "
        f"(core {with_unit(f.core_diameter_mm, 'mm')}), length {with_unit(f.length_mm, 'mm')}"
    )


def approach_words(site: SiteFindings) -> str:
    """Flap or flapless, the gum thickness that it counts on, and how the drill is led."""
    gum = site.entry.soft_tissue_mm
    thickness = "gum thickness not given" if gum is None else f"gum {with_unit(gum, 'mm')} thick"
    return f"{site.entry.approach}, {thickness}; drilled {site.guidance.phrase}"


def clearance_rows(
    clearances: tuple[Clearance, ...],
    naming: Naming,
    structures: tuple[Structure, ...],
    notes: Notes,
    upper: bool = False,
    hand: Callable[[Clearance], tuple[str, int | None]] | None = None,
    remarks: dict[str, str] | None = None,
) -> list[dict[str, Any]]:
    """One row per structure, and one per side of the bone: its least cover, with the levels in a line beneath.

    The cover from a deeper start is never less than that from the first one, so it is left to `findings.json`.
    """
    rows = []
    seen: set[str] = set()
    for clearance in clearances:
        if is_far(clearance):
            continue
        if clearance.kind not in _BONE_SIDES:
            row = clearance_row(clearance, naming, structures, notes, remarks)
            rows.append(row | _hand_cell(clearance, hand))
        elif clearance.distance.depth_mm is None and clearance.kind not in seen:
            seen.add(clearance.kind)
            levels = [c for c in clearances if c.kind == clearance.kind and c.distance.depth_mm is not None]
            row = clearance_row(clearance, naming, structures, notes, upper=upper)
            row |= _hand_cell(clearance, hand)
            rows.append(row | {"by_depth": "; ".join(_at_level(c, notes) for c in levels)})
    return rows


def hand_of(site: SiteFindings, notes: Notes) -> Callable[[Clearance], tuple[str, int | None]]:
    """What a deviating hand may do to a clearance, in words, and the number of the note that says whose hand it is."""

    return lambda clearance: risk_cell(site.risk_of(clearance), notes, both=clearance.kind == FIXTURE)


def risk_cell(risk: Risk | None, notes: Notes, *, both: bool = False) -> tuple[str, int | None]:
    """Chance of a broken margin with its interval, and of a touch; and the note that says whose hand it is.

    Args:
        both: of two fixtures that are both placed by hand.
    """
    if risk is None:
        return "", None
    text = chance_words(risk.breach.value, risk.breach.low, risk.breach.high)
    if risk.touch.value >= _SMALLEST_TOLD:
        text += f", touched {percent(risk.touch.value)}"
    return text, notes.number(whose_words(risk, both=both))


def whose_words(risk: Risk, *, both: bool = False) -> str:
    """Whose deviation a chance rests on, and where that was published."""
    other = risk.other_hand
    said = f"Published deviation {risk.hand.phrase}: {risk.hand.source}."
    if other is not None and other.name != risk.hand.name:
        said += f" The other fixture {other.phrase}: {other.source}."
    return f"{said} Taken of each fixture on its own." if both else said


_SMALLEST_TOLD = 0.0005
"""A chance of touching below this is left to `findings.json`: 1000 draws cannot tell it from none."""


def _hand_cell(clearance: Clearance, hand: Callable[[Clearance], tuple[str, int | None]] | None) -> dict[str, Any]:
    text, note = ("", None) if hand is None else hand(clearance)
    return {"hand": text, "hand_note": note}


def far_words(clearances: tuple[Clearance, ...], naming: Naming, notes: Notes) -> str:
    """What lies far away and keeps its margin, in one line instead of a row each."""
    parts = []
    for clearance in clearances:
        if is_far(clearance):
            found = safe_cell(clearance.distance, notes)
            letter = naming.letter(clearance.structure)
            name = f"{letter} {naming.name(clearance.structure)}".strip()
            demand = demand_words(clearance)
            parts.append(f"{name} {found['value']} ({found['interval']}), {demand}, {clearance.verdict.value}")
    return "; ".join(parts)


def is_far(clearance: Clearance) -> bool:
    """Whether something keeps its margin from so far away that it needs no row of its own."""
    distance = clearance.distance.value
    return clearance.verdict is Verdict.KEEPS and distance is not None and distance > _FAR_MM


def _at_level(clearance: Clearance, notes: Notes) -> str:
    found = safe_cell(clearance.distance, notes)
    known = f" ({found['interval']})" if found["interval"] else ""
    return f"{clearance.distance.depth_mm:g}\u00a0mm down {found['value']}{known}"


def clearance_row(
    clearance: Clearance,
    naming: Naming,
    structures: tuple[Structure, ...],
    notes: Notes,
    remarks: dict[str, str] | None = None,
    *,
    upper: bool = False,
) -> dict[str, Any]:
    """One row: what, how far, what is demanded and by whom, and what follows; `remarks` by structure stand beneath."""
    made = next((_MADE_BY[s.made_by] for s in structures if s.name == clearance.structure), "measured")
    if is_lumen(clearance.kind) and made != "measured":
        made = f"its lumen, as {made}"
    if clearance.kind == FIXTURE:
        made = "both as planned"
    room = verdicts.room_left_mm(clearance)
    demand = demand_words(clearance)
    return {
        "letter": naming.letter(clearance.structure),
        "name": naming.name(clearance.structure),
        "made_by": made,
        "distance": safe_cell(clearance.distance, notes),
        "demand": demand,
        "margin": demand.removeprefix("margin "),
        "margin_note": notes.number(margin_words(clearance, upper)),
        "contact": clearance.contact,
        "room": "" if room is None or (clearance.contact and room >= 0) else room_words(room, clearance.contact),
        "verdict": verdicts.shown(clearance.verdict),
        "by_depth": "",
        "remark": (remarks or {}).get(clearance.structure, ""),
    }


def margin_words(clearance: Clearance, upper: bool = False) -> str:
    """Whose margin or limit it is, and how well that is known; in the upper jaw the inner side is the palatal one."""
    margin = clearance.margin
    about = margin.key.replace("-", " ")
    about = about.replace("lingual bone", "palatal bone") if upper else about
    others = f" Other values: {margin.others}." if margin.others else ""
    status = _STATUS.get(margin.status, margin.status)
    what = "Limit of planned contact with" if clearance.contact else "Margin to"
    return f"{what} {about}: {margin.source} ({status}).{others}"


def room_words(room_mm: float, contact: bool = False) -> str:
    """How much is left beyond what is demanded, rounded to the unfavourable side."""
    hundredths = int(room_mm * 100 // 1)
    words = with_unit(abs(hundredths) / 100, "mm", 2)
    return f"{words} to spare" if hundredths >= 0 else f"{words} {'too deep' if contact else 'short'}"


def _level_rows(site: SiteFindings, notes: Notes) -> list[dict[str, Any]]:
    bone = site.bone
    rows = [
        {"at": with_unit(depth, "mm", 0 if float(depth).is_integer() else 1), "cells": [cell(m, notes) for m in three]}
        for depth, *three in zip(bone.levels_mm, bone.ridge_width, bone.buccal_plate, bone.lingual_plate, strict=True)
    ]
    for level in site.placed.levels if site.placed else ():
        measures = (level.ridge_width, level.buccal_plate, level.lingual_plate)
        at = f"{level.name}, {with_unit(level.depth_mm, 'mm')}"
        rows.append({"at": at, "cells": [cell(m, notes) for m in measures]})
    return rows


def _axis_rows(bone: BoneFindings, notes: Notes) -> list[dict[str, Any]]:
    offset = bone.crest_offset
    where = "Bone begins, against the planned point"
    if offset.value is not None:
        where += " (+ deeper, − higher)"
    pairs: list[tuple[str, Measure]] = [
        (where, offset),
        ("Crestal cortex along the axis", bone.crestal_cortex),
        ("Second cortex begins at depth", bone.second_cortex_depth),
        ("Second cortex, thickness", bone.second_cortex),
        ("Bone height along the axis", bone.available_height),
        ("Canal roof met by the axis at depth", bone.canal_roof_depth),
    ]
    known = [m for m in bone.mesiodistal_width if m.value is not None]
    pairs += [(f"Mesiodistal width, {m.depth_mm:g}\u00a0mm down", m) for m in known]
    if not known and bone.mesiodistal_width:
        pairs.append(("Mesiodistal width, at any depth", bone.mesiodistal_width[0]))
    return [
        {"label": label, "cell": cell(measure, notes, 2 if "cortex" in label else None)}
        for label, measure in pairs
        if measure.value is not None or Flag.NOT_GIVEN not in measure.flags
    ]


def _grey_rows(site: SiteFindings, notes: Notes) -> list[dict[str, Any]]:
    bone = site.bone
    pairs: list[tuple[str, Measure]] = [("Standard cylinder", bone.mean_grey)]
    if bone.calibration is not None:
        pairs.append(("The same, calibrated", bone.mean_hu))
    if site.placed is not None:
        grey = site.placed.grey
        pairs += [
            ("Fixture's body", grey.body),
            ("1 mm shell around it", grey.shell_1mm),
            ("Crestal third", grey.crestal_third),
            ("Middle third", grey.middle_third),
            ("Apical third", grey.apical_third),
        ]
    return [{"label": label, "cell": cell(m, notes), "spread": _spread(m)} for label, m in pairs]


def _spread(measure: Measure) -> str:
    if measure.sd is None or measure.samples is None:
        return ""
    return f"SD {figure(measure.sd, 0)}, n {measure.samples}"


def _density(site: SiteFindings, findings: Findings) -> dict[str, Any]:
    density = site.density
    shares = [(name, share) for name, share in density.probabilities.items() if share >= 0.01]
    return {
        "label": density.label or "not classed",
        "table": density.table,
        "source": density.source,
        "shares": ", ".join(f"{name} {percent(share)}" for name, share in shares),
        "calibrated": density.calibrated,
        "status": "calibrated" if density.calibrated else "not calibrated, orientation only",
        "caution": density.caution,
        "others": [
            f"{sentence(other.table).rstrip('.')}: {other.label or 'not classed'}" for other in site.other_density
        ],
        "calibration": "" if findings.calibration is None else findings.calibration.source,
    }


_NO_SHAPES = (
    "The ridge shapes A to E of Lekholm and Zarb (1985) were drawn without bounds in millimetres (from memory), so no "
    "number here decides between them."
)


def _form_row(form: RidgeForm, notes: Notes) -> dict[str, Any]:
    """The published division of available bone, with its numbers and where its bounds come from in a footnote."""
    known = form.label is not None or bool(form.probabilities)
    told = NOT_MEASURED if not known else "in no division" if form.label is None else f"division {form.label}"
    source = f"{sentence(form.why)} {form.source} ({form.status}). {_NO_SHAPES}"
    shown = {"value": told, "interval": "", "notes": [notes.number(source)], "absent": not known}
    return {"label": "Ridge form by available bone", "cell": shown}


def _shape_rows(bone: BoneFindings, notes: Notes) -> list[dict[str, Any]]:
    rows = [_form_row(bone.ridge_form, notes)]
    for undercut in bone.undercuts:
        if undercut.depth.value is None:
            continue
        down = with_unit(undercut.position.value or 0.0, "mm")
        label = f"Undercut, {undercut.side} side, deepest {down} down"
        rows.append({"label": label, "cell": cell(undercut.depth, notes)})
        if undercut.path_leaves_bone_at.value is not None:
            label = f"Axis leaves the bone on the {undercut.side} side at depth"
            rows.append({"label": label, "cell": cell(undercut.path_leaves_bone_at, notes)})
    return rows
