"""What is drawn over a section: structures, margins, the fixture, bone lines, letters, scale. One function per
layer."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from siteplan.frame import SiteFrame, Vector
from siteplan.measures import Measure, rounded_outwards, thinner_words
from siteplan.report import palette
from siteplan.report.palette import Dash, Line
from siteplan.report.plane import Plane, letters
from viewer.labels import Labels
from viewer.paint import Glass, fill, stroke, verdict_mark, word_box, words
from viewer.pictures import Cut, CutStructure, FixtureOutlines
from viewer.texts import say

_NEAR_MM = 0.6
"""A measured line or place within this of the plane is drawn in it."""
BONE = Line(palette.MEASURE, Dash.DOT, 1.0, "bone edge")
TICK = Line(palette.MEASURE, Dash.SOLID, 1.2, "ridge width")
ABOVE_MM, BELOW_MM = 9.0, 5.0
"""How far the line of a fixture's axis goes on beyond its platform and its tip."""
LENGTHS_MM = (1.0, 2.0, 5.0, 10.0, 20.0)
PALE = "#dfe7ea"


@dataclass(frozen=True, eq=False)
class BoneLines:
    """Measured bone for drawing, in the frame of the measurement."""

    frame: SiteFrame
    depth_mm: NDArray[np.float64]
    buccal_edge_mm: NDArray[np.float64]
    lingual_edge_mm: NDArray[np.float64]
    ticks: tuple[tuple[float, float, float, str], ...]
    quick: bool


@dataclass(frozen=True, eq=False)
class Leader:
    """The place of a least distance with its words and verdict."""

    at_lps_mm: NDArray[np.float64]
    text: str
    mark: palette.Mark
    quick: bool


def measure_words(measure: Measure, *, decimals: int = 1, interval: bool = True) -> str:
    """A number as a person reads it: sign, unit, interval; a dash and no number where there is none."""
    if measure.value is None:
        return say("number.absent")
    thinner = thinner_words(measure)
    if thinner is not None:  # its likeliest value alone would read as if the scan had told it
        return thinner
    unit = say(f"unit.{measure.unit.replace('.', '_')}")
    if measure.unit in {"grey", "HU"}:
        decimals = 0
    text = _fixed(measure.value, decimals)
    if interval and measure.low is not None and measure.high is not None:
        outwards = rounded_outwards(measure.low, measure.high, decimals)
        low, high = ("" if x is None else _fixed(x, decimals) for x in outwards)
        return say("number.with-interval", value=text, unit=unit, low=low, high=high)
    return say("number.plain", value=text, unit=unit)


def _fixed(value: float, decimals: int) -> str:
    """A number with its decimals and a true minus sign; what rounds to nothing has no sign."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−")


def draw_structures(painter: QPainter, glass: Glass, cut: Cut, px: float) -> list[QRectF]:
    """Margin bands first, then the structures, then their names. Returns where the names stand."""
    for shown in cut.structures:
        line = palette.LINE_OF_KIND[shown.structure.kind.value]
        if shown.margin_outlines:
            if (shown.margin_mm or 0.0) > 0:  # behind a planned contact there is no ground to keep free
                fill(painter, glass, shown.margin_outlines, line.colour, 0.13)
            fine = Line(line.colour, Dash.FINE, 0.8, "")
            stroke(painter, glass, shown.margin_outlines, fine, width_px=1.0 * px, alpha=0.8)
    for shown in cut.structures:
        if shown.outlines:
            stroke(painter, glass, shown.outlines, line_of(shown), width_px=(1.2 if shown.doubtful else 2.0) * px)
    names = []
    for shown in cut.structures:
        if shown.outlines:
            names += _name(painter, glass, shown)
            if shown.found_only:
                _ask_mark(painter, glass, shown)
    return names


def line_of(shown: CutStructure) -> Line:
    """The line of a structure; one that nobody has confirmed is dotted, whatever its kind."""
    line = palette.LINE_OF_KIND[shown.structure.kind.value]
    return Line(line.colour, Dash.FINE, line.width_pt, line.words) if shown.found_only else line


def _ask_mark(painter: QPainter, glass: Glass, shown: CutStructure) -> None:
    """A question mark on what waits for a person."""
    points = np.concatenate(shown.outlines)
    u, v = points[int(np.argmin(points[:, 0]))]
    colour = palette.LINE_OF_KIND[shown.structure.kind.value].colour
    at = glass.to_px(float(u), float(v)) - QPointF(6, 0)
    words(painter, at, say("picture.ask"), colour, share=1.3, bold=True, align=Qt.AlignmentFlag.AlignRight)


def _name(painter: QPainter, glass: Glass, shown: CutStructure) -> list[QRectF]:
    points = np.concatenate(shown.outlines)
    u, v = points[int(np.argmax(points[:, 0] - 0.2 * points[:, 1]))]
    at = glass.to_px(float(u), float(v)) + QPointF(8, 0)
    colour = palette.LINE_OF_KIND[shown.structure.kind.value].colour
    text = shown.structure.name
    if shown.proposed:
        text = say("picture.proposed", name=text)
    elif shown.found_only:
        text = say("picture.found-only", name=text)
    if shown.doubtful:
        text = say("picture.doubtful", name=text)
    if 0 < at.y() < glass.height and at.x() < glass.width - 30:
        return [words(painter, at, text, colour, share=0.9)]
    return []


def draw_fixture(painter: QPainter, glass: Glass, shown: FixtureOutlines, px: float, *, own: bool) -> None:
    """Body, core and the part above; another site's fixture is thin and named by its tooth."""
    weight = 2.2 if own else 1.1
    stroke(painter, glass, shown.above, palette.FIXTURE_BODY, width_px=weight * 0.7 * px, alpha=0.85)
    stroke(painter, glass, shown.core, palette.FIXTURE_CORE, width_px=0.9 * px, alpha=0.9 if own else 0.5)
    stroke(painter, glass, shown.body, palette.FIXTURE_BODY, width_px=weight * px)
    if not own and shown.body:
        points = np.concatenate(shown.body)
        middle = points.mean(axis=0)
        words(painter, glass.to_px(*middle), str(shown.tooth), palette.FIXTURE, bold=True)


def draw_axis(
    painter: QPainter, glass: Glass, plane: Plane, ends: tuple[Vector, Vector], reach_mm: float, px: float
) -> None:
    """The fixture's axis, a little longer than the fixture on both sides, as far as it keeps within reach of the plane:
    drawn where the fixture is not, it would look like a fixture that is."""
    a, b = (plane.from_lps(end) for end in ends)
    along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    line = np.linspace(a - ABOVE_MM * along, b + BELOW_MM * along, 50)
    line = line[np.abs(line[:, 2]) <= reach_mm, :2]
    if len(line) > 1:
        stroke(painter, glass, (line[[0, -1]],), palette.AXIS, width_px=0.9 * px, alpha=0.8)


def draw_handle(painter: QPainter, at: QPointF, kind: str, px: float, hot: bool) -> None:
    """Where a hand takes hold: a square at the platform, a diamond at the tip."""
    size = (7.0 if hot else 5.5) * px
    painter.setPen(QPen(QColor(palette.HALO), 2.0))
    painter.setBrush(QColor("#ffffff") if hot else QColor(palette.FIXTURE))
    painter.save()
    painter.translate(at)
    if kind == "tip":
        painter.rotate(45)
    painter.drawRect(QRectF(-size, -size, 2 * size, 2 * size))
    painter.restore()


def draw_ring(painter: QPainter, at: QPointF, px: float, hot: bool) -> None:
    """Where a hand takes hold of a canal's middle line: a ring, so that it is no handle of the fixture."""
    painter.setBrush(Qt.BrushStyle.NoBrush)
    size = (7.0 if hot else 5.0) * px
    for pen in (QPen(QColor(palette.HALO), 4 * px), QPen(QColor("#ffffff"), 1.8 * px)):
        painter.setPen(pen)
        painter.drawEllipse(at, size, size)


def draw_bone(painter: QPainter, glass: Glass, bone: BoneLines, plane: Plane, px: float) -> list[QRectF]:
    """Measured outer surfaces as dotted lines, ridge widths as ticks with their number; quick ones are paler.

    Returns where the numbers stand. In a small picture a number that would cover the one above is left out.
    """
    taken: list[QRectF] = []
    alpha = 0.55 if bone.quick else 0.95
    for edge in (bone.buccal_edge_mm, bone.lingual_edge_mm):
        for run in _runs(edge):
            points = plane.from_lps(bone.frame.to_lps(bone.depth_mm[run], edge[run], 0.0))
            if len(points) > 1 and np.abs(points[:, 2]).max() < _NEAR_MM:
                stroke(painter, glass, (points[:, :2],), BONE, width_px=1.4 * px, alpha=alpha)
    for depth, low, high, text in bone.ticks:
        ends = plane.from_lps(bone.frame.to_lps(depth, np.array([low, high]), 0.0))
        if np.abs(ends[:, 2]).max() > _NEAR_MM:
            continue
        a, b = glass.to_px(*ends[0, :2]), glass.to_px(*ends[1, :2])
        painter.setPen(QPen(QColor(palette.HALO), 3 * px))
        painter.drawLine(a, b)
        colour = QColor(TICK.colour)
        colour.setAlphaF(alpha)
        painter.setPen(QPen(colour, 1.1 * px))
        painter.drawLine(a, b)
        right = a if a.x() > b.x() else b
        at, left = right + QPointF(7, 0), Qt.AlignmentFlag.AlignLeft
        box = word_box(painter, at, text, share=0.85, align=left).adjusted(0, 2, 0, -2)
        if not any(box.intersects(other) for other in taken):
            words(painter, at, text, TICK.colour, share=0.85)
            taken.append(box)
    return taken


def _runs(edge: NDArray[np.float64]) -> list[slice]:
    """Unbroken stretches of a line that has gaps (NaN)."""
    known = np.flatnonzero(np.isfinite(edge))
    if len(known) == 0:
        return []
    breaks = np.flatnonzero(np.diff(known) > 1)
    starts, stops = np.r_[known[0], known[breaks + 1]], np.r_[known[breaks], known[-1]]
    return [slice(int(a), int(b) + 1) for a, b in zip(starts, stops, strict=True)]


def draw_leader(labels: Labels, glass: Glass, leader: Leader, plane: Plane, tip_px: QPointF, px: float) -> None:
    """The tightest place: a ring where it is and its number beside it."""
    painter = labels.painter
    u, v, height = plane.from_lps(leader.at_lps_mm)
    at = glass.to_px(float(u), float(v))
    inside = QRectF(0, 0, glass.width, glass.height).contains(at)
    if abs(height) < 3.0 and inside:
        painter.setPen(QPen(QColor(palette.HALO), 4 * px))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawEllipse(at, 5 * px, 5 * px)
        painter.setPen(QPen(QColor("#ffffff"), 1.6 * px))
        painter.drawEllipse(at, 5 * px, 5 * px)
    # The words lie under the tip; where they are too long for one line the verdict takes a second one.
    size = 13 * px
    room = glass.width - 2 * size - 40
    whole = QFontMetricsF(painter.font(), painter.device()).horizontalAdvance(leader.text) * 1.15
    head, colon, tail = leader.text.rpartition(": ")
    lines = [leader.text] if whole < room or not colon else [head + colon.rstrip(), tail]
    bold, x = not leader.quick, max(size + 20.0, min(tip_px.x() + 42 * px, glass.width - min(whole, room) - 24))
    start = tip_px.y() + 16 * px
    for shift in sorted(range(-8, 9), key=abs):
        places = [QPointF(x, start + (shift + number) * labels.row) for number in range(len(lines))]
        if all(labels.free(at, line, bold=bold) for at, line in zip(places, lines, strict=True)):
            break
    else:
        return  # a picture too small for them: card and answer say the same
    for number, (at, line) in enumerate(zip(places, lines, strict=True)):
        box = labels.put(f"leader{number}", line, [at], "#ffffff", bold=bold)
        if number == 0:
            middle = QPointF(box.left() - 8, box.center().y())
            verdict_mark(painter, middle, size, leader.mark, mark_colour(leader.mark))


def mark_colour(mark: palette.Mark) -> str:
    """The verdict colour that reads on dark ground; the shape carries the meaning."""
    dark = {"disc": "#9be5b0", "diamond": "#b3c6ff", "triangle": "#ffd447", "cross": "#ff8fb0", "ring": "#cfd8dc"}
    return dark[mark.shape]


def draw_letters(labels: Labels, plane: Plane, side_words: tuple[str, str, str, str]) -> None:
    """Patient letters at the four edges, with the side's word before them (left, right, top, bottom)."""
    left, right, top, bottom = side_words
    x, y = labels.width / 2, labels.height / 2
    align = Qt.AlignmentFlag
    for name, places, text, direction, how in (
        ("left", [QPointF(10, y)], left, -plane.right, align.AlignLeft),
        ("right", [QPointF(labels.width - 10, y)], right, plane.right, align.AlignRight),
        ("top", [QPointF(x, labels.top(row)) for row in range(4)], top, plane.up, align.AlignHCenter),
        ("bottom", [QPointF(x, labels.bottom(row)) for row in range(4)], bottom, -plane.up, align.AlignHCenter),
    ):
        labels.put(name, f"{text} {letters(direction)}".strip(), places, "#9adfe3", bold=True, align=how)


def draw_scale(labels: Labels, glass: Glass, below: str) -> None:
    """A bar of round length in patient millimetres, ticked each mm where they are apart, and what the voxel is."""
    painter = labels.painter
    length = max((x for x in LENGTHS_MM if x * glass.scale <= 0.3 * glass.width), default=LENGTHS_MM[0])
    width = length * glass.scale
    left, y = 14.0, labels.bottom(1)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(palette.HALO))
    painter.drawRect(QRectF(left - 2, y - 5, width + 4, 10))
    pieces = int(length)
    for piece in range(pieces):
        painter.setBrush(QColor("#ffffff" if piece % 2 == 0 else "#55626b"))
        painter.drawRect(QRectF(left + piece * glass.scale, y - 3, glass.scale, 6))
    labels.take("scale", QRectF(left - 2, y - 5, width + 4, 10))
    labels.put("length", say("picture.bar", mm=f"{length:g}"), [QPointF(left + width + 8, y)], "#ffffff", share=0.9)
    labels.put("fine", below, [QPointF(left, labels.bottom(0))], PALE, share=0.85)


def draw_bar(painter: QPainter, at: QPointF, scale: float, length_mm: float = 10.0) -> None:
    """A plain bar of a round length for small pictures, with its length beside it."""
    width = length_mm * scale
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(palette.HALO))
    painter.drawRect(QRectF(at.x() - 2, at.y() - 4, width + 4, 8))
    painter.setBrush(QColor("#ffffff"))
    painter.drawRect(QRectF(at.x(), at.y() - 2, width, 4))
    words(
        painter, at + QPointF(width + 7, 0), say("picture.bar", mm=f"{length_mm:g}"), "#ffffff", share=0.85, boxed=True
    )


def draw_cross(painter: QPainter, at: QPointF, px: float) -> None:
    """The place that the pointer shows in another picture."""
    for pen in (QPen(QColor(palette.HALO), 3 * px), QPen(QColor("#ffffff"), 1.2 * px)):
        painter.setPen(pen)
        for dx, dy in ((1, 0), (0, 1)):
            arm = QPointF(dx, dy)
            painter.drawLine(at + arm * 4 * px, at + arm * 10 * px)
            painter.drawLine(at - arm * 4 * px, at - arm * 10 * px)
