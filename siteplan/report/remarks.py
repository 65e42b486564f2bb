"""What must be said beside a verdict: planned contact, the roof that was measured, the hand, a rim outside bone.

Report, terminal and window say the same sentences; they are made here.
"""

import numpy as np

from siteplan.anatomy.structure import Kind
from siteplan.bone import BoneFindings
from siteplan.findings import SiteFindings
from siteplan.flags import Flag
from siteplan.measures import Measure, distance_words, rounded_down
from siteplan.placement import Clearance
from siteplan.placement.margins import FIXTURE
from siteplan.report.words import NO_BREAK, percent, with_unit

NOTEWORTHY_CHANCE = 0.10
"""The hand's chance of breaking a margin from which it is said beside the verdict (own choice: one in ten)."""
_NEAR_CREST_MM = 1.0
"""A platform no further than this above the bone entry is meant to stand in bone (own choice)."""
_LUMEN_KINDS = frozenset({Kind.CANAL, Kind.MENTAL_FORAMEN, Kind.INCISIVE_CANAL, Kind.LINGUAL_FORAMEN})
_LEAST_DIFFERENCE_MM = 0.01
"""Two distances that print alike need no remark."""


def is_lumen(kind: str) -> bool:
    """Whether distances to this kind count from a drawn lumen, which has a bony wall around it."""
    return kind in _LUMEN_KINDS


def about_words(clearance: Clearance, name: str) -> str:
    """What a distance goes to, as it stands in a summary: a planned contact says that it is one."""
    return f"planned contact with the {name}" if clearance.contact else name


def demand_words(clearance: Clearance) -> str:
    """What is demanded of a distance: its margin, or how far a planned contact may pass."""
    value = clearance.margin.value_mm
    amount = with_unit(value, "mm", 1 if round(value, 1) == round(value, 6) else 2)
    if not clearance.contact:
        return f"margin {amount}"
    return f"may pass {'the floor' if clearance.kind.endswith('floor') else 'it'} by at most {amount}"


def bone_to_roof(bone: BoneFindings, depth_mm: float) -> Measure | None:
    """Bone (mm) on the axis between a depth below the bone entry and the measured canal roof; None without a roof."""
    roof = bone.canal_roof_depth
    if roof.value is None:
        return None
    low, high = (None if x is None else x - depth_mm for x in (roof.low, roof.high))
    return Measure(roof.value - depth_mm, "mm", low, high, "canal roof measured on the axis", roof.flags)


def roof_words(bone: BoneFindings, depth_mm: float, clearances: tuple[Clearance, ...]) -> dict[str, str]:
    """By structure: that the measured roof leaves less bone below `depth_mm` than the distance to the drawn lumen.

    Only for the nearest canal: the axis meets the roof of no other.
    """
    canals = [c for c in clearances if c.kind == Kind.CANAL and c.distance.value is not None]
    left = bone_to_roof(bone, depth_mm)
    if not canals or left is None or left.value is None:
        return {}
    near = min(canals, key=lambda c: c.distance.value or 0.0)
    if left.value > (near.distance.value or 0.0) - _LEAST_DIFFERENCE_MM:
        return {}
    if left.value <= 0:
        words = f"on the axis it ends {with_unit(-rounded_down(left.value), 'mm', 2)} below the measured canal roof"
    else:
        words = f"{spaced(left)} of bone to the canal roof measured on the axis"
        if near.verdict.good and left.value < near.margin.value_mm:
            words += ", less than the margin"
    return {near.structure: words}


def site_roof_words(site: SiteFindings) -> dict[str, str]:
    """`roof_words` for the fixture's apex."""
    if site.placed is None:
        return {}
    return roof_words(site.bone, site.placed.apex_depth_mm, site.placed.clearances)


def spaced(measure: Measure) -> str:
    """A distance safely rounded, with spaces at which no line breaks between number and unit."""
    return distance_words(measure).replace(f" {measure.unit}", f"{NO_BREAK}{measure.unit}", 1).replace("-", "−")


def hand_words(site: SiteFindings) -> str:
    """The greatest chance that the hand breaks a margin, and how many others are as noteworthy; "" for none."""
    found = []
    for clearance in site.headline_clearances:
        risk = site.risk_of(clearance)
        if risk is not None and risk.breach.value > NOTEWORTHY_CHANCE:
            found.append((risk.breach.value, clearance))
    if not found:
        return ""
    chance, worst = max(found, key=lambda pair: pair[0])
    others = f" ({len(found) - 1} more above {percent(NOTEWORTHY_CHANCE)})" if found[1:] else ""
    what = "passing the limit of planned contact with" if worst.contact else "breaking the margin to"
    both = ", where both fixtures deviate" if worst.kind == FIXTURE else ""
    return f"{site.guidance.words}: {percent(chance)} chance of {what} {worst.structure}{both}{others}"


_NOT_DRAWN = {
    "no-canal-drawn": "the mandibular canal is not drawn: no distance to it was checked",
    "no-sinus-floor-drawn": "the sinus floor is not drawn: no distance to it was checked",
    "canal-stops-short": "the canal beside this site is not drawn: its distance is to the loose end of the drawn part",
    "canal-hardly-seen": "the canal beside this site was hardly seen and may lie elsewhere",
}


def not_drawn_words(site: SiteFindings) -> list[str]:
    """What a verdict does not hold for, because it is not drawn beside this site or was hardly seen there."""
    return [_NOT_DRAWN[found.code] for found in site.scan_findings if found.code in _NOT_DRAWN]


def not_confirmed_words(site: SiteFindings) -> str:
    """Which structures a verdict rests on that the program found and no person has confirmed; "" where none."""
    names = [c.structure for c in site.headline_clearances if Flag.NOT_CONFIRMED in c.distance.flags]
    return f"{', '.join(names)}: found by the program and not confirmed by a person yet" if names else ""


def rim_words(site: SiteFindings) -> str:
    """That the bone at the platform is narrower than the fixture there, or was not measured; "" where it suffices.

    Cover of bone is judged from 1 mm below the crest on, so this is the only place where a rim beside a sharp crest
    is told.
    """
    placed = site.placed
    level = next((x for x in placed.levels if x.name == "platform"), None) if placed else None
    if placed is None or level is None or level.depth_mm < -_NEAR_CREST_MM:
        return ""
    body = placed.fixture.body
    wide = 2 * float(np.interp(max(0.0, float(body.z_mm[0])), body.z_mm, body.r_mm))
    ridge = level.ridge_width.value
    if ridge is None:
        return (
            "The ridge width at the platform was not measured: whether its whole rim lies in bone is not known. "
            "Bone cover is judged from 1 mm below the crest on."
        )
    if ridge >= wide:
        return ""
    return (
        f"Part of the rim lies outside bone at the platform: the ridge is {with_unit(rounded_down(ridge, 1), 'mm')} "
        f"wide there, the fixture {with_unit(wide, 'mm')}. Bone cover is judged from 1 mm below the crest on."
    )


def _roof_matters(site: SiteFindings, clearance: Clearance, roofs: dict[str, str]) -> bool:
    """Whether the measured roof leaves less than the margin; a roof far away is left to the site's own page."""
    if clearance.structure not in roofs or site.placed is None:
        return False
    left = bone_to_roof(site.bone, site.placed.apex_depth_mm)
    return left is not None and left.value is not None and left.value < clearance.margin.value_mm


def beside_verdict(site: SiteFindings, decider: Clearance | None) -> list[str]:
    """Lines that stand under a site's verdict wherever it is summed up: what it does not hold for, contacts, a nearer
    roof, the hand."""
    lines = [*not_drawn_words(site), not_confirmed_words(site)]
    lines += [
        f"{about_words(c, c.structure)}: {spaced(c.distance)}, {demand_words(c)}"
        for c in site.headline_clearances
        if c.contact and c is not decider
    ]
    roofs = site_roof_words(site)
    lines += [f"{c.structure}: {roofs[c.structure]}" for c in site.clearances if _roof_matters(site, c, roofs)]
    return [line for line in (*lines, hand_words(site)) if line]
