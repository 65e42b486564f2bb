"""Measure a case by every method and put the numbers beside the truth."""

import time
from dataclasses import dataclass

from siteplan.bone.calibration import Calibration
from siteplan.bone.findings import BoneFindings
from siteplan.bone.levels import grey_levels
from siteplan.bone.measure import measure_bone
from siteplan.bone.ridge import LEAST_UNDERCUT_MM
from siteplan.bone.sample import sample_block
from siteplan.bone.section import section_of
from siteplan.flags import Flag
from siteplan.measures import Measure
from tests.validation.fixed_threshold import FixedThreshold
from tests.validation.jaw import LEVELS
from tests.validation.phantoms import Case
from tests.validation.undercut_truth import undercuts_of

CALLED_OUT_FROM_MM = 0.1
"""An undercut must be called out when it is this much deeper than the least one."""
NEVER_MM = 99.0
"""Stands for "nowhere", so that a false alarm shows as a huge error."""
OURS, HALF, FIXED = "joint fit", "half maximum", "fixed threshold"


@dataclass(frozen=True)
class Row:
    """One number of one method: what it should be, what it is, its interval, its marks, and how long the site took."""

    regime: str
    case: int
    method: str
    quantity: str
    truth: float
    value: float | None
    low: float | None
    high: float | None
    flags: tuple[str, ...]
    seconds: float


def rows_of(case: Case, number: int) -> list[Row]:
    """Rows of one simulated site."""
    calibration = Calibration(case.scanner.slope, case.scanner.intercept)
    rows: list[Row] = []
    for method, quick in ((OURS, False), (HALF, True)):
        start = time.perf_counter()
        bone = measure_bone(case.scan, case.frame, levels_mm=LEVELS, calibration=calibration, quick=quick)
        seconds = time.perf_counter() - start
        for quantity, truth, m in pairs_of(case, bone):
            flags = tuple(f.value for f in m.flags)
            rows.append(Row(case.regime, number, method, quantity, truth, m.value, m.low, m.high, flags, seconds))
    return rows + _fixed(case, number)


def pairs_of(case: Case, bone: BoneFindings) -> list[tuple[str, float, Measure]]:
    t = case.truth
    found: list[tuple[str, float | None, Measure]] = []
    for k, depth in enumerate(LEVELS):
        found.append(("ridge width", t.width.get(depth), bone.levels.ridge_width[k]))
        found.append(("plate", t.buccal_plate.get(depth), bone.levels.buccal_plate[k]))
        found.append(("plate", t.lingual_plate.get(depth), bone.levels.lingual_plate[k]))
        found.append(("mesiodistal width", t.mesiodistal.get(depth), bone.levels.mesiodistal_width[k]))
    found.append(("crestal cortex", t.crestal_cortex, bone.crestal_cortex))
    found.append(("canal roof", t.canal_wall, bone.canal_roof_depth))
    found.append(("canal lumen", t.canal_lumen, bone.canal_lumen_depth))
    found.append(("sinus floor", t.sinus_plate, bone.second_cortex_depth))
    if t.sinus_plate is not None and t.sinus_cavity is not None:
        found.append(("floor plate", t.sinus_cavity - t.sinus_plate, bone.second_cortex))
    if t.far_plate is not None and t.far_end is not None:
        found.append(("far cortex depth", t.far_plate, bone.second_cortex_depth))
        found.append(("far cortex", t.far_end - t.far_plate, bone.second_cortex))
    stops = [x for x in (t.canal_wall, t.sinus_plate, t.far_plate) if x is not None]
    found.append(("available height", min(stops, default=None), bone.available_height))
    found.append(("mean HU", t.mean_hu, bone.mean_hu))
    found.append(("trabecular HU", t.trabecular_hu, bone.trabecular_hu))
    return [(name, truth, m) for name, truth, m in (*found, *_undercuts(case, bone)) if truth is not None]


def _undercuts(case: Case, bone: BoneFindings) -> list[tuple[str, float | None, Measure]]:
    """Depth, position and angle of each undercut deeper than what is called out, and where the axis leaves the bone."""
    if case.truth.edges is None:
        return []
    found: list[tuple[str, float | None, Measure]] = []
    missing = Measure.absent("mm", Flag.NO_EDGE_FOUND)
    for true in undercuts_of(case.truth.edges):
        ours = next((u for u in bone.undercuts if u.side == true.side), None)
        if true.depth > LEAST_UNDERCUT_MM + CALLED_OUT_FROM_MM:
            found.append(("undercut depth", true.depth, missing if ours is None else ours.depth))
            found.append(("undercut position", true.position, missing if ours is None else ours.position))
            found.append(("undercut angle", true.angle, missing if ours is None else ours.angle))
            found.append(("axis leaves bone", true.leaves, missing if ours is None else ours.path_leaves_bone_at))
        elif ours is not None:
            found.append(("undercut depth", true.depth, ours.depth))
        if ours is not None and true.leaves is None and ours.path_leaves_bone_at.value is not None:
            found.append(("axis leaves bone", NEVER_MM, ours.path_leaves_bone_at))
    return found


def _fixed(case: Case, number: int) -> list[Row]:
    levels = grey_levels(case.scan)
    block = sample_block(case.scan, case.frame)
    section = section_of(block, levels)
    reader = FixedThreshold(block, section, levels)
    entry = float((case.truth.crest - case.frame.origin_lps_mm) @ case.frame.axis)
    rows: list[Row] = []

    def add(quantity: str, truth: float | None, value: float | None) -> None:
        if truth is not None:
            rows.append(Row(case.regime, number, FIXED, quantity, truth, value, None, None, (), 0.0))

    for depth in LEVELS:
        width, buccal, lingual = reader.line(depth + entry)
        add("ridge width", case.truth.width.get(depth), width)
        add("plate", case.truth.buccal_plate.get(depth), buccal)
        add("plate", case.truth.lingual_plate.get(depth), lingual)
    add("crestal cortex", case.truth.crestal_cortex, reader.crest())
    return rows
