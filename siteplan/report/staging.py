"""From findings to `SiteScene`s: which lines, marks and outlines the pictures of a site show."""

import string
from dataclasses import replace

import numpy as np

from siteplan.anatomy import Cone, Structure, Tube
from siteplan.bone import BoneFindings
from siteplan.case.tooth import jaw_of
from siteplan.findings import Findings, PlacedFixture, SiteFindings
from siteplan.frame import SiteFrame
from siteplan.placement import Clearance
from siteplan.report.scene import DepthMark, ShownFixture, ShownStructure, SiteScene, WidthTick
from siteplan.report.words import span, with_unit

_NEAR_ASIDE_MM = 10.0
"""A structure this near to the axis is worth enlarging a picture for (own choice)."""
_DEEPEST_MM = 31.0
_NO_BAND = ("buccal-bone", "lingual-bone", "fixture")
"""Kinds of clearance that are no structure, so no margin is drawn around them."""


def scenes_of(findings: Findings, names: dict[str, str] | None = None) -> list[SiteScene]:
    """One scene per site, in the order of the case; `names` maps structure names to those to be shown."""
    letters = structure_letters(findings.structures)
    return [_scene(findings, site, letters, names or {}) for site in findings.sites]


def structure_letters(structures: tuple[Structure, ...]) -> dict[str, str]:
    """A letter for each structure by name, the same on every picture and in every table: a to z, then aa, ab, ..."""
    single = list(string.ascii_lowercase)
    names = single + [first + second for first in single for second in single]
    return {s.name: names[n % len(names)] for n, s in enumerate(structures)}


def _scene(findings: Findings, site: SiteFindings, letters: dict[str, str], names: dict[str, str]) -> SiteScene:
    frame = site.bone.frame
    measured = {c.structure: c for c in site.clearances if c.kind not in _NO_BAND}
    shown = tuple(
        _shown(letters[s.name], replace(s, name=names.get(s.name, s.name)), measured.get(s.name))
        for s in findings.structures
    )
    others = tuple(
        _fixture(other.entry.tooth, other.placed)
        for other in findings.sites
        if other is not site and other.placed is not None
    )
    tips = _tips(site)
    return SiteScene(
        tooth=site.entry.tooth,
        frame=frame,
        upper=jaw_of(site.entry.tooth) == "upper",
        case_words=f"case {findings.case.digest[:12]}",
        fixture=_fixture(site.entry.tooth, site.placed) if site.placed else None,
        others=others,
        structures=shown,
        widths=_widths(site.bone),
        marks=bone_marks(site.bone),
        tips=tips,
        second_cortex_mm=site.bone.second_cortex_depth.value,
        deepest_mm=_deepest(site, frame, findings.structures, tips),
    )


def _shown(letter: str, structure: Structure, clearance: Clearance | None) -> ShownStructure:
    if clearance is None:
        return ShownStructure(letter, structure, None)
    return ShownStructure(letter, structure, clearance.margin.value_mm, clearance.contact)


def _fixture(tooth: int, placed: PlacedFixture) -> ShownFixture:
    fixture = placed.fixture
    return ShownFixture(tooth, placed.pose, fixture.body, fixture.core, fixture.above)


def _widths(bone: BoneFindings) -> tuple[WidthTick, ...]:
    """Widths whose two ends are both known, drawn where they were measured."""
    ticks = []
    levels = bone.levels
    for width, buccal, lingual in zip(levels.ridge_width, levels.buccal_mm, levels.lingual_mm, strict=True):
        if None in (width.value, width.depth_mm, buccal.value, lingual.value):
            continue
        words = [f"width {with_unit(width.value or 0.0, width.unit)}"]
        if width.low is not None and width.high is not None:
            words.append(f"({span(width.low, width.high, 1)})")
        ticks.append(WidthTick(width.depth_mm or 0.0, -(lingual.value or 0.0), buccal.value or 0.0, tuple(words)))
    return tuple(ticks)


def bone_marks(bone: BoneFindings) -> tuple[DepthMark, ...]:
    """Where the axis enters bone, leaves the crestal cortex, and meets the second cortex."""
    marks = []
    if bone.crest_offset.value is not None:
        marks.append(DepthMark(0.0, ("bone begins",)))
        if bone.crestal_cortex.value is not None:
            cortex = bone.crestal_cortex.value
            marks.append(DepthMark(cortex, ("cortex ends", f"at {with_unit(cortex, 'mm')}")))
    if bone.second_cortex_depth.value is not None:
        second = bone.second_cortex_depth.value
        marks.append(DepthMark(second, ("second cortex", f"at {with_unit(second, 'mm')}")))
    return tuple(marks)


def profile_marks(site: SiteFindings) -> tuple[DepthMark, ...]:
    """The marks of the profile: those of the bone, and the fixture's apex."""
    marks = list(bone_marks(site.bone))
    if site.placed is not None:
        apex = site.placed.apex_depth_mm
        marks.append(DepthMark(apex, ("fixture ends", f"at {with_unit(apex, 'mm')}")))
    return tuple(sorted(marks, key=lambda mark: mark.depth_mm))


def _tips(site: SiteFindings) -> tuple[DepthMark, ...]:
    """Depths that drill tips reach below the bone entry; drills that reach the same depth share a mark."""
    if site.placed is None:
        return ()
    at: dict[float, list[str]] = {}
    for step in site.placed.preparation.steps:
        at.setdefault(round(step.tip_below_bone_mm, 2), []).append(f"{step.drill.diameter_mm:g}")
    return tuple(
        DepthMark(depth, (f"tip at {with_unit(depth, 'mm')}", f"drill Ø {', '.join(dict.fromkeys(sizes))}"), "tip")
        for depth, sizes in sorted(at.items())
    )


def _deepest(
    site: SiteFindings, frame: SiteFrame, structures: tuple[Structure, ...], tips: tuple[DepthMark, ...]
) -> float:
    """Depth down to which a picture must reach to show the fixture, the tips and the structures beneath the site."""
    depths = [14.0, *(tip.depth_mm for tip in tips)]
    if site.placed is not None:
        depths.append(site.placed.apex_depth_mm)
    if site.bone.second_cortex_depth.value is not None:
        depths.append(site.bone.second_cortex_depth.value)
    for structure in structures:
        points, reach = _skeleton(structure)
        local = frame.from_lps(points)
        near = (np.hypot(local[:, 1], local[:, 2]) < _NEAR_ASIDE_MM) & (local[:, 0] > 0)
        if near.any():
            depths.append(float(local[near, 0].min()) + 2 * reach)
    return float(min(max(depths), _DEEPEST_MM))


def _skeleton(structure: Structure) -> tuple[np.ndarray, float]:
    shape = structure.shape
    if isinstance(shape, Tube):
        return shape.points_lps_mm, float(shape.radius_mm.max())
    if isinstance(shape, Cone):
        return np.stack([shape.base_lps_mm, shape.tip_lps_mm]), 0.0
    return shape.points_lps_mm, 0.5
