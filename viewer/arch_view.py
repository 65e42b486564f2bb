"""An axial picture of the jaw with the arch on it: its points are dragged until it follows the ridge."""

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QImage, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF, QWheelEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from siteplan.report import palette
from siteplan.report.plane import Section, flat_plane
from siteplan.scan import Scan
from viewer import overlay
from viewer.hand import sample
from viewer.labels import Labels
from viewer.look import Window
from viewer.paint import Glass, draw_section, grey_image, words
from viewer.panorama import course_through
from viewer.texts import say

_STEP_MM = 0.5
_REACH_PX = 16.0


def axial_section(scan: Scan, z_lps_mm: float) -> Section:
    """The axial picture at a height, sampled every half millimetre over the whole field."""
    last = np.array(scan.shape) - 1
    corners = scan.index_to_lps([[k, j, i] for k in (0, last[0]) for j in (0, last[1]) for i in (0, last[2])])
    low, high = corners.min(axis=0), corners.max(axis=0)
    plane = flat_plane(np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, z_lps_mm]))
    half = (high - low) / 2
    u, v = (np.arange(-reach, reach + _STEP_MM / 2, _STEP_MM) for reach in half[:2])
    rows = [sample(scan, plane.to_lps(u[None, :], part[:, None]).reshape(-1, 3)) for part in np.array_split(v, 8)]
    return Section(plane, np.concatenate(rows).reshape(len(v), len(u)).astype(np.float32), u, v)


class ArchView(QWidget):
    """Signals: moved(object): (N, 3) control points after a drag; pointed_at(object): LPS place of a click beside
    the points; stepped(float): another height is wanted, mm."""

    moved = Signal(object)
    pointed_at = Signal(object)
    stepped = Signal(float)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(say("arch.name"))
        self.section: Section | None = None
        self.points = np.zeros((0, 3))
        self.hint = say("arch.hint")
        self.identity = ""
        self.voxel_words = ""
        self.sites: tuple[tuple[int, NDArray[np.float64]], ...] = ()
        self._window = Window(0, 1)
        self._image: QImage | None = None
        self._grip = -1
        self.chosen = -1
        self._pointer: NDArray[np.float64] | None = None

    def set_section(self, section: Section) -> None:
        """Show another height."""
        self.section = section
        self._image = None
        self.update()

    def set_window(self, window: Window) -> None:
        """Show it in another window."""
        self._window = window
        self._image = None
        self.update()

    def set_points(self, points_lps_mm: NDArray[np.float64]) -> None:
        """The control points of the arch."""
        self.points = np.array(points_lps_mm, dtype=np.float64).reshape(-1, 3)  # a copy: dragging writes into it
        self.update()

    def glass(self) -> Glass:
        """How millimetres lie on this widget."""
        if self.section is None:
            return Glass(0, 0, 1, self.width(), self.height())
        left, right, bottom, top = self.section.extent_mm
        scale = min(self.width() / (right - left), self.height() / (top - bottom))
        return Glass((left + right) / 2, (bottom + top) / 2, scale, float(self.width()), float(self.height()))

    def to_px(self, point_lps_mm: NDArray[np.float64]) -> QPointF:
        """Widget position of a patient point."""
        assert self.section is not None
        u, v, _ = self.section.plane.from_lps(point_lps_mm)
        return self.glass().to_px(float(u), float(v))

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw the axial picture, the course and its points."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(palette.NIGHT))
        section, glass = self.section, self.glass()
        if section is None:
            return
        if self._image is None:
            self._image = grey_image(section.grey, self._window)
        draw_section(painter, glass, section, self._image)
        if len(self.points) >= 3:
            course = course_through(self.points)
            line = QPolygonF([self.to_px(p) for p in course.points_lps_mm])
            for pen in (QPen(QColor(palette.HALO), 5), QPen(QColor("#6cc4c9"), 2)):
                painter.setPen(pen)
                painter.drawPolyline(line)
        for number, point in enumerate(self.points):
            overlay.draw_handle(painter, self.to_px(point), "platform", 1.0, number in (self._grip, self.chosen))
        if self._pointer is not None:
            overlay.draw_cross(painter, self.to_px(self._pointer), 1.5)
        for tooth, place in self.sites:
            words(
                painter,
                self.to_px(place),
                str(tooth),
                palette.FIXTURE,
                bold=True,
                boxed=True,
                align=Qt.AlignmentFlag.AlignHCenter,
            )
        labels = Labels(painter, glass.width, glass.height)
        height = say("arch.height", z=f"{section.plane.origin_lps_mm[2]:.1f}".replace("-", "−"))
        overlay.draw_scale(labels, glass, " · ".join(part for part in (height, self.voxel_words) if part))
        if self.identity:
            at = [QPointF(self.width() - 12, labels.top(row)) for row in (0, 1)]
            labels.put("identity", self.identity, at, "#ffffff", align=Qt.AlignmentFlag.AlignRight)
        overlay.draw_letters(labels, section.plane, ("", "", "", ""))
        for number, point in enumerate(self.points):
            there = self.to_px(point)
            labels.take(f"point{number}", QRectF(there.x() - 9, there.y() - 9, 18, 18))
        places = [*(labels.top(row) for row in (1, 2, 3)), *(labels.bottom(row) for row in (2, 3, 4))]
        labels.put("hint", self.hint, [QPointF(12, y) for y in places], "#ffd447")

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Take hold of a point, or point at a place."""
        if self.section is None:
            return
        gaps = [np.hypot(*((self.to_px(p) - event.position()).toTuple())) for p in self.points]
        if gaps and min(gaps) < _REACH_PX:
            self._grip = int(np.argmin(gaps))
        else:
            self.pointed_at.emit(self._lps(event.position()))
        self.update()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Move the point that is held."""
        if self._grip >= 0 and self.section is not None:
            place = self._lps(event.position())
            self.points[self._grip, :2] = place[:2]
            self.update()

    def mouseReleaseEvent(self, _event: QMouseEvent) -> None:
        """Let go."""
        if self._grip >= 0:
            self._grip = -1
            self.moved.emit(self.points.copy())
            self.update()

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Another height."""
        self.stepped.emit(event.angleDelta().y() / 120.0)
        event.accept()

    # ---- the same by keys

    def choose_point(self, step: int) -> None:
        """Take the next or last point of the arch; after the last one none, and the arrows move a pointer."""
        count = len(self.points)
        self.chosen = (self.chosen + 1 + step) % (count + 1) - 1
        self._pointer = None
        self.update()

    def move_by_key(self, right_mm: float, up_mm: float) -> None:
        """Move the chosen point, or the pointer."""
        if self.section is None:
            return
        plane, glass = self.section.plane, self.glass()
        step = right_mm * plane.right + up_mm * plane.up
        if 0 <= self.chosen < len(self.points):
            self.points[self.chosen] += step
            self.moved.emit(self.points.copy())
        else:
            start = plane.to_lps(glass.centre_u_mm, glass.centre_v_mm) if self._pointer is None else self._pointer
            self._pointer = start + step
        self.update()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter shows the pointer, and pressed again acts where the keys have put it."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.section is not None:
            if self._pointer is None:
                self.chosen = -1
                self.move_by_key(0.0, 0.0)
                return
            place, self._pointer = self._pointer, None
            self.pointed_at.emit(place)
            self.update()
            return
        super().keyPressEvent(event)

    def _lps(self, at: QPointF) -> NDArray[np.float64]:
        assert self.section is not None
        u, v = self.glass().to_mm(at)
        return self.section.plane.to_lps(u, v)
