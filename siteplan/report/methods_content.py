"""The methods part: what every number means, where limits come from, and what the report was made from."""

from typing import Any

from siteplan import __version__
from siteplan.bone import density_tables
from siteplan.findings import Findings
from siteplan.report.identity import Identity
from siteplan.report.remarks import demand_words
from siteplan.report.words import figure

DEFINITIONS: tuple[tuple[str, str], ...] = (
    ("Interval", "Two numbers in brackets behind a value are its 95 % interval: what could be estimated of blur, "
     "noise, sampling and the stated uncertainty of a structure. It does not cover patient movement, metal, or a "
     "structure drawn in the wrong place."),
    ("Bone entry", "The point where the planned axis passes the outer bone surface, found between the voxels. All "
     "depths count from it along the axis."),
    ("Broken with a free hand, with a static guide, under navigation", "Chance that the margin is broken, or "
     "that drill and fixture touch a structure or the outer bone surface, when they deviate from the plan as much as "
     "was published for the way in which the case says the drill is led; a free hand is assumed where it does not say. "
     "Drawn at random with a fixed seed, together with the uncertainty of structure and scan; the interval is that of "
     "the draws alone. Between two planned fixtures each deviates on its own."),
    ("Ridge width", "Length of the chord through the axis, at right angles to it in the buccolingual plane, from outer "
     "bone surface to outer bone surface."),
    ("Buccal and lingual (palatal) plate", "Thickness of the cortex on that chord, from outside inwards, corrected for "
     "the blur of the scan."),
    ("Mesiodistal width", "Length of the chord at right angles to the axis along the arch, only where something bounds "
     "it on both sides within the measured block."),
    ("Crestal cortex", "Thickness of the cortex along the axis from the bone entry."),
    ("Second cortex", "Depth at which the axis meets the far cortex: the other plate, the floor of the sinus or of the "
     "nose."),
    ("Bone height", "From the bone entry along the axis to the second cortex or to the first structure measured."),
    ("Mean grey value", "Mean of the stored grey values (after rescale) in the named region, with the standard "
     "deviation (SD) and the number of samples (n). The standard cylinder has a diameter of 3.5 mm and reaches from "
     "the bone entry 10 mm down. Hounsfield units only where a calibration is named; the drift of the scale that soft "
     "tissue at the site shows is then taken off, as far as the tissue itself is known."),
    ("Density class", "The most probable class of a published table given the mean and its interval; the shares are "
     "the probabilities of the classes. A table that was made of trabecular bone alone classes the cancellous part of "
     "the standard cylinder."),
    ("Distance to a structure", "Signed shortest distance between the exact surface of the fixture, a solid of "
     "revolution over its thread crests, and the exact surface of the structure; below zero where they overlap. To a "
     "canal it goes to the lumen as drawn, so the bone above it can be thinner: where the canal roof measured on the "
     "axis leaves less bone, that number stands beneath. Value and lower limit are rounded down, the upper "
     "limit is rounded up."),
    ("Verdict", "“Keeps the margin” needs the whole interval beyond the margin. “Cannot be told” means that the margin "
     "lies inside the interval. “Touches” means a distance of zero or less. “Planned contact” is no kept margin: it "
     "is shown for a structure that the plan engages on purpose, while it passes the structure by no more than its "
     "own limit."),
    ("Tip depth", "How deep the very tip of a drill goes. The point of a twist drill lies deeper than its mark by half "
     "the diameter over the tangent of half the point angle. Marks are chosen on the safe side, never rounded towards "
     "a structure."),
    ("Pictures", "Sections are cut from the same resampled values that are measured, without sharpening. Outlines are "
     "exact cuts of the planned shapes with the plane of the picture. Hatched areas lie outside the scan."),
)  # fmt: skip
"""What each number is, in the words of the report."""

LETTERS = "R right, L left, A front (anterior), P back (posterior), H head, F feet; two letters for an oblique side."


def methods_content(findings: Findings, identity: Identity) -> dict[str, Any]:
    """All of the methods part."""
    return {
        "definitions": [{"term": term, "text": text} for term, text in DEFINITIONS],
        "letters": LETTERS,
        "margins": _margins(findings),
        "tables": _tables(findings),
        "calibration": _calibration(findings, identity),
        "grey_scale": findings.scan.grey.why,
        "software": f"siteplan {__version__}",
        "series_hash": findings.scan.digest or "not given",
        "case_hash": findings.case.digest,
    }


def _margins(findings: Findings) -> list[dict[str, str]]:
    seen: dict[tuple[str, float, bool], dict[str, str]] = {}
    everything = [c for site in findings.sites for c in site.clearances] + list(findings.between_fixtures)
    for clearance in everything:
        margin = clearance.margin
        seen[(margin.key, margin.value_mm, clearance.contact)] = {
            "kind": ("planned contact with " if clearance.contact else "") + margin.key.replace("-", " "),
            "value": demand_words(clearance).removeprefix("margin "),
            "status": margin.status,
            "source": margin.source,
            "others": margin.others,
            "rationale": margin.rationale,
        }
    return list(seen.values())


def _tables(findings: Findings) -> list[dict[str, Any]]:
    known = density_tables()
    used = dict.fromkeys(d.table for site in findings.sites for d in (site.density, *site.other_density))
    return [
        {
            "name": name,
            "title": known[name].title,
            "source": known[name].source,
            "status": known[name].status,
            "region": known[name].region,
            "classes": [
                f"{limit.label}: {'below the others' if limit.low is None else f'from {figure(limit.low, 0)} HU'}"
                for limit in known[name].classes
            ],
        }
        for name in used
        if name in known
    ]


def _calibration(findings: Findings, identity: Identity) -> str:
    calibration = findings.calibration
    if calibration is None:
        return "none: grey values of this scan are not Hounsfield units"
    words = f"grey = {calibration.slope:.4g} × HU + {calibration.intercept:.4g}"
    typed = ", ".join(part for part in (calibration.source, calibration.device, calibration.date) if part)
    return f"{words} ({typed})" if identity.keeps_free_text and typed else words
