"""The structured report read by highdicom: numbers, units, teeth, intervals, places equal those of `findings.json`."""

from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

import highdicom as hd
import numpy as np
import pytest
from pydicom.sr.codedict import codes

from siteplan.flags import Flag
from siteplan.handover.tables import measure_rows
from siteplan.measures import Measure
from siteplan.objects.codes import tooth_code
from siteplan.objects.measurement_report import spoken

PLANS = ("preparation", "seating")

ISO_3950 = {
    11: "Permanent maxillary right central incisor tooth",
    16: "Permanent maxillary right first molar tooth",
    23: "Permanent maxillary left canine tooth",
    28: "Permanent maxillary left third molar tooth",
    32: "Mandibular left lateral tooth",
    35: "Mandibular left second premolar tooth",
    36: "Mandibular left first molar tooth",
    44: "Mandibular right first premolar tooth",
    48: "Mandibular right third molar tooth",
    75: "Deciduous mandibular left second molar tooth",
}
"""DICOM PS3.16 CID 4018 and 4019: meaning by the ISO 3950 number that the tables give beside the code."""


def measures_of(
    node: Any, tooth: int | None = None
) -> list[tuple[int | None, float | None, float | None, float | None]]:
    """Every measure below a node of `findings.json` as tooth, value, low, high, without plans and records."""
    if isinstance(node, list):
        return [row for item in node for row in measures_of(item, tooth)]
    if not isinstance(node, dict):
        return []
    own = node.get("tooth", tooth)
    if "value" in node and "unit" in node and "flags" in node:
        return [(own, node["value"], node["low"], node["high"])]
    return [row for key, item in node.items() if key not in PLANS for row in measures_of(item, own)]


@cache
def read(path: Path) -> list[Any]:
    ds = hd.sr.srread(path)
    assert isinstance(ds, hd.sr.Comprehensive3DSR)
    return list(ds.content.get_image_measurement_groups())


@pytest.fixture
def groups(each: Any) -> list[Any]:
    return read(each.files["measurements.dcm"])


def topic(group: Any) -> str:
    return str(group.finding_type.value)


def uncertainty(measurement: Any, code: Any) -> float | None:
    items = [i for i in measurement[0].get("ContentSequence", []) if i.ConceptNameCodeSequence[0] == code]
    return float(items[0].MeasuredValueSequence[0].NumericValue) if items else None


def limits(measurement: Any) -> tuple[float | None, float | None]:
    upper = uncertainty(measurement, codes.SCT.RangeOfUpperMeasurementUncertainty)
    lower = uncertainty(measurement, codes.SCT.RangeOfLowerMeasurementUncertainty)
    if upper is None or lower is None:
        return None, None
    return round(measurement.value - lower, 4), round(measurement.value + upper, 4)


def test_every_number_and_its_interval(each: Any, groups: list[Any]) -> None:
    data = each.findings.as_json()
    wanted = measures_of(data["sites"]) + measures_of(data["between_fixtures"])
    assert len(wanted) > 50
    teeth = {tooth_code(site["tooth"]).value: site["tooth"] for site in data["sites"]}
    found: Counter[Any] = Counter()
    absent = 0
    for group in groups:
        if topic(group) == "fixture":
            continue  # planned sizes, no measures
        sites = [teeth[site.value.value] for site in group.finding_sites]
        for measurement in group.get_measurements():
            found[(sites[0] if sites else None, measurement.value, *limits(measurement))] += 1
        absent += sum(1 for text in comments(group) if "Not measured." in text)
    assert found == Counter(row for row in wanted if row[1] is not None)
    assert absent == sum(1 for row in wanted if row[1] is None)


def comments(group: Any) -> list[str]:
    return [str(i.TextValue) for i in group[0].ContentSequence if i.ValueType == "TEXT"]


def test_names(each: Any, groups: list[Any]) -> None:
    """A name says which quantity it is, in the words of `findings.json`."""
    data = each.findings.as_json()
    for group in groups:
        if topic(group) == "site":
            site = next(s for s in data["sites"] if f"tooth {s['tooth']}: site" == str(group.tracking_identifier))
            named = {m.name.value: m.value for m in group.get_measurements()}
            for name in ("crestal_cortex", "available_height", "mean_grey", "crest_offset"):
                assert named.get(name) == site[name]["value"]
        if topic(group) == "level":
            depth = float(str(group.tracking_identifier).split(": ")[1].split(" mm")[0])
            tooth = int(str(group.tracking_identifier).split()[1].rstrip(":"))
            site = next(s for s in data["sites"] if s["tooth"] == tooth)
            named = {m.name.value: m.value for m in group.get_measurements()}
            for name in ("ridge_width", "buccal_plate", "lingual_plate"):
                wanted = next(m for m in site[name] if m["depth_mm"] == depth)
                assert named.get(name) == wanted["value"]


def test_units(each: Any, groups: list[Any]) -> None:
    units = Counter()
    for group in groups:
        for measurement in group.get_measurements():
            units[measurement.unit.value] += 1
            for item in measurement[0].get("ContentSequence", []):
                if item.ValueType == "NUM":  # an interval without the unit of its value would be a trap
                    assert (
                        item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue
                        == measurement.unit.value
                    )
    calibrated = each.findings.calibration is not None
    # Grey values are never Hounsfield units without a calibration; the provisional scale never is.
    assert set(units) == ({"mm", "1", "[hnsf'U]"} if calibrated else {"mm", "1"})
    data = each.findings.as_json()
    hounsfield = [site[name]["value"] for site in data["sites"] if calibrated for name in ("mean_hu", "trabecular_hu")]
    assert units["[hnsf'U]"] == len([value for value in hounsfield if value is not None])
    for group in groups:
        for measurement in group.get_measurements():
            sort = {i.ConceptCodeSequence[0].CodeValue for i in measurement[0].ContentSequence if sorts(i)}
            # Attenuation Coefficient (DCM); Width, Depth, Diameter, Length, Height, Distance (SCT, DCM): PS3.16 CID 218
            lengths = {"103355008", "131197000", "81827009", "410668003", "121207", "121206"}
            assert sort <= {"mm": lengths, "1": {"grey_value"}, "[hnsf'U]": {"112031"}}[measurement.unit.value]
            assert len(sort) == 1


def sorts(item: Any) -> bool:
    return (
        item.RelationshipType == "HAS CONCEPT MOD" and item.ConceptNameCodeSequence[0].CodeMeaning == "Sort of quantity"
    )


def test_places(each: Any, groups: list[Any]) -> None:
    by_label = {str(group.tracking_identifier): group for group in groups}
    for site in each.findings.sites:
        tooth = site.entry.tooth
        assert np.allclose(place(by_label[f"tooth {tooth}: site"], "crest"), site.bone.frame.origin_lps_mm, atol=1e-4)
        if site.placed is not None:
            fixture, pose = site.placed.fixture, site.placed.pose
            apex = pose.platform_lps_mm + fixture.length_mm * pose.axis
            assert np.allclose(place(by_label[f"tooth {tooth}: fixture"], "apex"), apex, atol=1e-4)
            assert np.allclose(place(by_label[f"tooth {tooth}: fixture"], "platform"), pose.platform_lps_mm, atol=1e-4)


def place(group: Any, name: str) -> np.ndarray:
    items = [
        i
        for i in group[0].ContentSequence
        if i.ValueType == "SCOORD3D" and i.ConceptNameCodeSequence[0].get("CodeValue") == name
    ]
    assert len(items) == 1
    return np.asarray(items[0].GraphicData, dtype=float)


def test_verdicts_and_their_margins(each: Any, groups: list[Any]) -> None:
    data = each.findings.as_json()
    wanted = Counter(c["verdict"] for site in data["sites"] for c in site["clearances"])
    wanted += Counter(c["verdict"] for c in data["between_fixtures"])
    found = Counter(
        evaluation.value.meaning
        for group in groups
        if topic(group) == "clearance"
        for evaluation in group.get_qualitative_evaluations()
        if evaluation.name.value == "verdict"
    )
    assert found == wanted
    for group in groups:
        if topic(group) == "clearance":
            assert any("argin" in text and "Verdict" in text for text in comments(group))


def test_doubts_are_coded(each: Any, groups: list[Any]) -> None:
    flags = Counter()
    for group in groups:
        for measurement in group.get_measurements():
            for item in measurement[0].get("ContentSequence", []):
                if item.ConceptNameCodeSequence[0].get("CodeValue") == "doubt":
                    code = item.ConceptCodeSequence[0]
                    flags[code.get("CodeValue") or code.LongCodeValue] += 1
    data = each.findings.as_json()
    wanted = Counter(flag for flag in flags_of(data["sites"]) + flags_of(data["between_fixtures"]))
    assert flags == wanted


def flags_of(node: Any) -> list[str]:
    """Flags of all measures that have a value."""
    if isinstance(node, list):
        return [flag for item in node for flag in flags_of(item)]
    if not isinstance(node, dict):
        return []
    if "value" in node and "unit" in node and "flags" in node:
        return list(node["flags"]) if node["value"] is not None else []
    return [flag for key, item in node.items() if key not in PLANS for flag in flags_of(item)]


def test_teeth() -> None:
    for number, meaning in ISO_3950.items():
        assert tooth_code(number).meaning == meaning
    every = [q * 10 + p for q in range(1, 5) for p in range(1, 9)] + [
        q * 10 + p for q in range(5, 9) for p in range(1, 6)
    ]
    assert len({tooth_code(number).value for number in every}) == 52


def test_a_thickness_of_which_only_the_limit_is_known_is_not_told_as_a_number_alone() -> None:
    known = Measure(0.31, "mm", 0.05, 0.522, "made", (Flag.THICKNESS_OR_DENSITY,), product_hu_mm=300.0)
    assert spoken(known.as_json()).startswith("Thinner than 0.53 mm is all that is known")
    assert "Thinner" not in spoken(Measure(0.31, "mm", 0.05, 0.522, "made").as_json())
    row = next(measure_rows({"sites": [{"tooth": 36, "plate": known.as_json()}], "between_fixtures": []}))
    assert (row["thinner_than_mm"], row["high_95"]) == (0.522, 0.522)
