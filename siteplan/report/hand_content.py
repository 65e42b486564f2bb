"""What a person measured or noted by hand on pictures, as the report says it: a ruler, never a verdict."""

from siteplan.bone.by_hand import hand_value
from siteplan.case.by_hand import HandMarkEntry
from siteplan.findings import Findings
from siteplan.measures import Measure
from siteplan.report.identity import Identity
from siteplan.report.words import NO_BREAK, figure, span, with_unit

LEFT_OUT = "typed text left out"
_WHAT = {
    "distance": "distance",
    "angle": "angle",
    "circle": "grey value in a circle",
    "line": "grey value along a line",
    "note": "remark",
}


def hand_rows(findings: Findings, identity: Identity) -> list[dict[str, str]]:
    """Tooth, kind, value and text of every mark of the case, in its order.

    A typed text can hold a name that no program recognises, so it is left out where identity does not let it through.
    """
    return [_row(mark, findings, identity) for mark in findings.case.case.marks]


def _row(mark: HandMarkEntry, findings: Findings, identity: Identity) -> dict[str, str]:
    text = mark.text.strip()
    return {
        "tooth": str(mark.tooth) if mark.tooth else "",
        "what": _WHAT[mark.kind],
        "value": _value(hand_value(mark.kind, mark.points_mm, findings.scan)),
        "text": text if identity.keeps_free_text or not text else LEFT_OUT,
    }


def _value(measure: Measure | None) -> str:
    if measure is None:
        return ""
    if measure.value is None:
        return f"not measured: {measure.method}" if measure.method else "not measured"
    if measure.unit == "deg":
        return f"{figure(measure.value, 0)}°"
    if measure.unit == "mm":
        known = ""
        if measure.low is not None and measure.high is not None:
            known = f" ({span(measure.low, measure.high, 1)})"
        return with_unit(measure.value, "mm", 1) + known
    return f"{figure(measure.value, 0)}{NO_BREAK}grey, SD {figure(measure.sd or 0.0, 0)}, {measure.samples} samples"
