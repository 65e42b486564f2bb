"""The ladder of neighbouring sections beside the large one, and under it the section at right angles."""

from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QImage, QMouseEvent, QPainter, QPaintEvent, QPen, QPixmap
from PySide6.QtWidgets import QSizePolicy, QWidget

from siteplan.frame import Vector
from siteplan.report import palette
from viewer.look import Look, Window
from viewer.overlay import draw_cross, line_of
from viewer.paint import Glass, draw_section, grey_image, stroke, word_box, word_font, words
from viewer.pictures import FilmFrame
from viewer.texts import say

_GAP = 4
_SHOWN_MM = (-4.5, 23.0)
"""Depths below the planned crest that the small sections show."""
_LOW = 84.0
"""A section lower than this (pixels) cannot be read, so fewer are shown."""


class FilmStrip(QWidget):
    """Signals: chosen(Look): a section that is wanted large; hovered(object): LPS place under the pointer, or None."""

    chosen = Signal(object)
    hovered = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self.setAccessibleName(say("film.name"))
        self.setToolTip(say("film.tip"))
        self.frames: list[FilmFrame] = []
        self._images: list[QImage | None] = []
        self._window = Window(0, 1)
        self._present: Look | None = None
        self._cross: Vector | None = None
        self._still: QPixmap | None = None

    def set_frames(self, frames: list[FilmFrame]) -> None:
        """Show other sections."""
        self.frames = frames
        self._images = [None] * len(frames)
        self._renew()

    def set_window(self, window: Window) -> None:
        """Show them in another window."""
        self._window = window
        self._images = [None] * len(self.frames)
        self._renew()

    def set_present(self, look: Look) -> None:
        """Mark the section that is large now."""
        old = self._present
        if old is not None and (old.offset_mm, old.turn_deg) == (look.offset_mm, look.turn_deg):
            self._present = look
            return
        self._present = look
        self._renew()

    def set_cross(self, point_lps_mm: Vector | None) -> None:
        """Show the place under the pointer."""
        self._cross = point_lps_mm
        self.update()

    def boxes(self) -> list[QRectF]:
        """Where each picture lies; an empty box for one that would be too small to be read.

        The sections stand in two columns, each in the height that belongs to its place along the arch and twice as
        high as their distance; the one at right angles lies across under them.
        """
        count = len(self.frames) - 1
        if count < 0:
            return []
        left, head = self._left(), self._head()
        foot = max(0.27 * (self.height() - head), min(_LOW, 0.4 * (self.height() - head)))
        tall = self.height() - head - foot - _GAP
        skip = next((n for n in range(count // 2) if 2 * tall / (count - 2 * n + 1) >= _LOW), max(0, count // 2 - 1))
        shown = count - 2 * skip
        step, wide = tall / (shown + 1), (self.width() - left - _GAP) / 2
        out = [QRectF()] * count
        for place in range(shown):
            x = left + (place % 2) * (wide + _GAP)
            out[skip + place] = QRectF(x, head + place * step, wide, 2 * step - _GAP)
        return [*out, QRectF(left, head + tall + _GAP, self.width() - left, foot)]

    def _head(self) -> float:
        return self.fontMetrics().height() * 1.4 + 6.0

    def _left(self) -> float:
        return self.fontMetrics().horizontalAdvance("−0") + 16.0

    def changeEvent(self, event: QEvent) -> None:
        """Draw anew with another font or style."""
        self._still = None
        super().changeEvent(event)

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw all pictures as they stand, then the place under the pointer, which moves."""
        ratio = self.devicePixelRatioF()
        if self._still is None or self._still.size() != self.size() * ratio:
            self._still = QPixmap(self.size() * ratio)
            self._still.setDevicePixelRatio(ratio)
            self._still.fill(Qt.GlobalColor.transparent)
            self._paint_still(QPainter(self._still))
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.drawPixmap(0, 0, self._still)
        if self._cross is not None:
            for number, box in enumerate(self.boxes()):
                self._paint_cross(painter, number, box)

    def _renew(self) -> None:
        self._still = None
        self.update()

    def _paint_still(self, painter: QPainter) -> None:
        painter.setFont(self.font())
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(palette.NIGHT))
        self._paint_rule(painter)
        for number, box in enumerate(self.boxes()):
            if box.isEmpty():
                continue
            painter.save()
            painter.setClipRect(box)
            painter.translate(box.topLeft())
            self._paint(painter, number, box)
            painter.restore()
        painter.end()

    def _paint_rule(self, painter: QPainter) -> None:
        """The way along the arch, in millimetres from the fixture's axis, with the place of every section."""
        metrics = QFontMetricsF(word_font(painter, 1.0, True), painter.device())
        texts = (say("film.title"), say("film.title-short"))
        title = next((t for t in texts if metrics.horizontalAdvance(t) < self.width() - 20), texts[-1])
        words(painter, QPointF(10, self._head() / 2), title, "#ffffff", bold=True)
        boxes, x = self.boxes()[:-1], self._left() - 6
        shown = [(f.look.offset_mm, b) for f, b in zip(self.frames, boxes, strict=False) if not b.isEmpty()]
        if not shown:
            return
        painter.setPen(QPen(QColor("#8fa1aa"), 1.2))
        painter.drawLine(QPointF(x, shown[0][1].top()), QPointF(x, shown[-1][1].bottom()))
        for offset, box in shown:
            y = box.center().y()
            painter.setPen(QPen(QColor("#8fa1aa"), 1.2))
            painter.drawLine(QPointF(x - 5, y), QPointF(box.left(), y))
            text = f"{abs(offset):g}"
            words(painter, QPointF(x - 8, y), text, "#dfe7ea", share=0.85, align=Qt.AlignmentFlag.AlignRight)

    def _glass(self, frame: FilmFrame, box: QRectF) -> Glass:
        sign = 1.0 if float(frame.look.plane().up @ frame.look.anchor.axis) > 0 else -1.0
        middle = sign * (_SHOWN_MM[0] + _SHOWN_MM[1]) / 2
        return Glass(0.0, middle, box.height() / (_SHOWN_MM[1] - _SHOWN_MM[0]), box.width(), box.height())

    def _paint_cross(self, painter: QPainter, number: int, box: QRectF) -> None:
        frame = self.frames[number]
        assert self._cross is not None
        u, v, height = frame.look.plane().from_lps(self._cross)
        if abs(height) < 0.6 and not box.isEmpty():
            painter.save()
            painter.setClipRect(box)
            painter.translate(box.topLeft())
            draw_cross(painter, self._glass(frame, box).to_px(float(u), float(v)), 0.7)
            painter.restore()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose a picture."""
        for frame, box in zip(self.frames, self.boxes(), strict=True):
            if box.contains(event.position()):
                self.chosen.emit(frame.look)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Show in the other pictures what lies under the pointer."""
        for frame, box in zip(self.frames, self.boxes(), strict=True):
            if box.contains(event.position()):
                u, v = self._glass(frame, box).to_mm(event.position() - box.topLeft())
                self.hovered.emit(frame.look.plane().to_lps(u, v))

    def leaveEvent(self, _event: QEvent) -> None:
        """Forget the pointer."""
        self.hovered.emit(None)

    def _paint(self, painter: QPainter, number: int, box: QRectF) -> None:
        frame = self.frames[number]
        painter.fillRect(QRectF(0, 0, box.width(), box.height()), QColor(palette.NIGHT))
        glass = self._glass(frame, box)
        if frame.section is not None:
            image = self._images[number]
            if image is None:
                image = self._images[number] = grey_image(frame.section.grey, self._window)
            draw_section(painter, glass, frame.section, image)
        for cut in frame.structures:
            stroke(painter, glass, cut.outlines, line_of(cut), width_px=1.4)
        for fixture in frame.fixtures:
            stroke(painter, glass, fixture.body, palette.FIXTURE_BODY, width_px=1.2, alpha=0.9)
        self._label(painter, number, box)

    def _label(self, painter: QPainter, number: int, box: QRectF) -> None:
        frame = self.frames[number]
        last = number == len(self.frames) - 1
        plane = frame.look.plane()
        # The caption lies on the side of the crown, where it hides no canal and no floor.
        upside = float(plane.up @ frame.look.anchor.axis) > 0
        place = QPointF(box.width() / 2, box.height() - 12 if upside else 12)
        middle = Qt.AlignmentFlag.AlignHCenter
        texts = (say("film.across"), say("film.across-short")) if last else _offset_words(frame.look.offset_mm)
        fitting = (t for t in texts if word_box(painter, place, t, share=0.85, align=middle).width() <= box.width())
        words(painter, place, next(fitting, texts[-1]), "#ffffff", share=0.85, align=middle, boxed=True)
        here = self._present is not None and not last and abs(self._present.offset_mm - frame.look.offset_mm) < 0.26
        if here and self._present is not None and abs(self._present.turn_deg - frame.look.turn_deg) < 0.1:
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(QColor("#6cc4c9"), 4))
            painter.drawRect(QRectF(2, 2, box.width() - 4, box.height() - 4))


def _offset_words(offset_mm: float) -> tuple[str, str]:
    """How far and to which side, in full and short."""
    if abs(offset_mm) < 1e-6:
        return say("film.here"), say("film.here-short")
    side = "distal" if offset_mm > 0 else "mesial"
    far = f"{abs(offset_mm):g}"
    return say("film.offset", mm=far, side=say(f"word.{side}-short")), say(f"film.{side}-short", mm=far)
