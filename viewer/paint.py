"""Drawing with QPainter: grey pictures, outlines, letters, marks. Millimetres in, pixels out, nothing measured."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFont, QFontMetricsF, QImage, QPainter, QPainterPath, QPen, QPolygonF

from siteplan.report import palette
from siteplan.report.cuts import Outline
from siteplan.report.palette import Line
from siteplan.report.plane import Section
from viewer.look import Window

NO_DATA = QColor("#2a3238")
"""Ground of the hatching where the scan has no data."""


@dataclass(frozen=True, slots=True)
class Glass:
    """How a plane's millimetres lie on a widget: u right, v up.

    Attributes:
        centre_u_mm, centre_v_mm: what lies in the middle of the widget.
        scale: pixels per millimetre.
        width, height: of the widget, in pixels.
    """

    centre_u_mm: float
    centre_v_mm: float
    scale: float
    width: float
    height: float

    def to_px(self, u_mm: float, v_mm: float) -> QPointF:
        """Widget position of a place in the plane."""
        return QPointF(
            self.width / 2 + (u_mm - self.centre_u_mm) * self.scale,
            self.height / 2 - (v_mm - self.centre_v_mm) * self.scale,
        )

    def to_mm(self, at: QPointF) -> tuple[float, float]:
        """Place in the plane of a widget position."""
        return (
            self.centre_u_mm + (at.x() - self.width / 2) / self.scale,
            self.centre_v_mm - (at.y() - self.height / 2) / self.scale,
        )

    def polygon(self, outline: Outline) -> QPolygonF:
        """Widget positions of an outline (N, 2)."""
        x = self.width / 2 + (outline[:, 0] - self.centre_u_mm) * self.scale
        y = self.height / 2 - (outline[:, 1] - self.centre_v_mm) * self.scale
        return QPolygonF([QPointF(a, b) for a, b in zip(x.tolist(), y.tolist(), strict=True)])


def grey_image(grey: NDArray[np.float32], window: Window) -> QImage:
    """A grey picture, row 0 of the array at its bottom; places without data are transparent."""
    flipped = np.ascontiguousarray(grey[::-1])
    values = window.bytes(flipped)
    known = np.isfinite(flipped)
    height, width = values.shape
    if known.all():
        return QImage(values.data, width, height, width, QImage.Format.Format_Grayscale8).copy()
    coloured = np.empty((height, width, 4), np.uint8)
    coloured[..., :3] = values[..., None]
    coloured[..., 3] = np.where(known, 255, 0)
    coloured[~known] = 0
    return QImage(coloured.data, width, height, 4 * width, QImage.Format.Format_ARGB32_Premultiplied).copy()


def draw_section(painter: QPainter, glass: Glass, section: Section, image: QImage) -> None:
    """The section at its place; where the scan has no data the ground is hatched, never filled with values."""
    left, right, bottom, top = section.extent_mm
    where = QRectF(glass.to_px(left, top), glass.to_px(right, bottom))
    if image.format() != QImage.Format.Format_Grayscale8:
        painter.fillRect(where, QBrush(NO_DATA))
        painter.fillRect(where, QBrush(QColor("#4a555c"), Qt.BrushStyle.BDiagPattern))
    painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
    painter.drawImage(where, image)


def pen_of(line: Line, width_px: float, alpha: float = 1.0) -> QPen:
    """A pen in a line's colour and dash."""
    colour = QColor(line.colour)
    colour.setAlphaF(alpha)
    pen = QPen(colour, width_px)
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    if line.dash.pattern:
        pen.setDashPattern([max(0.5, x) for x in line.dash.pattern])
    return pen


def stroke(
    painter: QPainter, glass: Glass, outlines: tuple[Outline, ...], line: Line, *, width_px: float, alpha: float = 1.0
) -> None:
    """Outlines with a dark halo, so that they stay visible on bright bone."""
    halo = QColor(palette.HALO)
    halo.setAlphaF(0.7 * alpha)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    shapes = [glass.polygon(outline) for outline in outlines]
    painter.setPen(QPen(halo, width_px + 2.0))
    for shape in shapes:
        painter.drawPolyline(shape)
    painter.setPen(pen_of(line, width_px, alpha))
    for shape in shapes:
        painter.drawPolyline(shape)


def fill(painter: QPainter, glass: Glass, outlines: tuple[Outline, ...], colour: str, alpha: float) -> None:
    """The inside of closed outlines in a light tint."""
    path = QPainterPath()
    for outline in outlines:
        if len(outline) > 2:
            path.addPolygon(glass.polygon(outline))
    tint = QColor(colour)
    tint.setAlphaF(alpha)
    painter.fillPath(path, tint)


def word_font(painter: QPainter, share: float, bold: bool) -> QFont:
    """The font of words on a picture."""
    font = QFont(painter.font())
    base = font.pointSizeF() if font.pointSizeF() > 0 else 10.0
    font.setPointSizeF(base * share)
    font.setBold(bold)
    return font


def word_box(
    painter: QPainter, at: QPointF, text: str, *, share: float = 1.0, bold: bool = False, align: Qt.AlignmentFlag
) -> QRectF:
    """The space that `words` takes."""
    metrics = QFontMetricsF(word_font(painter, share, bold), painter.device())
    width, height = metrics.horizontalAdvance(text), metrics.height()
    x = at.x()
    if align == Qt.AlignmentFlag.AlignRight:
        x -= width
    elif align == Qt.AlignmentFlag.AlignHCenter:
        x -= width / 2
    return QRectF(x - 4, at.y() - height / 2 - 1, width + 8, height + 2)


def words(
    painter: QPainter,
    at: QPointF,
    text: str,
    colour: str,
    *,
    share: float = 1.0,
    bold: bool = False,
    align: Qt.AlignmentFlag = Qt.AlignmentFlag.AlignLeft,
    boxed: bool = False,
) -> QRectF:
    """Text with a dark halo or on a dark box; returns the space it takes. `at` is the middle of its left edge.

    Args:
        share: size as a share of the widget's own font, so that it grows with the system's setting.
        align: AlignRight or AlignHCenter make `at` the right edge or the middle.
    """
    font = word_font(painter, share, bold)
    metrics = QFontMetricsF(font, painter.device())
    box = word_box(painter, at, text, share=share, bold=bold, align=align)
    x, height = box.left() + 4, metrics.height()
    if boxed:
        ground = QColor(palette.NIGHT)
        ground.setAlphaF(0.8)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(ground)
        painter.drawRoundedRect(box, 4, 4)
    baseline = QPointF(x, at.y() - height / 2 + metrics.ascent())
    if not boxed:
        path = QPainterPath()
        path.addText(baseline, font, text)
        halo = QPen(QColor(palette.HALO), 3.0)
        halo.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
        painter.strokePath(path, halo)
    old = painter.font()
    painter.setFont(font)
    painter.setPen(QColor(colour))
    painter.drawText(baseline, text)
    painter.setFont(old)
    return box


def verdict_mark(
    painter: QPainter, middle: QPointF, size: float, mark: palette.Mark, colour: str | None = None
) -> None:
    """The shape of a verdict: disc, diamond, triangle, cross or ring."""
    paint = QColor(colour or mark.text_colour)
    half = size / 2
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    if mark.shape == "disc":
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(paint)
        painter.drawEllipse(middle, half, half)
    elif mark.shape == "diamond":
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(paint)
        far = half * 1.15
        tips = [QPointF(0, -far), QPointF(far, 0), QPointF(0, far), QPointF(-far, 0)]
        painter.drawPolygon(QPolygonF([middle + c for c in tips]))
    elif mark.shape == "triangle":
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(paint)
        corners = [QPointF(0, -half), QPointF(half, half * 0.85), QPointF(-half, half * 0.85)]
        painter.drawPolygon(QPolygonF([middle + c for c in corners]))
    elif mark.shape == "cross":
        pen = QPen(paint, size * 0.26)
        pen.setCapStyle(Qt.PenCapStyle.RoundCap)
        painter.setPen(pen)
        for a in (1, -1):
            painter.drawLine(
                middle + QPointF(-half * 0.8, -half * 0.8 * a), middle + QPointF(half * 0.8, half * 0.8 * a)
            )
    else:
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(paint, size * 0.18))
        painter.drawEllipse(middle, half * 0.85, half * 0.85)
