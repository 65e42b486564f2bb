"""The picture beside the section: what the chosen question knows, at its depth, on the section's own scale."""

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from siteplan.frame import Vector
from siteplan.report import palette
from viewer.depths import Curve, Depths, Gap, Lane
from viewer.labels import Labels, spread
from viewer.overlay import PALE, mark_colour
from viewer.paint import verdict_mark, word_box, word_font
from viewer.section_picture import SectionPicture
from viewer.texts import say

_RULE, _DRILL, _LINE = "#8fa1aa", "#5d6d76", "#6cc4c9"
_RIGHT, _MIDDLE = Qt.AlignmentFlag.AlignRight, Qt.AlignmentFlag.AlignHCenter


@dataclass(frozen=True)
class Scale:
    """Depth below the bone crest on the widget: `zero` and `per_mm` in pixels, the latter below zero in the upper jaw;
    `across`: pixels for a millimetre sideways; the drawing lies between `left` and `right`."""

    zero: float
    per_mm: float
    across: float
    left: float
    right: float

    def y(self, depth_mm: float) -> float:
        """Height of a depth on the widget."""
        return self.zero + self.per_mm * depth_mm


class DepthView(QWidget):
    """Stands beside a section of the same height and follows its zoom. Signals: hovered(object): LPS place on the axis
    at the pointer's depth, or None."""

    hovered = Signal(object)

    def __init__(self, section: SectionPicture, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self.setAccessibleName(say("depth.name"))
        self.setToolTip(say("depth.name-tip"))
        self.section = section
        self.depths: Depths | None = None
        self.label_boxes: dict[str, QRectF] = {}
        self._cross: Vector | None = None
        self._why = say("answer.waiting")
        section.seen.connect(self.update)

    def set_depths(self, depths: Depths | None, why: str = "") -> None:
        """Show another picture; None where there is none, and why."""
        self.depths, self._why = depths, why
        self.setAccessibleDescription(depths.title if depths else "")
        self.update()

    def set_cross(self, point_lps_mm: Vector | None) -> None:
        """Show the depth of the place under the pointer."""
        self._cross = point_lps_mm
        self.update()

    def scale(self) -> Scale | None:
        """How depths lie on this widget now; None while there is no section to go by."""
        plane = self.section.plane()
        if plane is None or self.depths is None:
            return None
        frame, glass = self.depths.frame, self.section.glass()
        ends = plane.from_lps(np.stack([frame.to_lps(d, 0.0, 0.0) for d in (0.0, 1.0)]))
        zero, one = (glass.to_px(float(u), float(v)).y() for u, v, _ in ends)
        left = self.fontMetrics().horizontalAdvance("−00") + 34.0
        return Scale(zero, one - zero, glass.scale, left, self.width() - 10.0)

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw rule, fixture and the picture of the question."""
        painter = QPainter(self)
        painter.setRenderHints(QPainter.RenderHint.Antialiasing | QPainter.RenderHint.TextAntialiasing)
        painter.fillRect(self.rect(), QColor(palette.NIGHT))
        labels = Labels(painter, float(self.width()), float(self.height()))
        self.label_boxes = labels.boxes
        depths, scale = self.depths, self.scale()
        if depths is None:
            self._paragraph(painter, self._why, labels.top(-0.3))
            return
        labels.put("title", depths.title, [QPointF(12, labels.top(0))], "#ffffff", bold=True)
        if scale is None or abs(scale.per_mm) < 1.0:
            self._paragraph(painter, say("depth.off"), labels.top(0.7))
            return
        _rule(labels, depths, scale)
        if depths.lanes:
            _drills(painter, depths, scale)
        if depths.empty:
            self._paragraph(painter, depths.empty, labels.top(0.7), scale.left + 8)
        if depths.curve is not None:
            painter.setClipRect(QRectF(0, labels.top(0.6), labels.width, labels.height))
            _curve(labels, depths.curve, scale)
            painter.setClipping(False)
        if depths.lanes:
            _drill_words(labels, depths, scale)
        if depths.gaps:
            _gaps(labels, depths.gaps, scale)
        _surfaces(labels, depths, scale)
        for number, (depth, text) in enumerate(depths.levels):
            y = scale.y(depth)
            painter.setPen(QPen(QColor(palette.MEASURE), 1.2, Qt.PenStyle.DashLine))
            painter.drawLine(QPointF(scale.left, y), QPointF(scale.right, y))
            shifts = (0.55, -0.55, 1.4, -1.4, 2.3, -2.3)
            places = [QPointF(scale.right, y + shift * labels.row) for shift in shifts]
            labels.put(f"level{number}", text, places, palette.MEASURE, share=0.85, align=_RIGHT)
        self._pointer(painter, labels, depths, scale)

    def _paragraph(self, painter: QPainter, text: str, top: float, left: float = 12.0) -> None:
        """Words in as many lines as they need."""
        painter.setPen(QColor(PALE))
        room = QRectF(left, top, max(self.width() - left - 8.0, 40.0), max(self.height() - top, 20.0))
        painter.drawText(room, int(Qt.TextFlag.TextWordWrap), text)

    def _pointer(self, painter: QPainter, labels: Labels, depths: Depths, scale: Scale) -> None:
        if self._cross is None:
            return
        depth = float(depths.frame.from_lps(self._cross)[0])
        y = scale.y(depth)
        painter.setPen(QPen(QColor("#ffffff"), 1.0, Qt.PenStyle.DotLine))
        painter.drawLine(QPointF(0, y), QPointF(self.width(), y))
        text = say("picture.bar", mm=f"{depth:.1f}".replace("-", "−"))
        places = [QPointF(self.width() - 8, y + shift * labels.row) for shift in (-0.55, 0.55, -1.5, 1.5)]
        labels.put("pointer", text, places, "#ffffff", share=0.85, align=_RIGHT)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Show in the section which depth lies under the pointer."""
        scale = self.scale()
        if scale is not None and self.depths is not None and abs(scale.per_mm) > 1.0:
            depth = (event.position().y() - scale.zero) / scale.per_mm
            self.hovered.emit(self.depths.frame.to_lps(depth, 0.0, 0.0))

    def leaveEvent(self, _event: QEvent) -> None:
        """Forget the pointer."""
        self.hovered.emit(None)


def _rule(labels: Labels, depths: Depths, scale: Scale) -> None:
    """Millimetres below the crest, the fixture beside them, the crest and the gum as lines."""
    painter, x = labels.painter, scale.left - 12
    ends = sorted((-scale.zero / scale.per_mm, (labels.height - scale.zero) / scale.per_mm))
    painter.setPen(QPen(QColor(_RULE), 1.0))
    top, row = labels.top(0.6), int(depths.curve is not None)  # under a curve the last row holds numbers of its own
    painter.drawLine(QPointF(x, top), QPointF(x, labels.height))
    for mm in range(int(np.ceil(ends[0])), int(np.floor(ends[1])) + 1):
        if not top <= scale.y(mm) < labels.bottom(row + 1):  # below them stands their unit
            continue
        long = 9 if mm % 5 == 0 else 4
        painter.setPen(QPen(QColor(_RULE), 1.4 if mm % 5 == 0 else 1.0))
        painter.drawLine(QPointF(x - long, scale.y(mm)), QPointF(x, scale.y(mm)))
        if mm % 5 == 0:
            at = QPointF(x - 13, scale.y(mm))
            if labels.free(at, str(mm), share=0.85, align=_RIGHT):
                labels.put(f"mm{mm}", str(mm).replace("-", "−"), [at], PALE, share=0.85, align=_RIGHT)
    labels.put("unit", say("depth.scale"), [QPointF(x - 13, labels.bottom(row))], PALE, share=0.85, align=_RIGHT)
    if depths.body_mm is not None:
        high, low = sorted(scale.y(d) for d in depths.body_mm)
        painter.fillRect(QRectF(x + 2, high, 5, low - high), QColor(palette.FIXTURE))
        painter.setPen(QPen(QColor(palette.FIXTURE), 1.0, Qt.PenStyle.DashDotLine))
        for depth in depths.body_mm:
            painter.drawLine(QPointF(x, scale.y(depth)), QPointF(scale.right, scale.y(depth)))


def _surfaces(labels: Labels, depths: Depths, scale: Scale) -> None:
    """The bone crest and the gum as lines with their names."""
    painter, x = labels.painter, scale.left - 12
    surfaces = [("zero", 0.0, depths.zero)]
    if depths.gum_mm is not None:
        surfaces.append(("gum", depths.gum_mm, say("depth.gum")))
    for name, depth, words in surfaces:
        painter.setPen(QPen(QColor(palette.MEASURE), 1.4, Qt.PenStyle.DotLine))
        painter.drawLine(QPointF(x, scale.y(depth)), QPointF(scale.right, scale.y(depth)))
        side = -1.0 if scale.per_mm > 0 else 1.0
        places = [QPointF(scale.right, scale.y(depth) + side * row * labels.row) for row in (0.55, 1.5, -0.55)]
        if any(labels.free(place, words, share=0.85, align=_RIGHT) for place in places):  # else the rule's 0 says it
            labels.put(name, words, places, palette.MEASURE, share=0.85, align=_RIGHT)


def _middles(painter: QPainter, depths: Depths, scale: Scale) -> list[float]:
    """Where the drills stand; the names of the surfaces keep some room at the right where there is enough."""
    widest = max(float(lane.r_mm.max()) for lane in depths.lanes) * 2 * scale.across + 12
    names = QFontMetricsF(painter.font(), painter.device()).horizontalAdvance(say("depth.gum")) * 0.85 + 8
    room = scale.right - scale.left
    room = room - names if widest * len(depths.lanes) < room - names else room
    return [scale.left + (number + 0.5) * room / len(depths.lanes) for number in range(len(depths.lanes))]


def _drills(painter: QPainter, depths: Depths, scale: Scale) -> None:
    """Every drill of the card in its order, as wide and as deep as it is, with its mark at the surface."""
    for lane, x in zip(depths.lanes, _middles(painter, depths, scale), strict=True):
        colour = QColor(_DRILL)
        colour.setAlphaF(0.75)
        painter.setBrush(colour)
        painter.setPen(QPen(QColor(PALE), 1.2))
        painter.drawPolygon(_outline(lane, x, scale))
        level, half = scale.y(depths.gum_mm or 0.0), float(lane.r_mm.max()) * scale.across
        painter.setPen(QPen(QColor("#ffffff"), 2.4))
        painter.drawLine(QPointF(x - half, level), QPointF(x + half, level))


def _drill_words(labels: Labels, depths: Depths, scale: Scale) -> None:
    """Mark and diameter above each drill, the depth of its very tip below it, the verdict in its point."""
    down = 1.0 if scale.per_mm > 0 else -1.0
    for number, (lane, x) in enumerate(zip(depths.lanes, _middles(labels.painter, depths, scale), strict=True)):
        top, tip = scale.y(float(lane.z_mm.min())), scale.y(lane.tip_mm)
        for name, text, end, way, bold in (
            ("sign", lane.sign, top, -down, False),
            ("drill", lane.name, top, -down, False),
            ("tip", lane.tip, tip, down, True),
        ):
            half = word_box(labels.painter, QPointF(), text, share=0.85, bold=bold, align=_MIDDLE).width() / 2 + 1
            middle = max(min(x, labels.width - half), half)
            places = [QPointF(middle, end + way * (row + 0.7) * labels.row) for row in range(8)]
            labels.put(f"{name}{number}", text, places, "#ffffff", share=0.85, bold=bold, align=_MIDDLE)
        if lane.mark is not None:
            verdict_mark(labels.painter, QPointF(x, tip - down * 9), 11, lane.mark, mark_colour(lane.mark))


def _outline(lane: Lane, x: float, scale: Scale) -> QPolygonF:
    right = [QPointF(x + r * scale.across, scale.y(z)) for z, r in zip(lane.z_mm, lane.r_mm, strict=True)]
    left = [QPointF(x - r * scale.across, scale.y(z)) for z, r in zip(lane.z_mm, lane.r_mm, strict=True)]
    return QPolygonF(right + left[::-1])


def _gaps(labels: Labels, gaps: tuple[Gap, ...], scale: Scale) -> None:
    """A bar as long as each distance, at the depth where it is least, with its margin as a tick across it."""
    painter, x = labels.painter, scale.left + 6
    step, low = 1.75 * labels.row, 2.2 * labels.row
    most = max(1, int((labels.height - low - 1.6 * labels.row) / step))
    shown = sorted(gaps, key=lambda gap: gap.gap_mm - (gap.limit_mm or 0.0))[: most if len(gaps) > most else None]
    if len(shown) < len(gaps):
        text = say("depth.more", n=len(gaps) - len(shown))
        labels.put("more", text, [QPointF(x, labels.bottom(0))], PALE, share=0.85)
    ordered = sorted(shown, key=lambda gap: scale.y(gap.depth_mm))
    wanted = [scale.y(gap.depth_mm) for gap in ordered]
    heights = spread(wanted, step, low, labels.height - 1.4 * labels.row)
    for number, (gap, y) in enumerate(zip(ordered, heights, strict=True)):
        true = scale.y(gap.depth_mm)
        colour = QColor(mark_colour(gap.mark))
        painter.setPen(QPen(QColor(_RULE), 1.0))
        painter.drawLine(QPointF(scale.left - 12, true), QPointF(x - 2, y))
        end = min(x + max(gap.gap_mm, 0.0) * scale.across, scale.right)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        painter.drawRect(QRectF(x, y - 2.5, max(end - x, 2.0), 5))
        if gap.limit_mm is not None and x + gap.limit_mm * scale.across < scale.right:
            at = x + gap.limit_mm * scale.across
            painter.setPen(QPen(QColor("#ffffff"), 2.0))
            painter.drawLine(QPointF(at, y - 7), QPointF(at, y + 7))
        verdict_mark(painter, QPointF(x + 6, y - 0.75 * labels.row), 11, gap.mark, mark_colour(gap.mark))
        place = QPointF(x + 18, y - 0.75 * labels.row)
        metrics = QFontMetricsF(word_font(painter, 0.85, False), painter.device())
        text = metrics.elidedText(gap.words, Qt.TextElideMode.ElideRight, labels.width - place.x() - 6)
        labels.put(f"gap{number}", text, [place], "#ffffff", share=0.85)


def _curve(labels: Labels, curve: Curve, scale: Scale) -> None:
    """The value to the right against depth; target as a band, ceiling as a broken line with its number."""
    painter = labels.painter
    known = np.isfinite(curve.value)
    highest = [curve.value[known]] + ([curve.high[np.isfinite(curve.high)]] if curve.high is not None else [])
    most = max(float(np.concatenate(highest).max(initial=0.0)), (curve.most or 0.0) * 1.1, 1e-6)
    least = 0.0 if curve.fine is not None else float(curve.value[known].min(initial=0.0))
    per = (scale.right - scale.left - 6) / max(most - least, 1e-6)

    def x(value: float) -> float:
        return scale.left + 6 + (value - least) * per

    bottom = labels.bottom(0)
    if curve.fine is not None:
        band = QColor(_LINE)
        band.setAlphaF(0.16)
        painter.fillRect(QRectF(x(curve.fine[0]), 0, x(curve.fine[1]) - x(curve.fine[0]), labels.height), band)
        text = say("depth.target", low=f"{curve.fine[0]:g}", high=f"{curve.fine[1]:g}")
        middle = QPointF((x(curve.fine[0]) + x(curve.fine[1])) / 2, labels.bottom(1))
        labels.put("target", text, [middle], _LINE, share=0.85, align=_MIDDLE)
    if curve.most is not None:
        painter.setPen(QPen(QColor("#ff8fb0"), 1.6, Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(x(curve.most), 0), QPointF(x(curve.most), labels.height))
        text = say("depth.most", value=f"{curve.most:g}")
        box = word_box(painter, QPointF(x(curve.most) + 8, 0), text, share=0.85, align=Qt.AlignmentFlag.AlignLeft)
        left = min(box.left(), labels.width - box.width() - 2) + 4
        labels.put("most", text, [QPointF(left, labels.bottom(row)) for row in (2, 3, 4, 5)], "#ff8fb0", share=0.85)
    if curve.low is not None and curve.high is not None:
        both = np.isfinite(curve.low) & np.isfinite(curve.high)
        there = [QPointF(x(v), scale.y(d)) for d, v in zip(curve.depth_mm[both], curve.low[both], strict=True)]
        back = [QPointF(x(v), scale.y(d)) for d, v in zip(curve.depth_mm[both], curve.high[both], strict=True)]
        tint = QColor("#ffffff")
        tint.setAlphaF(0.18)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(tint)
        painter.drawPolygon(QPolygonF(there + back[::-1]))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(QPen(QColor("#ffffff"), 2.0))
    shown = zip(curve.depth_mm[known], curve.value[known], strict=True)
    painter.drawPolyline(QPolygonF([QPointF(x(float(v)), scale.y(float(d))) for d, v in shown]))
    ends = ((least, Qt.AlignmentFlag.AlignLeft), (most, _RIGHT), ((least + most) / 2, _MIDDLE))
    for number, (value, how) in enumerate(ends if curve.fine is None else ends[:2]):
        text = f"{value:.0f}".replace("-", "−")
        if labels.free(QPointF(x(value), bottom), text, share=0.85, align=how):
            labels.put(f"axis{number}", text, [QPointF(x(value), bottom)], PALE, share=0.85, align=how)
    labels.put("unit", curve.unit, [QPointF(scale.right, labels.top(1))], PALE, share=0.85, align=_RIGHT)
