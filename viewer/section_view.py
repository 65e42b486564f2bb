"""The large section: one plane through a site, the fixture in it, and a hand that moves both.

It draws what it is given and tells what the hand did; it computes no finding.
"""

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QImage, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QResizeEvent, QWheelEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from siteplan.case import SiteEntry
from siteplan.fixture import Fixture
from siteplan.frame import Vector
from siteplan.report import palette
from siteplan.report.plane import Plane
from viewer import edits, overlay
from viewer.hand import POINTS_NEEDED
from viewer.hand_draw import draw_mark, shown_in
from viewer.look import Window
from viewer.overlay import BoneLines, Leader
from viewer.paint import Glass, draw_section, grey_image, words
from viewer.pictures import Cut, FixtureOutlines, fixture_outlines
from viewer.plan import HandMark
from viewer.texts import say

REACH_PX = 14.0
"""How near the pointer must come to a handle; about a finger's half width on a touch pad."""
STEP_MM = 0.5
TURN_DEG = 5.0
_SHOWN_HEIGHT_MM = 42.0
"""Height of the view at first: a long fixture with its abutment and what lies below."""


@dataclass(frozen=True, eq=False)
class Numbers:
    """Measured things that are drawn in the section."""

    bone: BoneLines | None = None
    leader: Leader | None = None


class SectionView(QWidget):
    """See the module.

    Signals:
        held(SiteEntry): the fixture under the hand; let_go(SiteEntry, str): where it was left, and what was done.
        stepped(float), turned(float): wishes for another section (mm along the arch, degrees round the axis).
        windowed(Window): another window for the grey values.
        pointed(object): LPS point under the pointer, or None.
        marked(HandMark): a finished hand measurement. clicked(object): LPS point, while a place is asked for.
    """

    held = Signal(object)
    let_go = Signal(object, str)
    stepped = Signal(float)
    turned = Signal(float)
    windowed = Signal(object)
    pointed = Signal(object)
    marked = Signal(object)
    clicked = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(320, 300)
        self.setAccessibleName(say("picture.name"))
        self.cut: Cut | None = None
        self.window_grey = Window(0, 1)
        self.entry: SiteEntry | None = None
        self.fixture: Fixture | None = None
        self.numbers = Numbers()
        self.marks: tuple[tuple[HandMark, str], ...] = ()
        self.tool = ""
        self.asking = ""
        self.show_overlays = True
        self.identity = ""
        self._image: QImage | None = None
        self._own: FixtureOutlines | None = None
        self._centre: tuple[float, float] | None = None
        self._zoom = 1.0
        self._grip = ""
        self._press = QPointF()
        self._press_entry: SiteEntry | None = None
        self._press_window = self.window_grey
        self._press_centre = (0.0, 0.0)
        self._hot = ""
        self._pending: list[tuple[float, float, float]] = []
        self._pointer_lps: Vector | None = None
        self._cross_lps: Vector | None = None

    # ---- what is shown

    def set_cut(self, cut: Cut) -> None:
        """Show another section."""
        same_site = self.cut is not None and self.cut.look.anchor is cut.look.anchor
        self.cut = cut
        self._image = None
        if not same_site and self._centre is None:
            self.recentre()
        self._renew_fixture()
        self.update()

    def set_window(self, window: Window) -> None:
        """Show the same section in another window."""
        self.window_grey = window
        self._image = None
        self.update()

    def set_site(self, entry: SiteEntry | None, fixture: Fixture | None) -> None:
        """Show a site's fixture."""
        self.entry, self.fixture = entry, fixture
        self._renew_fixture()
        self.update()

    def set_numbers(self, numbers: Numbers) -> None:
        """Draw what was measured."""
        self.numbers = numbers
        self.update()

    def set_marks(self, marks: tuple[tuple[HandMark, str], ...]) -> None:
        """Draw hand measurements with their words."""
        self.marks = marks
        self.update()

    def set_tool(self, tool: str) -> None:
        """Choose a hand tool ("distance", "angle", "circle", "line", "note"), or "" for none."""
        self.tool = tool
        self._pending.clear()
        self.setCursor(Qt.CursorShape.CrossCursor if tool or self.asking else Qt.CursorShape.ArrowCursor)
        self.update()

    def ask_place(self, words_: str) -> None:
        """Ask for one click on the picture; "" ends the asking."""
        self.asking = words_
        self.setCursor(Qt.CursorShape.CrossCursor if words_ or self.tool else Qt.CursorShape.ArrowCursor)
        self.update()

    def set_cross(self, point_lps_mm: Vector | None) -> None:
        """Show the place that the pointer shows in another picture."""
        self._cross_lps = point_lps_mm
        self.update()

    def recentre(self) -> None:
        """Bring the fixture into the middle at the usual size."""
        self._zoom = 1.0
        self._centre = None
        plane = self.plane()
        if plane is not None and self.entry is not None:
            length = self.fixture.length_mm if self.fixture else 12.0
            middle = (edits.platform_of(self.entry) + edits.tip_of(self.entry, length)) / 2
            u, v, _ = plane.from_lps(middle)
            self._centre = (float(u), float(v))
        self.update()

    def zoom(self, factor: float, at: QPointF | None = None) -> None:
        """Enlarge, keeping the place under `at` where it is."""
        before = self.glass()
        place = before.to_mm(at) if at is not None else (before.centre_u_mm, before.centre_v_mm)
        self._zoom = float(np.clip(self._zoom * factor, 0.5, 8.0))
        after = self.glass()
        if at is not None:
            moved = after.to_mm(at)
            self._centre = (before.centre_u_mm + place[0] - moved[0], before.centre_v_mm + place[1] - moved[1])
        self.update()

    def plane(self) -> Plane | None:
        """The plane that is shown."""
        return self.cut.plane if self.cut else None

    def glass(self) -> Glass:
        """How millimetres lie on this widget now."""
        scale = max(self.height(), 1) / _SHOWN_HEIGHT_MM * self._zoom
        u, v = self._centre or (0.0, 0.0)
        return Glass(u, v, scale, float(self.width()), float(self.height()))

    def handle_px(self, which: str) -> QPointF | None:
        """Widget position of "platform" or "tip"; None without a fixture in this picture."""
        plane = self.plane()
        if plane is None or self.entry is None or self.fixture is None:
            return None
        place = (
            edits.platform_of(self.entry) if which == "platform" else edits.tip_of(self.entry, self.fixture.length_mm)
        )
        u, v, _ = plane.from_lps(place)
        return self.glass().to_px(float(u), float(v))

    def _renew_fixture(self) -> None:
        plane = self.plane()
        if plane is None or self.entry is None or self.fixture is None:
            self._own = None
        else:
            self._own = fixture_outlines(self.entry, self.fixture, plane)

    # ---- painting

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw all layers."""
        painter = QPainter(self)
        painter.setRenderHints(QPainter.RenderHint.Antialiasing | QPainter.RenderHint.TextAntialiasing)
        painter.fillRect(self.rect(), QColor(palette.NIGHT))
        self.paint_layers(painter)

    def paint_layers(self, painter: QPainter) -> None:
        """Everything on the given painter, at this widget's size; also used for the picture that is shared."""
        cut, glass = self.cut, self.glass()
        if cut is None:
            return
        px = max(1.0, self.fontMetrics().height() / 17.0)
        if cut.section is None:
            words(
                painter,
                QPointF(glass.width / 2, glass.height / 2),
                say("picture.outside"),
                "#ffffff",
                align=Qt.AlignmentFlag.AlignHCenter,
                boxed=True,
            )
        else:
            if self._image is None:
                self._image = grey_image(cut.section.grey, self.window_grey)
            draw_section(painter, glass, cut.section, self._image)
        if self.show_overlays:
            self._paint_overlays(painter, glass, cut, px)
        for mark, text in self.marks:
            if shown_in(mark, cut.plane):
                draw_mark(painter, glass, mark, cut.plane, text, px)
        self._paint_pending(painter, glass, px)
        overlay.draw_letters(painter, glass, cut.plane, self._side_words())
        overlay.draw_scale(painter, glass, self._fine_print())
        self._paint_words(painter, glass)

    def _paint_overlays(self, painter: QPainter, glass: Glass, cut: Cut, px: float) -> None:
        overlay.draw_structures(painter, glass, cut, px)
        if self.numbers.bone is not None:
            overlay.draw_bone(painter, glass, self.numbers.bone, cut.plane, px)
        for other in cut.others:
            overlay.draw_fixture(painter, glass, other, px, own=False)
        platform, tip = self.handle_px("platform"), self.handle_px("tip")
        if self._own is not None and platform is not None and tip is not None:
            overlay.draw_axis(painter, glass, glass.to_mm(platform), glass.to_mm(tip), px)
            overlay.draw_fixture(painter, glass, self._own, px, own=True)
            overlay.draw_handle(painter, platform, "platform", px, self._hot == "platform")
            overlay.draw_handle(painter, tip, "tip", px, self._hot == "tip")
            if self.numbers.leader is not None:
                overlay.draw_leader(painter, glass, self.numbers.leader, cut.plane, tip, px)
        if self._cross_lps is not None:
            u, v, height = cut.plane.from_lps(self._cross_lps)
            if abs(height) < 8.0:
                overlay.draw_cross(painter, glass.to_px(float(u), float(v)), px)

    def _paint_pending(self, painter: QPainter, glass: Glass, px: float) -> None:
        if not self._pending or self.cut is None or self._pointer_lps is None:
            return
        points = (*self._pending, _triple(self._pointer_lps))
        draw_mark(painter, glass, HandMark(self.tool, points), self.cut.plane, "", px)

    def _paint_words(self, painter: QPainter, glass: Glass) -> None:
        align = Qt.AlignmentFlag.AlignRight
        if self.identity:
            words(painter, QPointF(glass.width - 12, 18), self.identity, "#ffffff", align=align, boxed=True)
        words(painter, QPointF(12, 18), self._where_words(), "#ffffff", bold=True, boxed=True)
        hint = self.asking or (say(f"tool.{self.tool}-hint") if self.tool else "")
        if hint:
            words(painter, QPointF(12, 46), hint, "#ffd447", boxed=True)
        words(
            painter,
            QPointF(glass.width - 12, glass.height - 18),
            self._pointer_words(),
            overlay.PALE,
            share=0.85,
            align=align,
            boxed=True,
        )

    def _where_words(self) -> str:
        if self.cut is None:
            return ""
        look = self.cut.look
        turn = look.turn_deg % 180
        name = (
            say("picture.across")
            if turn == 0
            else say("picture.along")
            if turn == 90
            else say("picture.turned", deg=f"{turn:.0f}")
        )
        if abs(look.offset_mm) < 1e-9:
            return name
        side = say("word.distal") if look.offset_mm > 0 else say("word.mesial")
        return say("picture.beside", name=name, mm=f"{abs(look.offset_mm):.1f}", side=side)

    def _side_words(self) -> tuple[str, str, str, str]:
        assert self.cut is not None
        plane, look = self.cut.plane, self.cut.look
        upper = self.entry is not None and self.entry.jaw == "upper"
        names = {
            "b": say("word.buccal"),
            "l": say("word.palatal") if upper else say("word.lingual"),
            "d": say("word.distal"),
            "m": say("word.mesial"),
        }
        across, along = float(plane.right @ look.anchor.buccal), float(plane.right @ look.anchor.distal)
        if abs(across) >= abs(along):
            right, left = ("b", "l") if across > 0 else ("l", "b")
        else:
            right, left = ("d", "m") if along > 0 else ("m", "d")
        ends = (say("word.apical"), say("word.coronal"))
        top, bottom = ends if float(plane.up @ look.anchor.axis) > 0 else ends[::-1]
        return names[left], names[right], top, bottom

    def _fine_print(self) -> str:
        assert self.cut is not None
        section = self.cut.section
        voxel = self._voxel_words
        if section is None:
            return voxel
        key = "picture.full" if self.cut.smooth else "picture.quick"
        return f"{voxel} · {say(key)}"

    _voxel_words = ""

    def set_voxel(self, kji_mm: tuple[float, float, float]) -> None:
        """Say on the picture how large the scan's voxels are."""
        self._voxel_words = say("picture.voxel", size=" × ".join(f"{x:.2f}" for x in kji_mm[::-1]))

    def _pointer_words(self) -> str:
        if self._pointer_lps is None or self.cut is None or self.cut.section is None:
            return say("picture.keys")
        u, v, _ = self.cut.plane.from_lps(self._pointer_lps)
        section = self.cut.section
        i, j = (int(np.argmin(np.abs(axis - at))) for axis, at in ((section.u_mm, u), (section.v_mm, v)))
        left, right, bottom, top = section.extent_mm
        grey = section.grey[j, i] if left <= u <= right and bottom <= v <= top else np.nan
        place = ", ".join(f"{x:.1f}" for x in self._pointer_lps).replace("-", "−")
        shown = f"{grey:.0f}".replace("-", "−") if np.isfinite(grey) else "–"
        return say("picture.pointer", grey=shown, place=place)

    # ---- the hand

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Take hold of what lies under the pointer."""
        self._press = event.position()
        self._press_entry, self._press_window = self.entry, self.window_grey
        glass = self.glass()
        self._press_centre = (glass.centre_u_mm, glass.centre_v_mm)
        if event.button() == Qt.MouseButton.RightButton:
            self._grip = "window"
        elif event.button() == Qt.MouseButton.MiddleButton:
            self._grip = "pan"
        elif self.asking:
            self.clicked.emit(self._lps(event.position()))
        elif self.tool:
            self._add_point(event.position())
        else:
            self._grip = self._under(event.position()) or "pan"
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Move what is held."""
        at = event.position()
        self._pointer_lps = self._lps(at)
        self.pointed.emit(self._pointer_lps)
        if self._grip == "window":
            right, up = (at.x() - self._press.x()) / self.width(), (self._press.y() - at.y()) / self.height()
            self.windowed.emit(self._press_window.dragged(right, up))
        elif self._grip == "pan":
            scale = self.glass().scale
            u = self._press_centre[0] - (at.x() - self._press.x()) / scale
            self._centre = (u, self._press_centre[1] + (at.y() - self._press.y()) / scale)
        elif self._grip:
            entry = self._dragged(at)
            if entry is not None and entry is not self.entry:
                self.held.emit(entry)
        else:
            self._hot = self._under(at) if not (self.tool or self.asking) else ""
            self._show_cursor()
        self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Let go."""
        grip, self._grip = self._grip, ""
        if grip in {"body", "tip", "platform"} and self.entry is not None and self.entry != self._press_entry:
            self.let_go.emit(self.entry, say(f"did.{grip}", tooth=self.entry.tooth))
        event.accept()

    def leaveEvent(self, event: QEvent) -> None:
        """Forget the pointer."""
        self._pointer_lps = None
        self._hot = ""
        self.pointed.emit(None)
        self.update()

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Step along the arch; with Shift turn round the fixture; with Ctrl enlarge."""
        notches = (event.angleDelta().y() or event.angleDelta().x()) / 120.0
        keys = event.modifiers()
        if keys & Qt.KeyboardModifier.ControlModifier:
            self.zoom(1.15**notches, event.position())
        elif keys & Qt.KeyboardModifier.ShiftModifier:
            self.turned.emit(notches * TURN_DEG)
        else:
            self.stepped.emit(notches * STEP_MM)
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape leaves a tool; everything else is a shortcut of the window."""
        if event.key() == Qt.Key.Key_Escape and self._pending:
            self._pending.clear()
            self.update()
            return
        super().keyPressEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Keep the picture sharp at the new size."""
        super().resizeEvent(event)
        self.update()

    @property
    def holding(self) -> bool:
        """Whether a hand has the fixture now."""
        return self._grip in {"body", "tip", "platform"}

    def _dragged(self, at: QPointF) -> SiteEntry | None:
        plane, start = self.plane(), self._press_entry
        if plane is None or start is None or self.fixture is None:
            return None
        delta = np.asarray(self._lps(at)) - np.asarray(self._lps(self._press))
        if self._grip == "body":
            return edits.moved(start, delta)
        if self._grip == "tip":
            return edits.with_tip_at(start, edits.tip_of(start, self.fixture.length_mm) + delta)
        return edits.with_platform_at(start, edits.platform_of(start) + delta, self.fixture.length_mm)

    def _under(self, at: QPointF) -> str:
        """What a press at this place would take hold of: "tip", "platform", "body" or ""."""
        if not self.show_overlays:
            return ""
        for which in ("tip", "platform"):
            handle = self.handle_px(which)
            if handle is not None and np.hypot(handle.x() - at.x(), handle.y() - at.y()) < REACH_PX:
                return which
        glass = self.glass()
        for outline in self._own.body if self._own else ():
            if glass.polygon(outline).containsPoint(at, Qt.FillRule.OddEvenFill):
                return "body"
        return ""

    def _show_cursor(self) -> None:
        if self.tool or self.asking:
            return
        shape = {
            "body": Qt.CursorShape.SizeAllCursor,
            "tip": Qt.CursorShape.PointingHandCursor,
            "platform": Qt.CursorShape.PointingHandCursor,
        }.get(self._hot, Qt.CursorShape.ArrowCursor)
        self.setCursor(shape)

    def _add_point(self, at: QPointF) -> None:
        place = self._lps(at)
        if place is None or self.cut is None:
            return
        self._pending.append(_triple(place))
        if len(self._pending) < POINTS_NEEDED[self.tool]:
            return
        points = tuple(self._pending)
        if self.tool == "circle":
            points = (*points, _triple(np.asarray(points[0]) + self.cut.plane.toward))
        self._pending.clear()
        tooth = self.entry.tooth if self.entry else None
        self.marked.emit(HandMark(self.tool, points, tooth=tooth))

    def _lps(self, at: QPointF) -> Vector | None:
        plane = self.plane()
        if plane is None:
            return None
        u, v = self.glass().to_mm(at)
        return plane.to_lps(u, v)

    def visible_rect(self) -> QRectF:
        """The whole widget."""
        return QRectF(self.rect())


def _triple(vector: Vector) -> tuple[float, float, float]:
    x, y, z = (round(float(value), 4) for value in vector)
    return x, y, z
