"""The picture of a section: grey values, structures, fixture, numbers and words, drawn as they are given."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QImage, QPainter, QPaintEvent, QPixmap
from PySide6.QtWidgets import QSizePolicy, QWidget

from siteplan.case import SiteEntry
from siteplan.fixture import Fixture
from siteplan.frame import Vector
from siteplan.report import palette
from siteplan.report.plane import Plane
from viewer import edits, overlay
from viewer.hand_draw import draw_mark, shown_in
from viewer.labels import Labels
from viewer.look import Window
from viewer.overlay import BoneLines, Leader
from viewer.paint import Glass, draw_section, grey_image, words
from viewer.pictures import Cut, FixtureOutlines, fixture_outlines
from viewer.plan import HandMark
from viewer.rests_on import RestsOn
from viewer.section_words import pointer_words, side_words, where_words
from viewer.texts import say
from viewer.undecided import Crossing

_SHOWN_HEIGHT_MM = 42.0
"""Height of the view at first: a long fixture with its abutment and what lies below."""


@dataclass(frozen=True, eq=False)
class Numbers:
    """Measured things that are drawn in the section."""

    bone: BoneLines | None = None
    leader: Leader | None = None


class SectionPicture(QWidget):
    """Shows one plane through a site; `SectionView` adds the hand. Signals: seen(): it was enlarged or moved."""

    seen = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(240, 160)
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
        self.sharing = False
        self.empty = ""
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
        self.held_crossing: Crossing | None = None
        self.held_at_lps: Vector | None = None
        self._pending: list[tuple[float, float, float]] = []
        self._pointer_lps: Vector | None = None
        self._cross_lps: Vector | None = None
        self._ground, self._still = QPixmap(), QPixmap()
        self._ground_rests_on, self._still_rests_on = RestsOn(), RestsOn()
        self._ground_boxes: list[QRectF] = []
        self._seen = RestsOn()
        self._by_key = False
        self.centre_next = False
        self.label_boxes: dict[str, QRectF] = {}
        self._tick_boxes: list[QRectF] = []

    # ---- what is shown

    def set_cut(self, cut: Cut) -> None:
        """Show another section."""
        same_site = self.cut is not None and self.cut.look.anchor is cut.look.anchor
        self.cut = cut
        self._image = None
        if self._centre is None or (self.centre_next and not same_site):
            self.recentre()
            self.centre_next = False
        self._renew_fixture()
        self.update()

    def forget(self, why: str = "") -> None:
        """Show nothing, and say why, until the next section is there."""
        self.empty = why
        self.cut, self.entry, self.fixture, self._own = None, None, None, None
        self.numbers, self.marks, self._centre = Numbers(), (), None
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
        if tool:
            self.setFocus()
        self.setCursor(Qt.CursorShape.CrossCursor if tool or self.asking else Qt.CursorShape.ArrowCursor)
        self.update()

    def ask_place(self, words_: str) -> None:
        """Ask for one click on the picture; "" ends the asking."""
        self.asking = words_
        if words_:
            self.setFocus()
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
        """Widget position of "platform" or "tip"; None where the picture passes that end of the fixture by."""
        plane, ends = self.plane(), self._ends()
        if plane is None or ends is None:
            return None
        u, v, beside = plane.from_lps(ends[0] if which == "platform" else ends[1])
        return self.glass().to_px(float(u), float(v)) if abs(beside) <= self._reach_mm() else None

    def _ends(self) -> tuple[Vector, Vector] | None:
        """Platform and tip."""
        if self.entry is None or self.fixture is None:
            return None
        return edits.platform_of(self.entry), edits.tip_of(self.entry, self.fixture.length_mm)

    def _reach_mm(self) -> float:
        """As far from the picture's plane the fixture's own body still comes up to it."""
        return self.fixture.body.max_radius_mm if self.fixture is not None else 0.0

    def crossing_px(self, crossing: Crossing) -> QPointF:
        """Widget position of a canal's middle line; while it is in the hand, of the hand."""
        plane = self.plane()
        assert plane is not None
        held = self.held_at_lps if crossing is self.held_crossing else None
        u, v, _ = plane.from_lps(crossing.at_lps_mm if held is None else held)
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
        glass = self.glass()
        if self._seen.renewed((self.cut, glass.centre_v_mm, glass.scale, glass.height)):
            self.seen.emit()

    def paint_layers(self, painter: QPainter) -> None:
        """Everything on the given painter, at this widget's size; also used for the picture that is shared."""
        cut, glass = self.cut, self.glass()
        if cut is None:
            middle = QPointF(glass.width / 2, glass.height / 2)
            words(painter, middle, self.empty, "#cfd8dc", align=Qt.AlignmentFlag.AlignHCenter)
            return
        px = max(1.0, self.fontMetrics().height() / 17.0)
        self._show_still(painter, glass, cut, px)
        if cut.section is None:
            words(
                painter,
                QPointF(glass.width / 2, glass.height / 2),
                say("picture.outside"),
                "#ffffff",
                align=Qt.AlignmentFlag.AlignHCenter,
                boxed=True,
            )
        labels = Labels(painter, glass.width, glass.height)
        self.label_boxes = labels.boxes
        if self.show_overlays:
            self._paint_overlays(painter, glass, cut, px)
        self._paint_words(labels, glass, cut)
        for mark, text in self.marks:
            if shown_in(mark, cut.plane):
                draw_mark(labels, glass, mark, cut.plane, text, px)
        self._paint_pending(labels, glass, px)

    def _show_still(self, painter: QPainter, glass: Glass, cut: Cut, px: float) -> None:
        """What does not move with the hand: painted once for the screen and kept, painted anew on any other painter.

        In two layers, because a hand that moves has the bone read anew while picture and structures stay what they are.
        """
        if painter.device() is not self:
            self._paint_ground(painter, glass, cut, px)
            self._paint_measured(painter, glass, cut, px)
            return
        bone = self.numbers.bone
        lines = (bone.frame, bone.buccal_edge_mm, bone.lingual_edge_mm, bone.ticks, bone.quick) if bone else ()
        grey, seen = self.window_grey, (glass.centre_u_mm, glass.centre_v_mm, glass.scale, glass.width, glass.height)
        ratio = self.devicePixelRatioF()
        look = (grey.low, grey.high, self.show_overlays, px, ratio, self.font().key(), seen)
        if self._ground_rests_on.renewed((cut, look)):
            self._ground = QPixmap(self.size() * ratio)
            self._ground.setDevicePixelRatio(ratio)
            self._ground.fill(QColor(palette.NIGHT))
            with self._inner(self._ground, painter) as inner:
                self._paint_ground(inner, glass, cut, px)
        if self._still_rests_on.renewed((cut, look, *lines)):
            self._still = self._ground.copy()
            with self._inner(self._still, painter) as inner:
                self._paint_measured(inner, glass, cut, px)
        painter.drawPixmap(0, 0, self._still)

    @contextmanager
    def _inner(self, picture: QPixmap, like: QPainter) -> Iterator[QPainter]:
        inner = QPainter(picture)
        inner.setFont(self.font())
        inner.setRenderHints(like.renderHints())
        yield inner
        inner.end()

    def _paint_ground(self, painter: QPainter, glass: Glass, cut: Cut, px: float) -> None:
        """The grey picture with structures."""
        if cut.section is not None:
            if self._image is None:
                self._image = grey_image(cut.section.grey, self.window_grey)
            draw_section(painter, glass, cut.section, self._image)
        self._ground_boxes = overlay.draw_structures(painter, glass, cut, px) if self.show_overlays else []

    def _paint_measured(self, painter: QPainter, glass: Glass, cut: Cut, px: float) -> None:
        """Measured bone and the other fixtures over it."""
        self._tick_boxes = [*self._ground_boxes]
        if not self.show_overlays:
            return
        if self.numbers.bone is not None:
            self._tick_boxes += overlay.draw_bone(painter, glass, self.numbers.bone, cut.plane, px)
        for other in cut.others:
            overlay.draw_fixture(painter, glass, other, px, own=False)

    def _paint_overlays(self, painter: QPainter, glass: Glass, cut: Cut, px: float) -> None:
        for crossing in () if self.sharing else cut.crossings:
            overlay.draw_ring(painter, self.crossing_px(crossing), px, self._hot == "canal")
        ends = self._ends()
        if self._own is not None and ends is not None:
            overlay.draw_axis(painter, glass, cut.plane, ends, self._reach_mm(), px)
            overlay.draw_fixture(painter, glass, self._own, px, own=True)
            for which in () if self.sharing else ("platform", "tip"):
                at = self.handle_px(which)
                if at is not None:
                    overlay.draw_handle(painter, at, which, px, self._hot == which)
        if self._by_key and self._pointer_lps is not None:
            u, v, _ = cut.plane.from_lps(self._pointer_lps)
            overlay.draw_cross(painter, glass.to_px(float(u), float(v)), 1.5 * px)
        if self._cross_lps is not None:
            u, v, height = cut.plane.from_lps(self._cross_lps)
            if abs(height) < 8.0:
                overlay.draw_cross(painter, glass.to_px(float(u), float(v)), px)

    def _paint_pending(self, labels: Labels, glass: Glass, px: float) -> None:
        if not self._pending or self.cut is None or self._pointer_lps is None:
            return
        points = (*self._pending, triple(self._pointer_lps))
        draw_mark(labels, glass, HandMark(self.tool, points), self.cut.plane, "", px)

    def _paint_words(self, labels: Labels, glass: Glass, cut: Cut) -> None:
        """All words that stand at the edges, the gravest first, so that it is the others that step aside."""
        right, far = Qt.AlignmentFlag.AlignRight, glass.width - 12
        overlay.draw_scale(labels, glass, self._fine_print())
        labels.put("where", where_words(cut.look, self.entry), [QPointF(12, labels.top(0))], "#ffffff", bold=True)
        if self.identity:
            rows = [QPointF(far, labels.top(row)) for row in (0, 1)]
            labels.put("identity", self.identity, rows, "#ffffff", align=right)
        overlay.draw_letters(labels, cut.plane, side_words(cut.look, cut.plane, self.entry))
        hint = self.asking or (say(f"tool.{self.tool}-hint") if self.tool else "")
        if (
            not hint
            and ((self._hot == "canal" and cut.crossings) or self.held_crossing is not None)
            and not self.sharing
        ):
            hint = say("picture.canal-hint")
        if hint:
            labels.put("hint", hint, [QPointF(12, labels.top(row)) for row in (1, 2, 3)], "#ffd447")
        if not self.sharing:
            rows = [QPointF(far, labels.bottom(row)) for row in (0, 1, 2)]
            said = pointer_words(cut, self._pointer_lps)
            labels.put("pointer", said, rows, overlay.PALE, share=0.85, align=right)
        for number, box in enumerate(self._tick_boxes):
            labels.take(f"tick{number}", box)
        for which in ("tip", "platform"):
            handle = self.handle_px(which)
            if handle is not None and not self.sharing:
                labels.take(f"tick-{which}", QRectF(handle.x() - 10, handle.y() - 10, 20, 20))
        anchor = self.handle_px("tip") or self.handle_px("platform")
        if self.show_overlays and self.numbers.leader is not None and self._own is not None and anchor is not None:
            px = max(1.0, self.fontMetrics().height() / 17.0)
            overlay.draw_leader(labels, glass, self.numbers.leader, cut.plane, anchor, px)

    def _fine_print(self) -> str:
        assert self.cut is not None
        section = self.cut.section
        voxel = self.voxel_words
        if section is None:
            return voxel
        key = "picture.full" if self.cut.smooth else "picture.quick"
        return f"{voxel} · {say(key)}"

    voxel_words = ""

    def set_voxel(self, kji_mm: tuple[float, float, float]) -> None:
        """Say on the picture how large the scan's voxels are."""
        self.voxel_words = say("picture.voxel", size=" × ".join(f"{x:.2f}" for x in kji_mm[::-1]))


def triple(vector: Vector) -> tuple[float, float, float]:
    """A point as the plan holds it."""
    x, y, z = (round(float(value), 4) for value in vector)
    return x, y, z
