"""Measure a case by every method and put the numbers beside the truth."""

import time
from dataclasses import dataclass

from siteplan.bone.calibration import Calibration
from siteplan.bone.findings import BoneFindings
from siteplan.bone.levels import grey_levels
from siteplan.bone.measure import measure_bone
from siteplan.bone.sample import sample_block
from siteplan.bone.section import section_of
from siteplan.measures import Measure
from tests.validation.fixed_threshold import FixedThreshold
from tests.validation.jaw import LEVELS
from tests.validation.phantoms import Case

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
        for quantity, truth, m in _pairs(case, bone):
            flags = tuple(f.value for f in m.flags)
            rows.append(Row(case.regime, number, method, quantity, truth, m.value, m.low, m.high, flags, seconds))
    return rows + _fixed(case, number)


def _pairs(case: Case, bone: BoneFindings) -> list[tuple[str, float, Measure]]:
    t = case.truth
    found: list[tuple[str, float | None, Measure]] = []
    for k, depth in enumerate(LEVELS):
        found.append(("ridge width", t.width[depth], bone.levels.ridge_width[k]))
        found.append(("plate", t.buccal_plate[depth], bone.levels.buccal_plate[k]))
        found.append(("plate", t.lingual_plate[depth], bone.levels.lingual_plate[k]))
    found.append(("crestal cortex", t.crestal_cortex, bone.crestal_cortex))
    found.append(("canal roof", t.canal_wall, bone.canal_roof_depth))
    found.append(("canal lumen", t.canal_lumen, bone.canal_lumen_depth))
    found.append(("sinus floor", t.sinus_plate, bone.second_cortex_depth))
    if t.sinus_plate is not None and t.sinus_cavity is not None:
        found.append(("floor plate", t.sinus_cavity - t.sinus_plate, bone.second_cortex))
    found.append(("mean HU", t.mean_hu, bone.mean_hu))
    return [(name, truth, m) for name, truth, m in found if truth is not None]


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
        add("ridge width", case.truth.width[depth], width)
        add("plate", case.truth.buccal_plate[depth], buccal)
        add("plate", case.truth.lingual_plate[depth], lingual)
    add("crestal cortex", case.truth.crestal_cortex, reader.crest())
    return rows
