"""Words on a picture that keep out of each other's way: each takes the first of its places that is free."""

from dataclasses import dataclass, field

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter

from viewer.paint import word_box, word_font, words

_ROW_GAP = 1.25
"""Distance of rows as a share of the letters' height."""


@dataclass
class Labels:
    """The words on one picture. `boxes`: what is taken, by name."""

    painter: QPainter
    width: float
    height: float
    boxes: dict[str, QRectF] = field(default_factory=dict)

    @property
    def row(self) -> float:
        """Height of a row of words."""
        return QFontMetricsF(self.painter.font(), self.painter.device()).height() * _ROW_GAP + 2

    def top(self, row: float) -> float:
        """Middle of a row counted from the top, 0 the first."""
        return (row + 0.5) * self.row + 3

    def bottom(self, row: float) -> float:
        """Middle of a row counted from the bottom."""
        return self.height - (row + 0.5) * self.row - 3

    def put(
        self,
        name: str,
        text: str,
        places: list[QPointF],
        colour: str,
        *,
        align: Qt.AlignmentFlag = Qt.AlignmentFlag.AlignLeft,
        share: float = 1.0,
        bold: bool = False,
    ) -> QRectF:
        """Write `text` at the first place where it covers nothing; shortened where the picture is too narrow."""
        metrics = QFontMetricsF(word_font(self.painter, share, bold), self.painter.device())
        text = metrics.elidedText(text, Qt.TextElideMode.ElideRight, self.width - 24)
        at = next((p for p in places if self.free(p, text, share=share, bold=bold, align=align)), places[-1])
        box = words(self.painter, at, text, colour, share=share, bold=bold, align=align, boxed=True)
        self.boxes[name] = box
        return box

    def take(self, name: str, box: QRectF) -> None:
        """Keep others out of a place where something else is drawn."""
        self.boxes[name] = box

    def free(
        self,
        at: QPointF,
        text: str,
        *,
        share: float = 1.0,
        bold: bool = False,
        align: Qt.AlignmentFlag = Qt.AlignmentFlag.AlignLeft,
    ) -> bool:
        """Whether words would lie on the picture and cover nothing there."""
        box = word_box(self.painter, at, text, share=share, bold=bold, align=align)
        inside = QRectF(0, 0, self.width, self.height).contains(box)
        return inside and not any(box.intersects(other) for other in self.boxes.values())


def spread(wanted: list[float], step: float, low: float, high: float) -> list[float]:
    """Places at least `step` apart between low and high, in the given order, near to what is wanted.

    Neighbours that would cover each other are joined and stand about the middle of what they want.
    """
    groups: list[tuple[float, int]] = []  # (left edge that suits the group best, how many)
    for want in wanted:
        left, count = want, 1
        while groups and groups[-1][0] + groups[-1][1] * step > left:
            before, many = groups.pop()
            left = (before * many + (left - many * step) * count) / (many + count)
            count += many
        groups.append((left, count))
    out = [left + n * step for left, count in groups for n in range(count)]
    ceiling = high
    for n in range(len(out) - 1, -1, -1):
        out[n] = min(out[n], ceiling)
        ceiling = out[n] - step
    floor = low
    for n, at in enumerate(out):
        out[n] = max(at, floor)
        floor = out[n] + step
    return out
