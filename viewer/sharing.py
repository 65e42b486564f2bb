"""One picture for a message: the section with scale, orientation, verdict and voxel size; the patient only
when wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QColor, QImage, QImageWriter, QPainter, QPixmap
from PySide6.QtWidgets import (
    QApplication,
    QButtonGroup,
    QDialog,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QRadioButton,
    QVBoxLayout,
)

from siteplan.report import palette
from viewer.texts import say

if TYPE_CHECKING:
    from viewer.window import MainWindow

_FOOT = 3.2
"""Height of the foot in text lines: verdict, caution."""


def picture(window: MainWindow, *, with_patient: bool) -> QImage:
    """The present section as it is on the screen, twice as fine, with a foot that says the verdict."""
    section, desk = window.space.section, window.desk
    line = section.fontMetrics().height()
    foot = round(_FOOT * line)
    size = section.size() + QSize(0, foot)
    image = QImage(size * 2, QImage.Format.Format_RGB32)
    # The screen's own density, so that letters keep their size beside the picture.
    image.setDotsPerMeterX(round(section.logicalDpiX() / 0.0254))
    image.setDotsPerMeterY(round(section.logicalDpiY() / 0.0254))
    image.fill(QColor(palette.NIGHT))
    painter = QPainter(image)
    painter.scale(2, 2)
    painter.setFont(section.font())
    painter.setRenderHints(QPainter.RenderHint.Antialiasing | QPainter.RenderHint.TextAntialiasing)
    painter.save()
    painter.setClipRect(section.rect())
    kept, section.identity = section.identity, window.patient_line() if with_patient else ""
    section.sharing = True  # no handles and no hints for the hand
    section.paint_layers(painter)
    section.sharing, section.identity = False, kept
    painter.restore()
    answer = window.space.answers.questions["fits"].text()
    painter.setPen(QColor("#ffffff"))
    where = QRect(12, section.height(), section.width() - 24, foot)
    text = f"{say('share.verdict', tooth=desk.tooth, answer=answer)}\n{say('app.caution')}"
    painter.drawText(where, Qt.AlignmentFlag.AlignVCenter | Qt.TextFlag.TextWordWrap, text)
    painter.end()
    return image


class ShareDialog(QDialog):
    """Choose what the picture says about the patient, and where it goes."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self.window_ = window
        self.setWindowTitle(say("share.title"))
        column = QVBoxLayout(self)
        self._shown = QLabel()
        self._shown.setAlignment(Qt.AlignmentFlag.AlignCenter)
        column.addWidget(self._shown)
        self.without_button, self.with_button = QRadioButton(say("share.without")), QRadioButton(say("share.with"))
        self._group = QButtonGroup(self)
        for button in (self.without_button, self.with_button):
            self._group.addButton(button)
            column.addWidget(button)
            button.toggled.connect(self._show)
        self.without_button.setChecked(True)
        hint = QLabel(say("share.hint"))
        hint.setObjectName("quiet")
        column.addWidget(hint)
        row = QHBoxLayout()
        self.file_button, self.copy_button = QPushButton(say("share.file")), QPushButton(say("share.clipboard"))
        self.file_button.clicked.connect(self._to_file)
        self.copy_button.clicked.connect(lambda: self.copy(with_patient=self.with_button.isChecked()))
        row.addWidget(self.file_button)
        row.addWidget(self.copy_button)
        column.addLayout(row)
        self.said = QLabel()
        column.addWidget(self.said)
        self._show()

    def copy(self, *, with_patient: bool) -> None:
        """Put the picture on the clipboard."""
        QApplication.clipboard().setImage(picture(self.window_, with_patient=with_patient))
        self.said.setText(say("share.copied"))

    def _show(self) -> None:
        image = picture(self.window_, with_patient=self.with_button.isChecked())
        pixmap = QPixmap.fromImage(image)
        self._shown.setPixmap(
            pixmap.scaled(640, 480, Qt.AspectRatioMode.KeepAspectRatio, Qt.TransformationMode.SmoothTransformation)
        )

    def _to_file(self) -> None:
        name = say("share.name", tooth=self.window_.desk.tooth)
        path, _ = QFileDialog.getSaveFileName(self, say("share.title"), name, say("share.filter"))
        if path:
            shown = picture(self.window_, with_patient=self.with_button.isChecked())
            saved = QImageWriter(path, b"PNG").write(shown)
            self.said.setText(say("share.saved") if saved else say("share.failed"))
