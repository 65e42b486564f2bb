"""The unrolled arch at the foot of the window: where the sites are, what lies under them, where we look now."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QImage, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from siteplan.anatomy import Cone, MadeBy, Structure, Surface, Tube
from siteplan.assessment import Library
from siteplan.case import SiteEntry
from siteplan.frame import Vector
from siteplan.report import palette
from siteplan.report.palette import Dash, Line
from viewer import edits
from viewer.look import Window
from viewer.measuring import fixture_named
from viewer.overlay import draw_bar, draw_cross
from viewer.paint import grey_image, pen_of, words
from viewer.panorama import Panorama
from viewer.pictures import DOUBT_BELOW
from viewer.texts import say

_FAR_MM = 12.0
"""A structure further than this from the wall of the strip is not drawn on it."""


BARE_MM = 8.0
"""Length of the line that stands for a site without a fixture (for the eye only)."""


@dataclass(frozen=True, eq=False)
class SiteMark:
    """Where a site stands on the strip."""

    tooth: int
    platform_lps_mm: Vector
    tip_lps_mm: Vector
    present: bool


class ArchStrip(QWidget):
    """Signals: picked(int): a site was clicked; pointed_at(object): LPS place that was clicked beside the sites;
    hovered(object): LPS place under the pointer, or None; placed(object): pixels from the left, by tooth, of the sites
    that this arch shows."""

    picked = Signal(int)
    placed = Signal(object)
    pointed_at = Signal(object)
    hovered = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Maximum)
        self.setMinimumHeight(64)
        self.setMouseTracking(True)
        self.setAccessibleName(say("strip.name"))
        self.setToolTip(say("strip.tip"))
        self.panorama: Panorama | None = None
        self.sites: tuple[SiteMark, ...] = ()
        self.structures: tuple[Structure, ...] = ()
        self.proposed: tuple[Structure, ...] = ()
        self.waiting = say("strip.waiting")
        self._image: QImage | None = None
        self._window = Window(0, 1)
        self._here: Vector | None = None
        self._cross: Vector | None = None

    def set_panorama(self, panorama: Panorama | None) -> None:
        """Show another arch."""
        self.panorama = panorama
        self._image = None
        self._tell_places()
        self.update()

    def set_window(self, window: Window) -> None:
        """Show it in another window."""
        self._window = window
        self._image = None
        self.update()

    def set_things(
        self, sites: tuple[SiteMark, ...], structures: tuple[Structure, ...], proposed: tuple[Structure, ...] = ()
    ) -> None:
        """What lies on the strip."""
        self.sites, self.structures, self.proposed = sites, structures, proposed
        self._tell_places()
        self.update()

    def set_here(self, point_lps_mm: Vector | None) -> None:
        """Where the large section stands."""
        self._here = point_lps_mm
        self.update()

    def set_cross(self, point_lps_mm: Vector | None) -> None:
        """The place under the pointer in another picture."""
        self._cross = point_lps_mm
        self.update()

    def sizeHint(self) -> QSize:
        """As high as it is useful; it gives room to the section where there is little."""
        return QSize(400, max(64, min(140, self.window().height() // 6)))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Tell where the teeth stand now."""
        super().resizeEvent(event)
        self._tell_places()

    def _tell_places(self) -> None:
        shown = [site for site in self.sites if self._shows(site)]
        self.placed.emit({site.tooth: sum(p.x() for p in self._ends(site)) / 2 for site in shown})

    def _shows(self, site: SiteMark) -> bool:
        """Whether a site lies on this arch; one of the other jaw lies above or below it."""
        if self.panorama is None:
            return False
        a, b = self._ends(site)
        return self.picture_box().contains((a + b) / 2)

    def picture_box(self) -> QRectF:
        """Where the picture lies: as large as fits, true to scale."""
        if self.panorama is None:
            return QRectF()
        length = self.panorama.course.length_mm
        tall = float(self.panorama.height_mm[-1] - self.panorama.height_mm[0])
        scale = min(self.width() / length, self.height() / tall)
        width, height = length * scale, tall * scale
        return QRectF((self.width() - width) / 2, (self.height() - height) / 2, width, height)

    def to_px(self, s_mm: float, height_mm: float) -> QPointF:
        """Widget position of a place on the strip. The patient's right end lies on the left, as when facing a
        person."""
        assert self.panorama is not None
        box, low = self.picture_box(), float(self.panorama.height_mm[0])
        scale = box.width() / self.panorama.course.length_mm
        along = s_mm if self._right_first() else self.panorama.course.length_mm - s_mm
        return QPointF(box.left() + along * scale, box.bottom() - (height_mm - low) * scale)

    def to_lps(self, at: QPointF) -> Vector | None:
        """Patient place of a widget position; None outside the picture."""
        box = self.picture_box()
        if self.panorama is None or not box.contains(at):
            return None
        scale = box.width() / self.panorama.course.length_mm
        along = (at.x() - box.left()) / scale
        s = along if self._right_first() else self.panorama.course.length_mm - along
        return self.panorama.to_lps(s, float(self.panorama.height_mm[0]) + (box.bottom() - at.y()) / scale)

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw the strip."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(palette.NIGHT))
        if self.panorama is None:
            words(
                painter,
                QPointF(self.width() / 2, self.height() / 2),
                self.waiting,
                "#cfd8dc",
                align=Qt.AlignmentFlag.AlignHCenter,
            )
            return
        if self._image is None:
            grey = self.panorama.grey if self._right_first() else self.panorama.grey[:, ::-1]
            self._image = grey_image(grey, self._window)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        painter.drawImage(self.picture_box(), self._image)
        for structure in (*self.structures, *self.proposed):
            self._paint_structure(painter, structure)
        self._paint_here(painter)
        for site in self.sites:
            self._paint_site(painter, site)
        box = self.picture_box()
        words(painter, QPointF(box.left() + 6, box.top() + 14), "R", "#9adfe3", bold=True, boxed=True)
        words(
            painter,
            QPointF(box.right() - 6, box.top() + 14),
            "L",
            "#9adfe3",
            bold=True,
            boxed=True,
            align=Qt.AlignmentFlag.AlignRight,
        )
        scale = box.width() / self.panorama.course.length_mm
        draw_bar(painter, QPointF(10, self.height() - 12), scale)
        if self._cross is not None:
            s, height, gap = self.panorama.from_lps(self._cross)[0]
            if gap < _FAR_MM:
                draw_cross(painter, self.to_px(float(s), float(height)), 0.8)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose a site, or point at a place; nothing while the arch is still being looked for."""
        for site in self.sites if self.panorama is not None else ():
            a, b = self._ends(site)
            x = event.position().x()
            if min(a.x(), b.x()) - 12 <= x <= max(a.x(), b.x()) + 12 and self.picture_box().contains(event.position()):
                self.picked.emit(site.tooth)
                return
        place = self.to_lps(event.position())
        if place is not None:
            self.pointed_at.emit(place)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Show in the other pictures what lies under the pointer."""
        self.hovered.emit(self.to_lps(event.position()))

    def leaveEvent(self, _event: QEvent) -> None:
        """Forget the pointer."""
        self.hovered.emit(None)

    def _right_first(self) -> bool:
        assert self.panorama is not None
        points = self.panorama.course.points_lps_mm
        return bool(points[0, 0] < points[-1, 0])

    def _ends(self, site: SiteMark) -> tuple[QPointF, QPointF]:
        assert self.panorama is not None
        a, b = self.panorama.from_lps([site.platform_lps_mm, site.tip_lps_mm])
        return self.to_px(float(a[0]), float(a[1])), self.to_px(float(b[0]), float(b[1]))

    def _paint_site(self, painter: QPainter, site: SiteMark) -> None:
        if not self._shows(site):
            return
        a, b = self._ends(site)
        x = (a.x() + b.x()) / 2
        painter.setPen(QPen(QColor("#6cc4c9" if site.present else "#8fa1aa"), 2.0 if site.present else 1.0))
        painter.drawLine(QPointF(x, max(a.y(), b.y())), QPointF(x, self.height()))
        for pen in (QPen(QColor(palette.HALO), 6), QPen(QColor(palette.FIXTURE), 3.5 if site.present else 2.2)):
            painter.setPen(pen)
            painter.drawLine(a, b)
        up = -16.0 if a.y() < b.y() else 16.0
        words(
            painter,
            a + QPointF(0, up),
            str(site.tooth),
            palette.FIXTURE,
            bold=site.present,
            align=Qt.AlignmentFlag.AlignHCenter,
            boxed=True,
        )

    def _paint_structure(self, painter: QPainter, structure: Structure) -> None:
        assert self.panorama is not None
        shape = structure.shape
        if isinstance(shape, Tube):
            points = shape.points_lps_mm
        elif isinstance(shape, Cone):
            points = np.stack([shape.base_lps_mm, shape.tip_lps_mm])
        else:
            return self._paint_surface(painter, structure, shape)
        local = self.panorama.from_lps(points)
        line = palette.LINE_OF_KIND[structure.kind.value]
        if structure.made_by is MadeBy.FOUND:
            line = Line(line.colour, Dash.FINE, line.width_pt, line.words)
        sure = np.ones(len(points), dtype=bool)
        if structure.confidence is not None:
            sure = structure.confidence >= DOUBT_BELOW
        near = local[:, 2] < _FAR_MM
        for run in _runs(np.where(near, np.where(sure, 2, 1), 0)):
            self._paint_line(painter, local[run], line, doubtful=not sure[run.start])
        return None

    def _paint_line(self, painter: QPainter, local: Vector, line: Line, *, doubtful: bool) -> None:
        """A stretch of a structure; a doubtful one is thin and carries a question mark in its middle."""
        places = [self.to_px(float(s), float(h)) for s, h, _ in local]
        if len(places) > 1:
            painter.setPen(pen_of(line, 0.9 if doubtful else 2.0, 0.9))
            painter.drawPolyline(QPolygonF(places))
        if doubtful:
            at = places[len(places) // 2]
            words(painter, at, say("picture.ask"), line.colour, bold=True, align=Qt.AlignmentFlag.AlignHCenter)

    def _paint_surface(self, painter: QPainter, structure: Structure, surface: Surface) -> None:
        """The lowest part of a floor over each column of the strip."""
        assert self.panorama is not None
        local = self.panorama.from_lps(surface.points_lps_mm)
        local = local[local[:, 2] < 3.0]
        if len(local) < 2:
            return
        columns = np.round(local[:, 0]).astype(int)
        lowest = [(float(c), float(local[columns == c, 1].min())) for c in np.unique(columns)]
        painter.setPen(pen_of(palette.LINE_OF_KIND[structure.kind.value], 2.0, 0.9))
        painter.drawPolyline(QPolygonF([self.to_px(s, h) for s, h in lowest]))

    def _paint_here(self, painter: QPainter) -> None:
        if self._here is None or self.panorama is None:
            return
        s, _, gap = self.panorama.from_lps(self._here)[0]
        if gap < 2 * _FAR_MM:
            x = self.to_px(float(s), 0.0).x()
            painter.setPen(QPen(QColor("#6cc4c9"), 1.5, Qt.PenStyle.DashLine))
            painter.drawLine(QPointF(x, 0), QPointF(x, self.height()))


def site_marks(sites: Sequence[SiteEntry], library: Library | None, present: int | None) -> tuple[SiteMark, ...]:
    """The sites as they stand on the strip."""
    marks = []
    for entry in sites:
        fixture = fixture_named(library, entry.fixture) if library else None
        length = fixture.length_mm if fixture else BARE_MM
        tip = edits.tip_of(entry, length)
        marks.append(SiteMark(entry.tooth, edits.platform_of(entry), tip, entry.tooth == present))
    return tuple(marks)


def _runs(states: NDArray[np.int64]) -> list[slice]:
    """Stretches of equal state above zero, each with the first point of the next one, so that no gap shows."""
    edges = np.r_[0, np.flatnonzero(np.diff(states)) + 1, len(states)]
    return [slice(int(a), min(int(b) + 1, len(states))) for a, b in pairwise(edges) if states[a] > 0]
