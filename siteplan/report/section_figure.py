"""The two pictures along a site's axis: buccolingual and mesiodistal section, with everything planned and measured."""

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from siteplan.fixture.solid import Solid
from siteplan.report import legend, palette
from siteplan.report.canvas import Sheet, letter, spread_out, stroke
from siteplan.report.cuts import Bounds, cut_shape, cut_solid
from siteplan.report.plane import Section, letters
from siteplan.report.scene import DepthMark, GreyRange, ShownFixture, SiteScene, WidthTick

WIDTH_MM = 88.0
"""Two of these and a gutter fill the text width of A4 and Letter."""
_RULER_MM, _IMAGE_MM, _LANE_MM = 10.0, 57.0, 21.0
_EDGE_MM = 5.0
"""Strips above and below the image for its orientation words."""
_MOST_MAGNIFIED = 2.5
"""Printed millimetres per patient millimetre, at most."""
_TALLEST_MM = 64.0
_BAR_ROW_MM = 4.0
_BAR_MM = 10.0
"""Length of the scale bar in the patient."""


@dataclass(frozen=True, slots=True)
class View:
    """Which of the two sections, and what its sides are called."""

    title: str
    seen_from: str
    across: bool


def field_of_view(scene: SiteScene) -> tuple[float, float, float]:
    """Top and bottom depth, and half width (mm) that a section's picture covers."""
    top, bottom = -7.0, float(np.clip(scene.deepest_mm + 3.0, 16.0, 34.0))
    return top, bottom, _IMAGE_MM / magnification(top, bottom) / 2


def magnification(top_mm: float, bottom_mm: float) -> float:
    """Printed millimetres per patient millimetre."""
    return min(_MOST_MAGNIFIED, _TALLEST_MM / (bottom_mm - top_mm))


def section_figure(section: Section, scene: SiteScene, view: View, grey: GreyRange, notes: tuple[str, ...]) -> Sheet:
    """Draw one section on its own sheet; see `panel_of` to find places on it.

    Args:
        notes: the first stands beside the scale bar, the others under the legend.
    """
    return _compose(section, scene, view, grey, notes)[0]


def panel_of(
    section: Section, scene: SiteScene, view: View, grey: GreyRange, notes: tuple[str, ...] = ()
) -> tuple[Sheet, Axes]:
    """The sheet and the axes whose coordinates are the section's u and v in mm."""
    return _compose(section, scene, view, grey, notes)


def _compose(
    section: Section, scene: SiteScene, view: View, grey: GreyRange, notes: tuple[str, ...]
) -> tuple[Sheet, Axes]:
    top, bottom, half = field_of_view(scene)
    scale = magnification(top, bottom)
    tall = (bottom - top) * scale
    down = -float(np.sign(section.plane.up @ scene.frame.axis))
    voxel_words, *more = notes or ("",)
    rows = legend.rows_for(section.plane, scene, half, tuple(more))
    foot = legend.height_mm(rows)
    sheet = Sheet(WIDTH_MM, foot + _BAR_ROW_MM + tall + 2 * _EDGE_MM + 3.8)
    edges = sorted((-down * top, -down * bottom))
    bounds: Bounds = (-half, half, edges[0], edges[1])
    image_at = (_RULER_MM, foot + _BAR_ROW_MM + _EDGE_MM, _IMAGE_MM, tall)
    axes = sheet.panel(image_at, bounds, ground=palette.HALO)
    draw_grey(axes, section, grey)
    draw_structures(axes, section, scene, bounds)
    draw_fixtures(axes, section, scene, bounds)
    _draw_axis(axes, scene, down, bounds)
    scale_bar(sheet, (_RULER_MM, foot), scale, voxel_words)
    _words_around(sheet, section, scene, view, image_at)
    _ruler(sheet, image_at, bounds, down)
    ticks = scene.widths if view.across else scene.distal_widths
    sideways = section.plane.right @ (scene.frame.buccal if view.across else scene.frame.distal)
    _lane(sheet, axes, (ticks, scene.marks if view.across else scene.tips), float(np.sign(sideways)), down, bounds)
    legend.draw(sheet, rows, (_RULER_MM, foot))
    return sheet, axes


def draw_grey(axes: Axes, section: Section, grey: GreyRange) -> None:
    """The grey picture; what lies outside the scan is hatched, never filled."""
    left, right, bottom, top = section.extent_mm
    shown = np.ma.masked_invalid(section.grey)
    limits = axes.get_xlim(), axes.get_ylim()
    if np.ma.is_masked(shown):
        axes.patch.set_hatch("////")
        axes.patch.set_edgecolor("#4a555c")
        axes.patch.set_facecolor("#20282d")
    axes.imshow(
        shown,
        extent=(left, right, bottom, top),
        origin="lower",
        cmap="gray",
        vmin=grey.low,
        vmax=grey.high,
        interpolation="bilinear",
        aspect="auto",
        zorder=0,
    )
    axes.set_xlim(limits[0])
    axes.set_ylim(limits[1])


def draw_structures(axes: Axes, section: Section, scene: SiteScene, bounds: Bounds) -> None:
    """Exact cuts of the structures, their margin as a fine line with a light band, their letter beside them."""
    for shown in scene.structures:
        line = palette.LINE_OF_KIND[shown.structure.kind.value]
        outlines = cut_shape(shown.structure.shape, section.plane, bounds)
        for outline in outlines:
            stroke(axes, outline, line, zorder=3)
        margin = cut_shape(shown.structure.shape, section.plane, bounds, shown.line_mm) if shown.margin_mm else []
        for outline in margin:
            stroke(axes, outline, legend.margin_line(line), zorder=2.5, alpha=0.9)
        if outlines:
            _tag(axes, np.concatenate(outlines), shown.letter, line.colour, bounds)


def _tag(axes: Axes, points: np.ndarray, words: str, colour: str, bounds: Bounds) -> None:
    left, right, bottom, top = bounds
    inset = 1.3
    inside = points[
        (points[:, 0] > left + inset)
        & (points[:, 0] < right - inset)
        & (points[:, 1] > bottom + inset)
        & (points[:, 1] < top - inset)
    ]
    if len(inside):
        u, v = inside[np.argmax(inside[:, 0])]
        letter(axes, min(u + 1.0, right - 0.9), v, words, color=colour, size=8, weight="bold", zorder=6)


def draw_fixtures(axes: Axes, section: Section, scene: SiteScene, bounds: Bounds) -> None:
    """Body, core and abutment of the site's fixture; other sites' fixtures where the plane meets them."""
    own = (scene.fixture,) if scene.fixture is not None else ()
    for fixture in (*own, *scene.others):
        for solid, line in _parts(fixture):
            for outline in cut_solid(solid, fixture.pose, section.plane, bounds):
                stroke(axes, outline, line, zorder=4)
        if fixture is not scene.fixture:
            cuts = cut_solid(fixture.body, fixture.pose, section.plane, bounds)
            if cuts:
                _tag(axes, np.concatenate(cuts), str(fixture.tooth), palette.FIXTURE, bounds)


def _parts(fixture: ShownFixture) -> list[tuple[Solid, palette.Line]]:
    pairs = ((fixture.body, palette.FIXTURE_BODY), (fixture.core, palette.FIXTURE_CORE))
    parts = [(solid, line) for solid, line in pairs if solid is not None]
    if fixture.above is not None:
        parts.append((fixture.above, palette.FIXTURE_BODY))
    return parts


def _draw_axis(axes: Axes, scene: SiteScene, down: float, bounds: Bounds) -> None:
    stroke(axes, np.array([[0.0, bounds[2]], [0.0, bounds[3]]]), palette.AXIS, zorder=2)
    for mark in scene.marks:
        v = -down * mark.depth_mm
        if mark.shape == "bar":
            line = palette.Line(palette.MEASURE, palette.Dash.SOLID, 1.0, "")
            stroke(axes, np.array([[-0.9, v], [0.9, v]]), line, zorder=5)


def scale_bar(sheet: Sheet, at_mm: tuple[float, float], scale: float, beside: str) -> None:
    """A bar of exactly ten patient millimetres with a tick at each, under the image so that it hides nothing."""
    left, bottom = at_mm
    strip = sheet.panel((left, bottom, sheet.width_mm - left, _BAR_ROW_MM), (0, sheet.width_mm - left, 0, _BAR_ROW_MM))
    for step in range(int(_BAR_MM)):
        strip.fill_between([step * scale, (step + 1) * scale], 1.6, 2.7, linewidth=0.4, edgecolor=palette.INK,
                           facecolor=palette.INK if step % 2 == 0 else palette.PAPER)  # fmt: skip
    strip.text(_BAR_MM * scale + 1.5, 2.1, f"{_BAR_MM:.0f} mm   {beside}", size=6.5, va="center", parse_math=False,
               color=palette.INK)  # fmt: skip


def _words_around(
    sheet: Sheet, section: Section, scene: SiteScene, view: View, at: tuple[float, float, float, float]
) -> None:
    left, bottom, wide, tall = at
    plane = section.plane
    middle = left + wide / 2
    sheet.text(left, bottom + tall + _EDGE_MM + 0.6, f"{scene.tooth} · {view.title}", size=8, weight="bold")
    sheet.text(
        WIDTH_MM - 1.0, bottom + tall + _EDGE_MM + 0.6, view.seen_from, size=6.5, ha="right", color=palette.QUIET
    )
    sheet.text(WIDTH_MM - 1.0, bottom + tall + 1.3, scene.case_words, size=5.5, ha="right", color=palette.QUIET)
    up = "apical" if plane.up @ scene.frame.axis > 0 else "coronal"
    down = "coronal" if up == "apical" else "apical"
    inner = (scene.inner_side, "buccal") if view.across else ("mesial", "distal")
    reach = plane.right @ (scene.frame.buccal if view.across else scene.frame.distal)
    sides = inner if reach > 0 else inner[::-1]
    for x, y, words, way, align in (
        (middle, bottom + tall + 1.3, up, plane.up, "center"),
        (middle, bottom - 3.2, down, -plane.up, "center"),
        (left, bottom - 3.2, sides[0], -plane.right, "left"),
        (left + wide, bottom - 3.2, sides[1], plane.right, "right"),
    ):
        sheet.text(x, y, f"{words} · {letters(way)}", size=7, weight="bold", color=palette.ACCENT, ha=align)


def _ruler(sheet: Sheet, at: tuple[float, float, float, float], bounds: Bounds, down: float) -> None:
    left, bottom, _, tall = at
    lane = sheet.panel((0, bottom, left, tall), (0, left, bounds[2], bounds[3]))
    for depth in range(-30, 60):
        v = -down * depth
        if not bounds[2] <= v <= bounds[3]:
            continue
        long = depth % 5 == 0
        lane.plot([left - (2.2 if long else 1.0), left - 0.3], [v, v], color=palette.ACCENT, linewidth=0.5)
        if long and min(v - bounds[2], bounds[3] - v) > 0.4:
            lane.text(left - 2.8, v, f"{depth:d}".replace("-", "−"), size=6, ha="right", va="center",
                      color=palette.ACCENT)  # fmt: skip
    sheet.text(0.2, bottom + tall / 2, "depth below bone, mm", size=6, rotation=90, va="center", color=palette.ACCENT)


def _lane(
    sheet: Sheet,
    axes: Axes,
    shown: tuple[tuple[WidthTick, ...], tuple[DepthMark, ...]],
    sideways: float,
    down: float,
    bounds: Bounds,
) -> None:
    """Labels to the right of the image, each joined to its place by a thin line, none over another."""
    ticks, marks = shown
    line = palette.Line(palette.MEASURE, palette.Dash.SOLID, 0.9, "")
    entries: list[tuple[float, float, tuple[str, ...], str]] = []
    for tick in ticks:
        v = -down * tick.depth_mm
        ends = sorted((sideways * tick.low_mm, sideways * tick.high_mm))
        stroke(axes, np.array([[ends[0], v], [ends[1], v]]), line, zorder=5)
        for end in ends:
            stroke(axes, np.array([[end, v - 0.45], [end, v + 0.45]]), line, zorder=5)
        entries.append((v, ends[1], tick.words, palette.INK))
    for mark in marks:
        v = -down * mark.depth_mm
        if mark.shape == "tip":
            axes.plot([0.0], [v], marker=7 if down > 0 else 6, markersize=4.5, color="#ffffff",
                      markeredgecolor=palette.HALO, markeredgewidth=0.6, zorder=6)  # fmt: skip
        entries.append((v, 0.6, mark.words, palette.ACCENT))
    entries = [entry for entry in entries if bounds[2] < entry[0] < bounds[3]]
    scale = _IMAGE_MM / (bounds[1] - bounds[0])
    at = spread_out([v for v, *_ in entries], 5.4 / scale, bounds[2] + 2.2 / scale, bounds[3] - 2.2 / scale)
    left = _RULER_MM + _IMAGE_MM
    box = axes.get_position()
    bottom, tall = box.y0 * sheet.height_mm, box.height * sheet.height_mm
    lane = sheet.panel((left, bottom, _LANE_MM, tall), (0, _LANE_MM, bounds[2], bounds[3]))
    for (v, u, words, colour), place in zip(entries, at, strict=True):
        axes.plot([u, bounds[1]], [v, v], color="#ffffff", linewidth=0.35, alpha=0.7, zorder=2)
        lane.plot([0, 1.4, 2.6], [v, v, place], color=palette.QUIET, linewidth=0.4)
        lane.text(3.1, place, "\n".join(words), size=6, va="center", color=colour, linespacing=1.15, parse_math=False)
