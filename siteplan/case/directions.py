"""Does a site's tooth number agree with where its axis and its buccal direction point, and where it lies?

Patient coordinates (LPS): +x is the patient's left, +y the back, +z the head. Heads are tilted and turned in scans, so
only what no posture explains is remarked upon. The limits are our own bounds.
"""

from collections.abc import Sequence

import numpy as np

from siteplan.case.model import SiteEntry
from siteplan.case.tooth import jaw_of, side_of
from siteplan.frame import SiteFrame, Vector
from siteplan.scan import Scan, ScanFinding, Severity

WARN_TILT_DEG = 60.0
REFUSE_TILT_DEG = 120.0
"""Angle between a site's axis and the way its jaw's roots point. Planned axes lean up to 45 degrees and heads tilt as
well, so 60 is remarked upon; beyond 120 the apex would lie outside the jaw whatever the posture."""

WARN_BUCCAL_DEG = 120.0
"""Angle between a buccal direction and where cheek or lip lies at that tooth in an upright head."""

UPRIGHT_DEG = 40.0
"""Where an axis leans farther the head may be turned as well, and left and right of the scan tell little; the other
sites still do."""

_ORDER_APART_MM = 4.0
_ORDER_COSINE = -0.5
"""A neighbour this far off is used for the order along the arch; -0.5: within 60 degrees of exactly the wrong way."""

_JAWS_SWAPPED_MM = 5.0
_WIDE_FIELD_MM = 100.0
"""A field this wide holds the whole arch (about 60 mm wide at the molars, from memory)."""
_OFF_MIDDLE_MM = 25.0
"""Farther from the middle of such a field than it can be set off while still holding the arch."""

FIRST_PREMOLAR = 4
_CANINE = 3


def warned(code: str, what: str, where: str, remedy: str) -> ScanFinding:
    """A warning beside a site."""
    return ScanFinding(code, Severity.WARNING, what, where, remedy)


def is_back_tooth(tooth: int) -> bool:
    """Premolars and molars; in deciduous quadrants the molars."""
    return tooth % 10 >= FIRST_PREMOLAR


def tilt_deg(axis: Vector, tooth: int) -> float:
    """Angle between an axis and the way this jaw's roots point: headward in the upper, footward in the lower."""
    up = 1.0 if jaw_of(tooth) == "upper" else -1.0
    return float(np.degrees(np.arccos(np.clip(up * axis[2], -1.0, 1.0))))


def axis_words(tooth: int, angle_deg: float) -> str:
    """What is wrong with an axis that leans too far."""
    jaw = jaw_of(tooth)
    wanted = "up to the head" if jaw == "upper" else "down to the feet"
    return (
        f"Tooth {tooth} belongs to the {jaw} jaw, whose axes point {wanted}, but this axis points {angle_deg:.0f} "
        "degrees away from there"
    )


def direction_remarks(tooth: int, frame: SiteFrame, scan: Scan) -> list[ScanFinding]:
    """What one site's axis, buccal direction and place say against its tooth number."""
    where = f"tooth {tooth}"
    out = []
    angle = tilt_deg(frame.axis, tooth)
    if angle > WARN_TILT_DEG:
        out.append(
            warned("axis-against-tooth", axis_words(tooth, angle), where, "Check the axis and the tooth number.")
        )
    upright = angle < UPRIGHT_DEG
    if upright and float(frame.buccal @ _cheek(tooth)) < np.cos(np.radians(WARN_BUCCAL_DEG)):
        out.append(_buccal_reversed(tooth, "its buccal direction points away from there"))
    middle = _middle_x(scan)
    if middle is not None:
        off = float(frame.origin_lps_mm[0]) - middle
        lies = "left" if off > 0 else "right"
        if abs(off) > _OFF_MIDDLE_MM and lies != side_of(tooth):
            out.append(
                warned(
                    "side-against-tooth",
                    f"Tooth {tooth} belongs to the patient's {side_of(tooth)} side, but its place lies {abs(off):.0f} "
                    f"mm to the patient's {lies} of the middle of this scan",
                    where,
                    "Check the tooth number and the coordinates (LPS: x grows to the patient's left).",
                )
            )
    return out


def neighbour_remarks(entry: SiteEntry, others: Sequence[SiteEntry]) -> list[ScanFinding]:
    """What the other sites of the case say against this one; it does not depend on how the head was turned."""
    here = np.asarray(entry.crest_mm, dtype=np.float64)
    out = []
    wrong = [other.tooth for other in others if _wrong_way(entry, other)]
    right = [other.tooth for other in others if _same_quadrant(entry, other) and other.tooth not in wrong]
    if wrong and len(wrong) > len(right):
        names = " and ".join(map(str, wrong))
        out.append(
            warned(
                "order-against-tooth",
                f"By its axis and buccal direction, tooth {entry.tooth} has tooth {names} on its other side than the "
                "tooth numbers say, so mesial and distal or buccal and lingual may be exchanged",
                f"tooth {entry.tooth}",
                "Check the buccal direction, the axis and the tooth numbers.",
            )
        )
    for other in others:
        there = np.asarray(other.crest_mm, dtype=np.float64)
        if _contradicts_place(entry, other, here, there):
            out.append(
                warned(
                    "place-against-tooth",
                    f"Tooth {entry.tooth} ({_quarter(entry.tooth)}) lies where tooth {other.tooth} "
                    f"({_quarter(other.tooth)}) would have it the other way round",
                    f"tooth {entry.tooth}",
                    "Check both tooth numbers and coordinates (LPS: x grows to the patient's left, z to the head).",
                )
            )
    return out


def _buccal_reversed(tooth: int, but: str) -> ScanFinding:
    side = side_of(tooth)
    cheek = f"the patient's {side}" if is_back_tooth(tooth) else "the front"
    return warned(
        "buccal-against-tooth",
        f"At tooth {tooth} cheek or lip lies towards {cheek}, but {but}, so buccal and lingual, mesial and distal may "
        "be exchanged in everything said of this site",
        f"tooth {tooth}",
        "Check the buccal direction and the tooth number.",
    )


def _cheek(tooth: int) -> Vector:
    """(3,) unit vector to cheek or lip in an upright head."""
    out = 1.0 if side_of(tooth) == "left" else -1.0
    if is_back_tooth(tooth):
        return np.array([out, 0.0, 0.0])
    if tooth % 10 == _CANINE:
        return np.array([out * np.sqrt(0.5), -np.sqrt(0.5), 0.0])
    return np.array([0.0, -1.0, 0.0])


def _same_quadrant(entry: SiteEntry, other: SiteEntry) -> bool:
    return entry.jaw == other.jaw and side_of(entry.tooth) == side_of(other.tooth)


def _wrong_way(entry: SiteEntry, other: SiteEntry) -> bool:
    """Whether a tooth that must stand distal of this one stands mesial of it, or the reverse."""
    step = other.tooth % 10 - entry.tooth % 10
    offset = np.asarray(other.crest_mm, dtype=np.float64) - np.asarray(entry.crest_mm, dtype=np.float64)
    length = float(np.linalg.norm(offset))
    if not _same_quadrant(entry, other) or step == 0 or length < _ORDER_APART_MM:
        return False
    towards_distal = float(offset @ entry.frame().distal) / length
    return (towards_distal if step > 0 else -towards_distal) < _ORDER_COSINE


def _contradicts_place(entry: SiteEntry, other: SiteEntry, here: Vector, there: Vector) -> bool:
    if entry.jaw != other.jaw:
        up = 1.0 if entry.jaw == "upper" else -1.0
        return bool(up * (here[2] - there[2]) < -_JAWS_SWAPPED_MM)
    if side_of(entry.tooth) != side_of(other.tooth) and is_back_tooth(entry.tooth) and is_back_tooth(other.tooth):
        left = 1.0 if side_of(entry.tooth) == "left" else -1.0
        return bool(left * (here[0] - there[0]) < -_JAWS_SWAPPED_MM)
    return False


def _quarter(tooth: int) -> str:
    return f"{jaw_of(tooth)} {side_of(tooth)}"


def _middle_x(scan: Scan) -> float | None:
    """LPS x of the middle of a field that is wide enough to hold the whole arch, else None."""
    last = np.array(scan.shape) - 1
    x = scan.index_to_lps([[k, j, i] for k in (0, last[0]) for j in (0, last[1]) for i in (0, last[2])])[:, 0]
    return float(x.min() + x.max()) / 2 if float(x.max() - x.min()) >= _WIDE_FIELD_MM else None
