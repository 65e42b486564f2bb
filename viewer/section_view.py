"""The large section: one plane through a site, the fixture in it, and a hand that moves both.

It draws what it is given and tells what the hand did; it computes no finding.
"""

import numpy as np
from PySide6.QtCore import QEvent, QPointF, Qt, Signal
from PySide6.QtGui import QKeyEvent, QMouseEvent, QResizeEvent, QWheelEvent

from siteplan.case import SiteEntry
from siteplan.frame import Vector
from viewer import edits
from viewer.hand import POINTS_NEEDED
from viewer.plan import HandMark
from viewer.section_picture import SectionPicture, triple
from viewer.texts import say
from viewer.undecided import Crossing

REACH_PX = 14.0
"""How near the pointer must come to a handle; about a finger's half width on a touch pad."""
STEP_MM = 0.5
TURN_DEG = 5.0


class SectionView(SectionPicture):
    """See the module.

    Signals:
        held(SiteEntry): the fixture under the hand; let_go(SiteEntry, str): where it was left, and what was done.
        stepped(float), turned(float): wishes for another section (mm along the arch, degrees round the axis).
        windowed(Window): another window for the grey values.
        pointed(object): LPS point under the pointer, or None.
        marked(HandMark): a finished hand measurement. clicked(object): LPS point, while a place is asked for.
        canal_put(str, int, object): name of a canal, which of its points was dragged, and the LPS place it was put.
    """

    held = Signal(object)
    let_go = Signal(object, str)
    stepped = Signal(float)
    turned = Signal(float)
    windowed = Signal(object)
    pointed = Signal(object)
    marked = Signal(object)
    clicked = Signal(object)
    canal_put = Signal(str, int, object)

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
            place = self._lps(event.position())
            if place is not None:
                self._add_point(place)
        else:
            self._grip = self._under(event.position()) or "pan"
            self.held_crossing = self._crossing_under(event.position()) if self._grip == "canal" else None
            if self.holding:
                self.pointed.emit(None)
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Move what is held."""
        at = event.position()
        self._by_key = False
        self._pointer_lps = self._lps(at)
        if not self.holding:  # what is in the hand shows where it is; other pictures need not be drawn for it
            self.pointed.emit(self._pointer_lps)
        if self._grip == "window":
            right, up = (at.x() - self._press.x()) / self.width(), (self._press.y() - at.y()) / self.height()
            self.windowed.emit(self._press_window.dragged(right, up))
        elif self._grip == "pan":
            scale = self.glass().scale
            u = self._press_centre[0] - (at.x() - self._press.x()) / scale
            self._centre = (u, self._press_centre[1] + (at.y() - self._press.y()) / scale)
        elif self._grip == "canal":
            self.held_at_lps = self._pointer_lps
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
        held, place = self.held_crossing, self.held_at_lps
        self.held_crossing, self.held_at_lps = None, None
        if grip == "canal" and held is not None and place is not None:
            self.canal_put.emit(held.name, held.index, place)
        self.update()
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
        """Enter acts where the keys have put the pointer; everything else is a shortcut of the window."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.keys_point:
            self.press_by_key()
            return
        super().keyPressEvent(event)

    # ---- the same by keys

    @property
    def keys_point(self) -> bool:
        """Whether arrow keys move a pointer now, because a place is asked for, a tool is out or a canal is held."""
        return bool(self.asking or self.tool or self.held_crossing is not None)

    def move_by_key(self, right_mm: float, up_mm: float) -> None:
        """Move the pointer, and what it holds, by millimetres."""
        plane = self.plane()
        if plane is None:
            return
        glass = self.glass()
        start = self.held_at_lps if self.held_crossing is not None else self._pointer_lps
        if start is None:
            start = plane.to_lps(glass.centre_u_mm, glass.centre_v_mm)
        self._by_key = True
        self._pointer_lps = start + right_mm * plane.right + up_mm * plane.up
        if self.held_crossing is not None:
            self.held_at_lps = self._pointer_lps
        self.pointed.emit(self._pointer_lps)
        self.update()

    def press_by_key(self) -> None:
        """What a click at the pointer would do."""
        held, place = self.held_crossing, self._pointer_lps
        if held is not None and self.held_at_lps is not None:
            self.let_canal_go()
            self.canal_put.emit(held.name, held.index, place)
        elif place is None:
            self.move_by_key(0.0, 0.0)
        elif self.asking:
            self.clicked.emit(place)
        elif self.tool:
            self._add_point(place)
        self.update()

    def take_canal(self) -> bool:
        """Take hold of a canal that passes through the picture; pressed again, of the next. False where none does."""
        known = self.cut.crossings if self.cut else ()
        if not known:
            return False
        place = known.index(self.held_crossing) + 1 if self.held_crossing in known else 0
        self.held_crossing = known[place % len(known)]
        self._pointer_lps = self.held_at_lps = np.asarray(self.held_crossing.at_lps_mm)
        self.update()
        return True

    def let_canal_go(self) -> None:
        """Put nothing anywhere."""
        self.held_crossing, self.held_at_lps, self._by_key = None, None, False
        self.update()

    @property
    def has_points(self) -> bool:
        """Whether a hand measurement has been begun."""
        return bool(self._pending)

    def forget_points(self) -> None:
        """Begin a hand measurement anew."""
        self._pending.clear()
        self.update()

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
        """What a press at this place would take hold of: "tip", "platform", "canal", "body" or ""."""
        if not self.show_overlays:
            return ""
        for which in ("tip", "platform"):
            handle = self.handle_px(which)
            if handle is not None and np.hypot(handle.x() - at.x(), handle.y() - at.y()) < REACH_PX:
                return which
        if self._crossing_under(at) is not None:
            return "canal"
        glass = self.glass()
        for outline in self._own.body if self._own else ():
            if glass.polygon(outline).containsPoint(at, Qt.FillRule.OddEvenFill):
                return "body"
        return ""

    def _crossing_under(self, at: QPointF) -> Crossing | None:
        """The canal whose middle line passes through the picture near a place."""
        near = [(self.crossing_px(c), c) for c in (self.cut.crossings if self.cut else ())]
        gaps = [(float(np.hypot(p.x() - at.x(), p.y() - at.y())), c) for p, c in near]
        gap, found = min(gaps, key=lambda g: g[0], default=(np.inf, None))
        return found if gap < REACH_PX else None

    def _show_cursor(self) -> None:
        if self.tool or self.asking:
            return
        shape = {
            "body": Qt.CursorShape.SizeAllCursor,
            "tip": Qt.CursorShape.PointingHandCursor,
            "platform": Qt.CursorShape.PointingHandCursor,
            "canal": Qt.CursorShape.PointingHandCursor,
        }.get(self._hot, Qt.CursorShape.ArrowCursor)
        self.setCursor(shape)

    def _add_point(self, place: Vector) -> None:
        if self.cut is None:
            return
        self._pending.append(triple(place))
        if len(self._pending) < POINTS_NEEDED[self.tool]:
            return
        points = tuple(self._pending)
        if self.tool == "circle":
            points = (*points, triple(np.asarray(points[0]) + self.cut.plane.toward))
        self._pending.clear()
        tooth = self.entry.tooth if self.entry else None
        self.marked.emit(HandMark(self.tool, points, tooth=tooth))

    def _lps(self, at: QPointF) -> Vector | None:
        plane = self.plane()
        if plane is None:
            return None
        u, v = self.glass().to_mm(at)
        return plane.to_lps(u, v)
