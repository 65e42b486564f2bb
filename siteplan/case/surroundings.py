"""Does a site agree with the structures that are drawn around it, and is what endangers it drawn at all?

The limits are our own bounds unless a source is named.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from siteplan.anatomy.structure import Cone, Kind, Structure, Tube
from siteplan.case.directions import is_back_tooth, warned
from siteplan.case.tooth import jaw_of, side_of
from siteplan.frame import Vector
from siteplan.measures import Measure
from siteplan.placement.drawn_beside import seen_badly, stops_short_mm
from siteplan.placement.margins import Margins
from siteplan.scan import Scan, ScanFinding

NEAR_MM = 30.0
"""Farther than this from the site is the other side's canal or sinus: the two canals lie about twice that far apart at
the molars (from memory)."""

_OWN_SIDE_MM = 20.0
"""A canal or sinus so close to a back tooth is its own side's, whatever its label says."""

_OTHER_JAW_MM = 8.0
"""Closer than this to a site's bone, a canal of the lower jaw is no neighbour of an upper tooth, nor a sinus floor one
of a lower tooth: mucosa, teeth and free space lie between the jaws."""

OUTSIDE_WARN_MM = 10.0
OUTSIDE_REFUSE_MM = 50.0
"""Structures run on beyond the field for some millimetres; nobody draws where the scan shows nothing."""

_LOWER = frozenset({Kind.CANAL, Kind.MENTAL_FORAMEN, Kind.LINGUAL_FORAMEN})
_UPPER = frozenset({Kind.SINUS_FLOOR, Kind.NASAL_FLOOR})
_SIDED = frozenset({Kind.CANAL, Kind.MENTAL_FORAMEN, Kind.SINUS_FLOOR})


def structure_points(structure: Structure) -> Vector:
    """(N, 3) points on or in a structure, at most 1 mm apart along a path."""
    shape = structure.shape
    if isinstance(shape, Cone):
        return np.linspace(shape.base_lps_mm, shape.tip_lps_mm, 20)
    if isinstance(shape, Tube) and len(shape.points_lps_mm) > 1:
        points = shape.points_lps_mm
        steps = [max(int(np.ceil(np.linalg.norm(b - a))), 1) for a, b in pairwise(points)]
        parts = [np.linspace(a, b, n + 1) for (a, b), n in zip(pairwise(points), steps, strict=True)]
        return np.concatenate(parts)
    return shape.points_lps_mm


def outside_scan_mm(scan: Scan, points_lps_mm: Vector) -> float:
    """How far the farthest of the points lies outside the scan; 0 when all lie inside."""
    index = scan.lps_to_index(points_lps_mm)
    beyond = np.maximum(np.maximum(-index, index - (np.array(scan.shape) - 1)), 0) * np.array(scan.spacing_kji_mm)
    return float(np.linalg.norm(beyond, axis=-1).max())


def outside_remarks(scan: Scan, structures: Sequence[Structure]) -> tuple[str, ...]:
    """One sentence for each structure that reaches far beyond the scan."""
    found = [(_called(n, s), outside_scan_mm(scan, structure_points(s))) for n, s in enumerate(structures)]
    return tuple(
        f"{called} reaches {far:.0f} mm beyond this scan, where nobody could see it; check its points."
        for called, far in found
        if far > OUTSIDE_WARN_MM
    )


def contact_remarks(
    tooth: int, planned: Sequence[str], structures: Sequence[Structure], margins: Margins
) -> list[ScanFinding]:
    """Planned contacts with structures that nothing may be planned to touch: their margin holds all the same."""
    barred = [s for s in structures if s.name in planned and margins.contact(s.kind) is None]
    return [
        warned(
            "contact-not-granted",
            f"a contact with {s.name!r} is planned, but with its kind none is ever granted, so its margin holds",
            f"tooth {tooth}",
            "Take it out of planned_contacts, or correct the kind of the structure.",
        )
        for s in barred
    ]


def structure_remarks(
    tooth: int, crest_lps_mm: Vector, apex_lps_mm: Vector, structures: Sequence[Structure]
) -> list[ScanFinding]:
    """What the structures near a site say against its tooth number, and labels that name the other side."""
    where, jaw, side = f"tooth {tooth}", jaw_of(tooth), side_of(tooth)
    out = []
    for number, structure in enumerate(structures):
        called = _called(number, structure)
        distance = _distance_mm(crest_lps_mm, apex_lps_mm, structure)
        if structure.kind in (_LOWER if jaw == "upper" else _UPPER) and distance < _OTHER_JAW_MM:
            out.append(
                warned(
                    "jaw-against-structure",
                    f"Tooth {tooth} belongs to the {jaw} jaw, but {called[0].lower()}{called[1:]}, which belongs to "
                    f"the other, passes {distance:.1f} mm beside it",
                    where,
                    "Check the tooth number, the coordinates and the kind of this structure.",
                )
            )
        opposite = structure.side not in ("", side)
        if opposite and structure.kind in _SIDED and is_back_tooth(tooth) and distance < _OWN_SIDE_MM:
            out.append(
                warned(
                    "side-against-structure",
                    f"{called} is marked as the patient's {structure.side}, but it passes "
                    f"{distance:.1f} mm beside tooth {tooth}, which is the patient's {side}",
                    where,
                    "Check the side of the structure and the tooth number.",
                )
            )
    return out


def missing_structure(
    tooth: int,
    crest_lps_mm: Vector,
    apex_lps_mm: Vector,
    structures: Sequence[Structure],
    *,
    seen: Measure,
    apex_depth_mm: float | None,
) -> list[ScanFinding]:
    """A warning where a back tooth's canal or sinus floor is not drawn.

    Args:
        seen: depth below the bone entry at which the scan itself shows a canal roof (lower) or a second cortex (upper).
        apex_depth_mm: of the fixture, below the bone entry; None without a fixture.
    """
    lower = jaw_of(tooth) == "lower"
    kind, name = (Kind.CANAL, "mandibular canal") if lower else (Kind.SINUS_FLOOR, "sinus floor")
    if not is_back_tooth(tooth):
        return []
    near = [s for s in structures if s.kind is kind and _distance_mm(crest_lps_mm, apex_lps_mm, s) < NEAR_MM]
    if near:
        return canal_remarks(tooth, crest_lps_mm, apex_lps_mm, near, structures)
    sees = "a canal's roof" if lower else "a second cortex, which may be the sinus floor,"
    return [
        warned(
            "no-canal-drawn" if lower else "no-sinus-floor-drawn",
            f"No {name} is drawn near tooth {tooth} on the patient's {side_of(tooth)} side, so the distance to it is "
            f"not checked, and nothing said of margins at this site holds for it. {_seen(sees, seen, apex_depth_mm)}",
            f"tooth {tooth}",
            f"Draw or trace the {name} before this site is planned.",
        )
    ]


def canal_remarks(
    tooth: int, crest_lps_mm: Vector, apex_lps_mm: Vector, near: Sequence[Structure], structures: Sequence[Structure]
) -> list[ScanFinding]:
    """What the canals near a site leave open there: none of them drawn beside it, or one that was hardly seen.

    Args:
        near: those that count. structures: all of the case.
    """
    where = f"tooth {tooth}"
    short = [stops_short_mm(s, crest_lps_mm, apex_lps_mm, structures) for s in near]
    if min(short) > 0:
        return [
            warned(
                "canal-stops-short",
                f"The mandibular canal beside tooth {tooth} is not drawn: the drawn part stops {min(short):.0f} mm "
                "short of the site, so the distance told is to its loose end, and no margin to the canal is checked",
                where,
                "Draw the canal on past this site. If it ends there at the mental foramen, draw the foramen too.",
            )
        ]
    out = []
    for structure, gap in zip(near, short, strict=True):
        least = seen_badly(structure, crest_lps_mm, apex_lps_mm)
        if gap == 0 and least is not None:
            said = (
                f"{_called(_place_of(structure, structures), structure)} was hardly seen beside tooth {tooth} "
                f"(confidence {least:.0%}): it may lie elsewhere, which the interval of its distance does not hold"
            )
            remedy = "Look at the sections beside this site and set the canal's points by hand before it is planned."
            out.append(warned("canal-hardly-seen", said, where, remedy))
    return out


def _place_of(structure: Structure, structures: Sequence[Structure]) -> int:
    return next(n for n, other in enumerate(structures) if other is structure)


def _seen(what: str, seen: Measure, apex_depth_mm: float | None) -> str:
    if seen.value is None:
        return f"The scan does not show {what.rstrip(',')} on the axis either, which does not mean that there is none"
    text = f"The scan shows {what} on the axis {seen.value:.1f} mm below the bone entry"
    if apex_depth_mm is None:
        return text
    left = seen.value - apex_depth_mm
    return f"{text}; the fixture's apex at {apex_depth_mm:.1f} mm ends " + (
        f"{left:.1f} mm above it" if left >= 0 else f"{-left:.1f} mm BELOW it"
    )


def _called(number: int, structure: Structure) -> str:
    """Kind and place in the case, never its name, which is free text and may name a person."""
    return f"The {structure.kind.value.replace('-', ' ')} in structures[{number}]"


def _distance_mm(start: Vector, end: Vector, structure: Structure) -> float:
    """From the stretch between two points to the nearest point of a structure's middle line or surface."""
    points = structure_points(structure)
    along = end - start
    share = np.clip((points - start) @ along / float(along @ along), 0.0, 1.0)
    return float(np.linalg.norm(points - start - share[:, None] * along, axis=1).min())
