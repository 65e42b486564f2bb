"""All figures of a report: which there are, what they are called, what they show in words."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from siteplan.bone.sample import block_spacing, sample_block
from siteplan.errors import GeometryError
from siteplan.findings import Findings, SiteFindings
from siteplan.report import vtk_gateway
from siteplan.report.canvas import Sheet
from siteplan.report.grey_range import CALIBRATED_WORDS, NOT_CALIBRATED_WORDS, grey_range
from siteplan.report.outcome_figures import torque_depth_figure
from siteplan.report.overview_figure import overview_figure, overview_plane, overview_section
from siteplan.report.plane import Section, across_plane, along_plane, block_section, letters
from siteplan.report.profile_figure import profile_figure
from siteplan.report.scene import GreyRange, SiteScene
from siteplan.report.section_figure import View, field_of_view, section_figure
from siteplan.report.solid_figure import solid_figure
from siteplan.report.staging import profile_marks
from siteplan.report.words import millimetres
from siteplan.scan.volume import Scan

_OUTSIDE = "This picture is missing: its plane lies outside the scan."
Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Figure:
    """A drawn figure, or the sentence why there is none.

    Attributes:
        file: name of the PNG. alt: what it shows, for those who cannot see it. png: b"" when missing.
        width_mm, height_mm: printed size.
    """

    file: str
    alt: str
    caption: str = ""
    png: bytes = b""
    width_mm: float = 88.0
    height_mm: float = 0.0
    missing: str = ""

    def entry(self) -> dict[str, Any]:
        """What the document holds of it."""
        return {
            "file": self.file,
            "alt": self.alt,
            "caption": self.caption,
            "missing": self.missing,
            "width_mm": self.width_mm,
            "src": "",
        }


@dataclass(frozen=True)
class SiteFigures:
    """The figures of one site."""

    across: Figure
    along: Figure
    profile: Figure
    solid: Figure
    seating: Figure | None = None

    @property
    def all(self) -> tuple[Figure, ...]:
        """In order of the page."""
        return self.across, self.along, self.profile, self.solid, *((self.seating,) if self.seating else ())


def site_figures(findings: Findings, scan: Scan, site: SiteFindings, scene: SiteScene) -> SiteFigures:
    """Draw the figures of one site."""
    across, along, grey = site_sections(findings, scan, scene)
    tooth = scene.tooth
    voxel = f"voxel {voxel_words(scan)}"
    return SiteFigures(
        _section(across, scene, across_view(scene), grey, voxel, f"site-{tooth}-across.png"),
        _section(along, scene, along_view(), grey, voxel, f"site-{tooth}-along.png"),
        _profile(findings, site, scene.case_words),
        _solid(scan, scene),
        seating_figure(site, scene.case_words),
    )


def site_sections(findings: Findings, scan: Scan, scene: SiteScene) -> tuple[Section | None, Section | None, GreyRange]:
    """The buccolingual and the mesiodistal section of a site and their common grey range; None outside the scan."""
    top, bottom, half = field_of_view(scene)
    both: list[Section | None] = []
    for reaches, plane in (((half, 0.0), across_plane(scene.frame)), ((0.0, half), along_plane(scene.frame))):
        try:
            block = sample_block(
                scan,
                scene.frame,
                depth_range_mm=(top, bottom),
                buccal_reach_mm=reaches[0],
                distal_reach_mm=reaches[1],
                spacing_mm=min(block_spacing(scan), 0.25),
            )
        except GeometryError:
            both.append(None)
            continue
        both.append(block_section(block, plane))
    samples = [section.grey.ravel() for section in both if section is not None]
    return both[0], both[1], grey_range(scan, np.concatenate(samples or [np.empty(0, np.float32)]), _words(findings))


def across_view(scene: SiteScene) -> View:
    """The view across the ridge, called as the jaw's inner side is, and from where it is seen."""
    towards = across_plane(scene.frame).toward
    front = abs(towards[1]) >= abs(towards[0])
    return View(
        "Buccopalatal section" if scene.upper else "Buccolingual section",
        "seen from the front" if front else "seen from the patient's left",
        True,
    )


def along_view() -> View:
    """The mesiodistal view."""
    return View("Mesiodistal section", "seen from the buccal side", False)


def overviews(findings: Findings, scan: Scan, scenes: list[SiteScene]) -> list[Figure]:
    """One axial overview per jaw that has sites, the upper jaw first."""
    out = []
    for upper in (True, False):
        chosen = [scene for scene in scenes if scene.upper is upper]
        if not chosen:
            continue
        jaw = "upper" if upper else "lower"
        teeth = ", ".join(str(scene.tooth) for scene in chosen)
        alt = f"Axial section of the {jaw} jaw seen from the feet, with the planned sites {teeth} marked on the arch."
        plane, half = overview_plane(chosen)
        try:
            section = overview_section(scan, plane, half)
        except GeometryError:
            out.append(Figure(f"overview-{jaw}.png", alt, missing=_OUTSIDE))
            continue
        grey = grey_range(scan, section.grey, _words(findings))
        sheet = overview_figure(section, half, chosen, grey, f"voxel {voxel_words(scan)}")
        out.append(_drawn(f"overview-{jaw}.png", alt, sheet))
    return out


def voxel_words(scan: Scan) -> str:
    """Columns, rows, slices."""
    k, j, i = scan.spacing_kji_mm
    return millimetres((i, j, k))


def _words(findings: Findings) -> str:
    return NOT_CALIBRATED_WORDS if findings.calibration is None else CALIBRATED_WORDS


def _section(section: Section | None, scene: SiteScene, view: View, grey: GreyRange, voxel: str, file: str) -> Figure:
    plane = across_plane(scene.frame) if view.across else along_plane(scene.frame)
    shown = [f"{s.letter}: {s.structure.kind.value.replace('-', ' ')}" for s in scene.structures]
    alt = (
        f"{view.title} of tooth {scene.tooth} along the planned axis, {view.seen_from}. "
        f"Right edge of the picture: {letters(plane.right)}, top: {letters(plane.up)}. "
        f"{'With the fixture. ' if scene.fixture else 'Without a fixture. '}"
        f"{'Structures: ' + '; '.join(shown) + '. ' if shown else ''}The numbers are in the tables."
    )
    if section is None:
        return Figure(file, alt, missing=_OUTSIDE)
    return _drawn(file, alt, section_figure(section, scene, view, grey, (voxel, grey.words)))


def _profile(findings: Findings, site: SiteFindings, case_words: str) -> Figure:
    bone = site.bone
    body = (site.placed.platform_depth_mm, site.placed.apex_depth_mm) if site.placed else None
    words = (
        NOT_CALIBRATED_WORDS.replace(", ", ",\n")
        if findings.calibration is None
        else "grey value\n(calibration: see text)"
    )
    tooth = site.entry.tooth
    whose = f"{tooth} · {case_words}"
    sheet = profile_figure(bone.profile_depth_mm, bone.profile_grey, profile_marks(site), words, body, whose=whose)
    alt = f"Grey value along the planned axis of tooth {tooth} against the depth below the bone entry."
    return _drawn(f"site-{tooth}-profile.png", alt, sheet)


def seating_figure(site: SiteFindings, case_words: str = "") -> Figure | None:
    """Torque against depth as it was read, beside the forecast kept with the record; None without a record."""
    story = site.seating
    if story is None:
        return None
    *earlier, now = story.runs
    plan = story.plan
    sheet = torque_depth_figure(
        plan.forecast_curve,
        now.points,
        plan.ceiling_Ncm,
        plan.loading_Ncm,
        earlier=[run.points for run in earlier],
        planned_mm=plan.apex_mm,
        whose=" · ".join((str(site.entry.tooth), case_words)) if case_words else str(site.entry.tooth),
    )
    tooth = site.entry.tooth
    alt = (
        f"Torque against depth while the fixture of tooth {tooth} was turned in: {len(now.points)} readings of this "
        f"fixture, {sum(len(run.points) for run in earlier)} of earlier tries, beside the forecast. "
        "The numbers are in the list of entries."
    )
    return _drawn(f"site-{tooth}-seating.png", alt, sheet)


def _solid(scan: Scan, scene: SiteScene) -> Figure:
    file = f"site-{scene.tooth}-3d.png"
    alt = f"3D picture of tooth {scene.tooth}: bone seen through, fixture and structures solid. Not for measuring."
    trial = vtk_gateway.trial()
    if not trial.works:
        return Figure(file, alt, missing=trial.why)
    try:
        return _drawn(file, alt, solid_figure(scan, scene))
    except GeometryError:
        return Figure(file, alt, missing=_OUTSIDE)


def _drawn(file: str, alt: str, sheet: Sheet) -> Figure:
    return Figure(file, alt, png=sheet.png(), width_mm=sheet.width_mm, height_mm=sheet.height_mm)
