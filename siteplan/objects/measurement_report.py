"""Comprehensive 3D SR (PS3.3 A.35.13) with TID 1500 (PS3.16): every measured value, coded, with what to doubt."""

import warnings
from typing import Any

import numpy as np
from highdicom import sr
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from siteplan.flags import Flag
from siteplan.measures import rounded_up
from siteplan.objects.codes import code_item, private, tooth_code
from siteplan.objects.context import Context, NewSeries, new_uid
from siteplan.objects.dataset import MAKER, stamp
from siteplan.objects.rows import Group, Row
from siteplan.objects.source_images import source_images
from siteplan.placement.verdict import Verdict
from siteplan.scan.volume import Scan

_UNITS: dict[str, Code] = {
    "mm": codes.UCUM.Millimeter,
    "deg": codes.UCUM.Degree,
    "HU": codes.UCUM.HounsfieldUnit,
}
_NOT_HU = (Flag.NOT_CALIBRATED.value, Flag.PROVISIONAL_SCALE.value)
_GREY = private("grey_value", "Grey value, not Hounsfield units")
SORT = private("sort_of_quantity", "Sort of quantity")
"""Modifier with the general concept of the standard (Width, Depth, ...) that a quantity is one of. The name itself is
our own code, because viewers show names and often nothing else, and "Distance 2.6 mm" alone would say nothing."""
DOUBT = private("doubt", "Reason for doubt or absence")


def series() -> NewSeries:
    """The series of measured values."""
    return NewSeries("SR", 9003, "Measured values at the planned sites")


def report_object(scan: Scan, groups: list[Group], context: Context, of: NewSeries) -> Dataset | None:
    """Groups of measured values as a structured report; None for a scan without stored images to refer to."""
    images = source_images(scan, context)
    if not images:
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # long code values and unused evidence are meant
        device = sr.DeviceObserverIdentifyingAttributes(uid=new_uid(), manufacturer_name=MAKER, model_name=MAKER)
        observer = sr.ObserverContext(codes.DCM.Device, device)
        content = sr.MeasurementReport(
            observation_context=sr.ObservationContext(observer_device_context=observer),
            procedure_reported=codes.LN.CTUnspecifiedBodyRegion,
            imaging_measurements=[_group(group, context) for group in groups],
            title=codes.DCM.ImagingMeasurementReport,
        )
        ds = sr.Comprehensive3DSR(
            evidence=images,
            content=content,
            series_instance_uid=of.uid,
            series_number=of.number,
            sop_instance_uid=new_uid(),
            instance_number=1,
            manufacturer=MAKER,
            is_complete=True,
        )
    for element in ds.iterall():
        if element.keyword == "ContinuityOfContent":
            element.value = "SEPARATE"  # so that viewers set each value apart, with its name
    return stamp(ds, context, of)


def _group(group: Group, context: Context) -> Any:
    out = sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=sr.TrackingIdentifier(uid=new_uid(), identifier=group.label),
        finding_type=private(group.topic),
        finding_sites=[sr.FindingSite(tooth_code(group.tooth))] if group.tooth else None,
        measurements=[_measurement(row) for row in group.rows if row.found["value"] is not None],
        qualitative_evaluations=[
            sr.QualitativeEvaluation(private(name), word)
            for name, word in [*((name, _word(name, value)) for name, value in group.says), *_absent(group)]
        ],
    )
    inside = out[0].ContentSequence
    for name, place in group.points.items():
        point = sr.Scoord3DContentItem(
            private(name), "POINT", np.array([place]), context.frame_of_reference_uid, relationship_type="CONTAINS"
        )
        inside.append(point)
    absent = [f"{row.name}: {spoken(row.found)}" for row in group.rows if row.found["value"] is None]
    for remark in group.remarks + absent:
        inside.append(sr.TextContentItem(codes.DCM.Comment, remark, "CONTAINS"))
    return out


def _absent(group: Group) -> list[tuple[str, Code]]:
    """What could not be measured, with each reason as its value.

    The standard would also let a numeric item be empty (PS3.3 C.18.1), but highdicom cannot read a report that has one.
    """
    return [
        (row.name, private(flag)) for row in group.rows if row.found["value"] is None for flag in row.found["flags"]
    ]


def _measurement(row: Row) -> Any:
    found = row.found
    value, low, high = found["value"], found["low"], found["high"]
    sort, unit = sort_of(row.name, found)
    spread: dict[str, float] = {}
    if low is not None and high is not None and low <= value <= high:
        spread = {
            "upper_measurement_uncertainty": round(high - value, 6),
            "lower_measurement_uncertainty": round(value - low, 6),
        }
    out = sr.Measurement(
        name=private(row.name),
        value=value,
        unit=unit,
        derivation=codes.SCT.Mean if row.name.startswith("mean_") else None,
        properties=sr.MeasurementProperties(**spread) if spread else None,
    )
    item = out[0]
    for part in item.get("ContentSequence", []):
        if part.ValueType == "NUM":  # highdicom writes "no units"; TID 310 wants those of the measurement
            part.MeasuredValueSequence[0].MeasurementUnitsCodeSequence = Sequence([code_item(unit)])
    if "ContentSequence" not in item:
        item.ContentSequence = sr.ContentSequence()
    item.ContentSequence.append(sr.CodeContentItem(SORT, sort, "HAS CONCEPT MOD"))
    for flag in found["flags"]:
        item.ContentSequence.append(sr.CodeContentItem(DOUBT, private(flag), "HAS PROPERTIES"))
    words = spoken(found)
    if words:
        item.ContentSequence.append(sr.TextContentItem(codes.DCM.Comment, words, "HAS PROPERTIES"))
    return out


def sort_of(name: str, found: dict[str, Any]) -> tuple[Code, Code]:
    """General concept and unit of a measure; Hounsfield units only where the scan is calibrated and nothing doubts it.

    A value in "HU" exists only with a calibration; the provisional one carries a flag that says so.
    """
    unit = found["unit"]
    if unit == "HU" and not set(_NOT_HU) & set(found["flags"]):
        return codes.DCM.AttenuationCoefficient, _UNITS["HU"]
    if unit in ("HU", "grey"):
        return _GREY, codes.UCUM.NoUnits
    if unit == "deg":
        return codes.SCT.Angle, _UNITS[unit]
    if unit != "mm":
        return private("other", "Other quantity"), codes.UCUM.NoUnits
    return _length(name), _UNITS[unit]


def _length(name: str) -> Code:
    for ending, concept in (
        ("width", codes.SCT.Width),
        ("height", codes.DCM.Height),
        ("depth", codes.SCT.Depth),
        ("diameter", codes.SCT.Diameter),
        ("length", codes.SCT.Length),
    ):
        if name.endswith(ending):
            found: Code = concept
            return found
    distance: Code = codes.DCM.Distance
    return distance


def spoken(found: dict[str, Any]) -> str:
    """Interval, unit that has no code, method and reasons for doubt of a measure, as sentences."""
    out = []
    unit = found["unit"]
    if found["value"] is None:
        out.append("Not measured.")
    elif found["low"] is not None and found["high"] is not None:
        out.append(f"95 % interval {found['low']:.10g} to {found['high']:.10g} {unit}.")
    limit = found.get("thinner_than_mm")
    if limit is not None:
        out.insert(
            0, f"Thinner than {rounded_up(limit, 2):.2f} mm is all that is known; the value is the likeliest one."
        )
    if unit not in (*_UNITS, "grey"):
        out.append(f"Unit: {unit}.")
    if found.get("depth_mm") is not None:
        out.append(f"{found['depth_mm']:g} mm below the bone entry.")
    if found["method"]:
        out.append(f"Method: {found['method']}.")
    out += [Flag(flag).meaning for flag in found["flags"]]
    return " ".join(out)


def _word(name: str, value: str) -> Code:
    if name == "verdict":
        return private(Verdict(value).name.lower(), value)
    return private(value, f"{name.replace('_', ' ')} {value}")
