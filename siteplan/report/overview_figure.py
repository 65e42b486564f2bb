"""Axial overview of one jaw: all its sites on the arch."""

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from siteplan.bone.sample import block_spacing, sample_block
from siteplan.frame import SiteFrame
from siteplan.report import palette
from siteplan.report.canvas import Sheet, letter, stroke
from siteplan.report.cuts import cut_shape, cut_solid
from siteplan.report.plane import Plane, Section, flat_plane
from siteplan.report.scene import GreyRange, SiteScene
from siteplan.report.section_figure import draw_grey, scale_bar
from siteplan.scan.volume import Scan

SIDE_MM = 86.0
_EDGE_MM = 5.0
_BELOW_CREST_MM = 4.0
"""The picture lies this far below the mean bone entry: deep enough to cut bone at every site of an even ridge."""
_FIELD_MM = (40.0, 90.0)
"""Least and greatest width of the field: a quadrant, and the widest arch with its surroundings (own choice)."""
_ROOM_MM = 12.0


def overview_plane(scenes: list[SiteScene]) -> tuple[Plane, float]:
    """The axial plane through the middle of the sites, and the half width (mm) of the field."""
    points = np.stack([scene.frame.to_lps(_BELOW_CREST_MM, 0, 0) for scene in scenes])
    low, high = points.min(axis=0), points.max(axis=0)
    half = float(np.clip((high - low)[:2].max() / 2 + _ROOM_MM, _FIELD_MM[0] / 2, _FIELD_MM[1] / 2))
    centre = (low + high) / 2
    centre[2] = float(points[:, 2].mean())
    return flat_plane(centre), half


def overview_section(scan: Scan, plane: Plane, half_mm: float) -> Section:
    """Grey values in the plane, resampled as every site block is."""
    frame = SiteFrame(plane.origin_lps_mm, plane.toward, plane.right, plane.up)
    spacing = max(block_spacing(scan), half_mm / 250)
    block = sample_block(
        scan,
        frame,
        depth_range_mm=(0.0, spacing),
        buccal_reach_mm=half_mm,
        distal_reach_mm=half_mm,
        spacing_mm=spacing,
    )
    return Section(plane, block.values[0].T, block.buccal_mm, block.distal_mm)


def overview_figure(section: Section, half_mm: float, scenes: list[SiteScene], grey: GreyRange, voxel: str) -> Sheet:
    """Draw the overview: fixtures as cut by the plane, the axis of each site, structures, orientation, scale."""
    scale = SIDE_MM / (2 * half_mm)
    foot = 4.0
    sheet = Sheet(SIDE_MM + 10, SIDE_MM + foot + 4.0 + 2 * _EDGE_MM + 6)
    at = (5.0, foot + 4.0 + _EDGE_MM, SIDE_MM, SIDE_MM)
    bounds = (-half_mm, half_mm, -half_mm, half_mm)
    axes = sheet.panel(at, bounds, ground=palette.HALO)
    draw_grey(axes, section, grey)
    for shown in scenes[0].structures:
        line = palette.LINE_OF_KIND[shown.structure.kind.value]
        outlines = cut_shape(shown.structure.shape, section.plane, bounds)
        for outline in outlines:
            stroke(axes, outline, line, zorder=3)
        if outlines:
            place = np.concatenate(outlines).mean(axis=0)
            letter(axes, place[0], place[1], shown.letter, color=line.colour, size=8, weight="bold", zorder=6)
    for scene in scenes:
        _site(axes, section.plane, scene, bounds, scale)
    jaw = "Upper jaw" if scenes[0].upper else "Lower jaw"
    top = at[1] + SIDE_MM
    sheet.text(at[0], top + _EDGE_MM + 1, f"{jaw}, axial section", size=8, weight="bold")
    sheet.text(at[0] + SIDE_MM, top + _EDGE_MM + 1, "seen from the feet", ha="right", color=palette.QUIET)
    for x, y, words, turn in (
        (at[0] + SIDE_MM / 2, top + 1.3, "front · A", 0),
        (at[0] + SIDE_MM / 2, at[1] - 3.2, "back · P", 0),
        (at[0] - 2.2, at[1] + SIDE_MM / 2, "patient's right · R", 90),
        (at[0] + SIDE_MM + 2.2, at[1] + SIDE_MM / 2, "patient's left · L", 270),
    ):
        sheet.text(x, y, words, size=7, weight="bold", color=palette.ACCENT, ha="center",
                   va="center" if turn else "baseline", rotation=turn)  # fmt: skip
    scale_bar(sheet, (at[0], foot), scale, voxel)
    sheet.text(at[0], 0.9, grey.words, size=6, color=palette.QUIET)
    return sheet


def _site(axes: Axes, plane: Plane, scene: SiteScene, bounds: tuple[float, float, float, float], scale: float) -> None:
    """The fixture's cut, or a ring where the axis passes when there is no cut; the tooth number beside it."""
    place = _pierced(plane, scene.frame)
    outlines = cut_solid(scene.fixture.body, scene.fixture.pose, plane, bounds) if scene.fixture else []
    for outline in outlines:
        stroke(axes, outline, palette.FIXTURE_BODY, zorder=4)
    if not outlines:
        turn = np.linspace(0, 2 * np.pi, 41)
        ring = place + 1.2 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        stroke(axes, ring, palette.Line(palette.FIXTURE, palette.Dash.DOT, 0.9, ""), zorder=4)
    cross = 4.0 / scale / 4
    for step in (np.array([cross, 0.0]), np.array([0.0, cross])):
        stroke(
            axes,
            np.stack([place - step, place + step]),
            palette.Line(palette.FIXTURE, palette.Dash.SOLID, 0.6, ""),
        )
    way = plane.from_lps(plane.origin_lps_mm + scene.frame.buccal)[:2]
    way = way / max(float(np.linalg.norm(way)), 1e-6)
    words = place + way * (3.0 + 9.0 / scale)
    edge = 4.0 / scale
    u = float(np.clip(words[0], bounds[0] + edge, bounds[1] - edge))
    v = float(np.clip(words[1], bounds[2] + edge, bounds[3] - edge))
    stroke(axes, np.array([place + way * 2.4, (u - way[0] * 4.5 / scale, v - way[1] * 4.5 / scale)]),
           palette.Line("#ffffff", palette.Dash.SOLID, 0.5, ""), zorder=5)  # fmt: skip
    letter(axes, u, v, str(scene.tooth), size=10, weight="bold", color=palette.FIXTURE, zorder=6)


def _pierced(plane: Plane, frame: SiteFrame) -> NDArray[np.float64]:
    """(2,) where the site's axis meets the plane; the bone entry's own place when they run side by side."""
    start, way = plane.from_lps(frame.origin_lps_mm), plane.from_lps(plane.origin_lps_mm + frame.axis)
    if abs(way[2]) < 0.2:
        return np.asarray(start[:2])
    return np.asarray(start[:2] - way[:2] * start[2] / way[2])
