"""Drawing of hand measurements and notes on a section, and their words."""

from itertools import pairwise

import numpy as np
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QPen

from siteplan.report import palette
from siteplan.report.plane import Plane
from siteplan.scan import Scan
from viewer.hand import value_of
from viewer.labels import Labels
from viewer.overlay import measure_words
from viewer.paint import Glass
from viewer.plan import HandMark
from viewer.texts import say

COLOUR = "#ffffff"
_SHOWN_WITHIN_MM = 1.0
"""A mark is drawn in planes that pass within this of all its points."""


def shown_in(mark: HandMark, plane: Plane) -> bool:
    """Whether a mark lies in a plane."""
    count = 2 if mark.kind == "circle" else len(mark.points_mm)
    heights = plane.from_lps(np.array(mark.points_mm[:count]))[:, 2]
    return bool(np.abs(heights).max() < _SHOWN_WITHIN_MM)


def mark_words(mark: HandMark, scan: Scan) -> str:
    """What stands beside a mark: its value, or the words of a note."""
    if mark.kind == "note":
        return mark.text
    value = value_of(mark, scan)
    if value is None or value.value is None:
        return say("number.absent")
    if value.sd is not None:
        return say("hand.grey", mean=f"{value.value:.0f}", sd=f"{value.sd:.0f}", samples=value.samples)
    return measure_words(value)


def draw_mark(labels: Labels, glass: Glass, mark: HandMark, plane: Plane, text: str, px: float) -> None:
    """One mark, and its words where they cover no others."""
    painter = labels.painter
    local = plane.from_lps(np.array(mark.points_mm))
    at = [glass.to_px(float(u), float(v)) for u, v, _ in local]
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for pen in (QPen(QColor(palette.HALO), 4 * px), QPen(QColor(COLOUR), 1.6 * px, Qt.PenStyle.DashLine)):
        painter.setPen(pen)
        if mark.kind == "circle" and len(at) > 1:
            radius = float(np.hypot(at[1].x() - at[0].x(), at[1].y() - at[0].y()))
            painter.drawEllipse(at[0], radius, radius)
        else:
            for a, b in pairwise(at):
                painter.drawLine(a, b)
    count = 1 if mark.kind in {"note", "circle"} else len(at)
    for place in at[:count]:
        painter.setPen(QPen(QColor(palette.HALO), 1.5))
        painter.setBrush(QColor(COLOUR))
        painter.drawEllipse(place, 3 * px, 3 * px)
    last = at[1] if mark.kind in {"angle", "circle"} and len(at) > 1 else at[-1]
    if text:
        shifts = sorted((QPointF(x, y * labels.row) for x in (10, 40) for y in range(-6, 7)), key=lambda p: abs(p.y()))
        places = [last + shift for shift in shifts]
        labels.put(f"mark{len(labels.boxes)}", text, [*places, places[0]], COLOUR)
