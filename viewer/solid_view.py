"""All sites in 3D: bone, fixtures with their abutments, structures, the tips of the drills. A picture, never a ruler.

VTK is reached only through the report's gateway, off the screen and in a thread of its own; the window shows finished
pictures, so that a machine without OpenGL loses this view and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, Qt, QTimer
from PySide6.QtGui import QCloseEvent, QImage, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QResizeEvent, QWheelEvent
from PySide6.QtWidgets import QCheckBox, QDialog, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from siteplan.anatomy import MadeBy, Structure
from siteplan.assessment import Library, pose_of
from siteplan.case import SiteEntry
from siteplan.fixture import Fixture, Pose, Solid
from siteplan.report import palette, vtk_gateway
from siteplan.report.meshes import Mesh, shape_mesh, solid_mesh
from siteplan.report.plane import Plane
from siteplan.report.vtk_gateway import Camera
from siteplan.scan import Scan
from viewer.edits import platform_of
from viewer.giving_back import give_back
from viewer.jobs import Channel, leave
from viewer.labels import Labels
from viewer.measuring import Measured, fixture_named
from viewer.overlay import draw_letters, draw_scale
from viewer.paint import Glass
from viewer.solid_bone import jaw_bones
from viewer.texts import say
from viewer.way_in import way_meshes, way_words, ways_in

if TYPE_CHECKING:
    from viewer.window import MainWindow

PALE = 0.3
KEY_RAD = 0.15
"""A press of an arrow key turns the scene by this angle (about 9 degrees)."""
MOVING_SHARE = 0.5
"""Share of the full resolution while the hand turns the scene."""
TIP_RIM_MM, TIP_MM = 0.9, 0.15
"""How far the disc at a drill's tip stands out around the fixture, and its thickness (for the eye only)."""


@dataclass(frozen=True, eq=False)
class SolidRequest:
    """Everything in the scene. `cut_at`: the tooth at which the bone on the cheek side is taken away, or None.
    `proposals`: drawn pale, because they are no part of the case."""

    scan: Scan
    library: Library
    sites: tuple[tuple[SiteEntry, Fixture | None, Measured | None], ...]
    tooth: int
    cut_at: int | None
    proposals: tuple[Structure, ...] = ()


def build_scene(request: SolidRequest) -> list[Mesh]:
    """The meshes of the scene."""
    meshes = jaw_bones(request.scan, [entry for entry, _, _ in request.sites], request.cut_at)
    for entry, fixture, measured in request.sites:
        if fixture is not None:
            meshes += [solid_mesh(part, pose_of(entry), palette.FIXTURE) for part in (fixture.body, fixture.above)]
        meshes += _tips(entry, fixture, measured)
    for structure in request.library.structures:
        meshes.append(
            shape_mesh(structure.shape, palette.LINE_OF_KIND[structure.kind.value].colour, _opacity(structure))
        )
    for structure in request.proposals:
        meshes.append(shape_mesh(structure.shape, palette.LINE_OF_KIND[structure.kind.value].colour, PALE))
    for way in ways_in([(entry, fixture) for entry, fixture, _ in request.sites]):
        meshes += way_meshes(way)
    return meshes


def _opacity(structure: Structure) -> float:
    """What nobody has confirmed is paler than what a person vouches for."""
    return 0.6 if structure.made_by is MadeBy.FOUND else 0.95


def _tips(entry: SiteEntry, fixture: Fixture | None, measured: Measured | None) -> list[Mesh]:
    """A thin disc where each drill's very tip ends, wider than the fixture, so that it is seen around it."""
    if measured is None or measured.site.placed is None or fixture is None:
        return []
    radius = fixture.body.max_radius_mm + TIP_RIM_MM
    disc = Solid(np.array([-0.5, 0.5]) * TIP_MM, np.array([radius, radius]))
    depths = sorted({round(step.tip_below_bone_mm, 2) for step in measured.site.placed.preparation.steps})
    frame, axis = measured.site.bone.frame, pose_of(entry).axis
    return [solid_mesh(disc, Pose(frame.to_lps(depth, 0, 0), axis), palette.MEASURE, 0.75) for depth in depths]


class SolidDialog(QDialog):
    """The 3D scene, or why there is none."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self.window_ = window
        self.setWindowTitle(say("solid.title"))
        self.resize(1000, 760)
        column = QVBoxLayout(self)
        self.canvas = SolidCanvas(self)
        column.addWidget(self.canvas, 1)
        self.ways = QLabel()
        self.ways.setWordWrap(True)
        self.ways.setToolTip(say("way.tip"))
        self.key = QLabel(say("solid.key"))
        self.key.setWordWrap(True)
        self.key.setObjectName("quiet")
        row = QHBoxLayout()
        self.cut_box = QCheckBox(say("solid.cut"))
        self.cut_box.setToolTip(say("solid.cut-tip"))
        self.cut_box.setShortcut("C")
        self.cut_box.toggled.connect(self._build)
        hint = QLabel(say("solid.hint"))
        hint.setObjectName("quiet")
        hint.setWordWrap(True)
        back = QPushButton(say("solid.back"))
        back.setAutoDefault(False)
        back.clicked.connect(self.close)
        row.addWidget(self.cut_box)
        row.addWidget(hint, 1)
        row.addWidget(back)
        for part in (self.ways, self.key):
            column.addWidget(part)
        column.addLayout(row)
        self.canvas.setFocus()
        self._trial = Channel("trial", self)
        self._trial.done.connect(lambda _n, trial: self._tried(trial))
        self._trial.failed.connect(lambda _n, why: self._tried(vtk_gateway.Trial(False, why)))
        self._trial.ask(lambda _ticket: vtk_gateway.trial())

    def _tried(self, trial: vtk_gateway.Trial) -> None:
        if not trial.works:
            self.setWindowTitle(say("solid.none-title"))
            self.canvas.words = say("solid.none", why=trial.why)
            self.canvas.update()
            self.cut_box.setEnabled(False)
            return
        self._build()

    def _build(self) -> None:
        desk = self.window_.desk
        session, library, entry = desk.session, desk.library, desk.entry
        if session is None or library is None or entry is None:
            return
        sites = tuple((e, fixture_named(library, e.fixture), desk.measured.get(e.tooth)) for e in session.plan.sites)
        request = SolidRequest(
            session.scan,
            library,
            sites,
            entry.tooth,
            entry.tooth if self.cut_box.isChecked() else None,
            desk.proposed,
        )
        self.ways.setText(way_words(ways_in([(e, f) for e, f, _ in sites])))
        self.canvas.sites = tuple((e.tooth, platform_of(e)) for e in session.plan.sites)
        k, j, i = session.scan.spacing_kji_mm
        self.canvas.fine = say("picture.voxel", size=f"{i:.2f} × {j:.2f} × {k:.2f}")
        self.canvas.look_at(entry)
        self.canvas.build(request)

    def closeEvent(self, event: QCloseEvent) -> None:
        """End all work."""
        self._trial.close()
        self.canvas.close_channel()
        super().closeEvent(event)


class SolidCanvas(QWidget):
    """Shows rendered pictures and asks for new ones as the hand turns the scene."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMinimumSize(320, 200)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(say("solid.title"))
        self.sites: tuple[tuple[int, NDArray[np.float64]], ...] = ()
        self.fine = ""
        self._seen: Camera | None = None
        self.words = say("solid.waiting")
        self.image: QImage | None = None
        self._meshes: list[Mesh] = []
        self._camera: Camera | None = None
        self._press = QPointF()
        self._press_camera: Camera | None = None
        self._stage: tuple[list[Mesh], vtk_gateway.Stage] | None = None
        self._builder = Channel("scene", self)  # of its own: a picture that is asked for must not take a scene's place
        self._builder.done.connect(lambda _n, meshes: self._take_scene(meshes))
        self._builder.failed.connect(lambda _n, why: self._say(why))
        self._channel = Channel("render", self, at_end=self._clear_stage)
        self._channel.done.connect(lambda _n, answer: self._take(*answer))
        self._channel.failed.connect(lambda _n, why: self._say(why))
        self._rest = QTimer(self)
        self._rest.setSingleShot(True)
        self._rest.setInterval(180)
        self._rest.timeout.connect(lambda: self._ask(1.0))

    def look_at(self, entry: SiteEntry) -> None:
        """From the cheek, a little from the crown's side."""
        if self._camera is not None:
            return
        frame = entry.frame()
        toward = np.cos(0.4) * frame.buccal - np.sin(0.4) * frame.axis
        head = frame.axis if frame.axis[2] > 0 else -frame.axis
        up = head - (head @ toward) * toward
        self._camera = Camera(frame.to_lps(1.0, 0, 0), toward, up / np.linalg.norm(up), 24.0)

    def build(self, request: SolidRequest) -> None:
        """Make the meshes of a scene, then show it."""
        self._builder.ask(lambda _ticket: build_scene(request))

    @property
    def busy(self) -> bool:
        """Whether another picture is still to come."""
        return self._builder.busy or self._channel.busy or self._rest.isActive()

    def close_channel(self) -> None:
        """End all work."""
        self._rest.stop()
        leave((self._builder, self._channel))

    def paintEvent(self, _event: QPaintEvent) -> None:
        """The picture, or the words in its place; patient letters at the edges."""
        painter = QPainter(self)
        painter.fillRect(self.rect(), Qt.GlobalColor.white)
        if self.image is None or self._camera is None:
            painter.setPen(Qt.GlobalColor.black)
            painter.drawText(
                self.rect().adjusted(60, 0, -60, 0),
                int(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap),
                self.words,
            )
            return
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        painter.drawImage(self.rect(), self.image)
        camera = self._seen or self._camera
        right = np.cross(camera.up, camera.toward)
        plane = Plane(camera.target_lps_mm, right, camera.up)
        scale = self.height() / (2 * camera.half_height_mm)
        glass = Glass(0.0, 0.0, scale, float(self.width()), float(self.height()))
        labels = Labels(painter, glass.width, glass.height)
        draw_scale(labels, glass, self.fine)
        draw_letters(labels, plane, ("", "", "", ""))
        for tooth, place in self.sites:
            u, v, _ = plane.from_lps(place)
            at = glass.to_px(float(u), float(v))
            middle = Qt.AlignmentFlag.AlignHCenter
            if labels.free(at, str(tooth), bold=True, align=middle):
                labels.put(str(tooth), str(tooth), [at], palette.FIXTURE, bold=True, align=middle)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Take hold of the scene."""
        self._press, self._press_camera = event.position(), self._camera

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Turn the scene."""
        if self._press_camera is not None:
            moved = event.position() - self._press
            self._turn(self._press_camera, moved.x() * 0.01, moved.y() * 0.01)

    def _turn(self, start: Camera, sideways: float, upwards: float) -> None:
        """Turn the scene from a camera by two angles in radians."""
        right = np.cross(start.up, start.toward)
        toward = _turned(start.toward, start.up, -sideways)
        side = _turned(right, start.up, -sideways)
        toward, up = _turned(toward, side, -upwards), _turned(start.up, side, -upwards)
        self._show(Camera(start.target_lps_mm, toward, up, start.half_height_mm))

    def _show(self, camera: Camera) -> None:
        self._camera = camera
        self._ask(MOVING_SHARE)
        self._rest.start()

    def _nearer(self, factor: float) -> None:
        c = self._camera
        if c is not None:
            half = float(np.clip(c.half_height_mm / factor, 4.0, 90.0))
            self._show(Camera(c.target_lps_mm, c.toward, c.up, half))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Arrow keys turn, plus and minus come nearer or go away."""
        ways = {
            Qt.Key.Key_Left: (-KEY_RAD, 0.0),
            Qt.Key.Key_Right: (KEY_RAD, 0.0),
            Qt.Key.Key_Up: (0.0, -KEY_RAD),
            Qt.Key.Key_Down: (0.0, KEY_RAD),
        }
        key = Qt.Key(event.key())
        if self._camera is not None and key in ways:
            self._turn(self._camera, *ways[key])
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self._nearer(1.15)
        elif key == Qt.Key.Key_Minus:
            self._nearer(1 / 1.15)
        else:
            super().keyPressEvent(event)

    def mouseReleaseEvent(self, _event: QMouseEvent) -> None:
        """Let go."""
        self._press_camera = None

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Come nearer or go away."""
        self._nearer(0.9 ** (-event.angleDelta().y() / 120))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """A new picture at the new size."""
        super().resizeEvent(event)
        self._rest.start()

    def _ask(self, share: float) -> None:
        camera, meshes = self._camera, self._meshes
        if camera is None or not meshes:
            return
        width, height = max(64, int(self.width() * share)), max(64, int(self.height() * share))
        self._channel.ask(lambda _ticket: (camera, self._picture(meshes, camera, (width, height), share == 1.0)))

    def _picture(self, meshes: list[Mesh], camera: Camera, size: tuple[int, int], last: bool) -> NDArray[np.uint8]:
        """In the worker: the scene stays set up while the hand turns it; `last`: the hand rests, so it goes."""
        if self._stage is None or self._stage[0] is not meshes:
            self._clear_stage()
            self._stage = (meshes, vtk_gateway.Stage(meshes))
        picture = self._stage[1].picture(camera, *size)
        if last:
            self._clear_stage()
            give_back()
        return picture

    def _clear_stage(self) -> None:
        """In the worker: give its memory back."""
        if self._stage is not None:
            self._stage[1].close()
            self._stage = None

    def _take_scene(self, meshes: list[Mesh]) -> None:
        self._meshes = meshes
        self._ask(1.0)

    def _take(self, camera: Camera, drawn: NDArray[np.uint8]) -> None:
        self._seen = camera
        picture: NDArray[np.uint8] = np.ascontiguousarray(drawn)
        height, width, _ = picture.shape
        self.image = QImage(picture.data, width, height, 3 * width, QImage.Format.Format_RGB888).copy()
        self.update()

    def _say(self, why: str) -> None:
        self.words, self.image = why, None
        self.update()


def _turned(vector: NDArray[np.float64], axis: NDArray[np.float64], angle: float) -> NDArray[np.float64]:
    """Turned round a unit axis (Rodrigues' formula)."""
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(c * vector + s * np.cross(axis, vector) + (1 - c) * (axis @ vector) * axis)


def show_solid(window: MainWindow) -> SolidDialog | None:
    """Open the scene of the present plan."""
    if window.desk.entry is None:
        return None
    dialog = SolidDialog(window)
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.open()
    return dialog
