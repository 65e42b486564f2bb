"""A window of its own at the scaling that QT_SCALE_FACTOR asks for; prints what does not fit. Run by `test_scaling`."""

from __future__ import annotations

import json
import os
import re
import sys
from itertools import combinations
from pathlib import Path

from PySide6.QtCore import QRectF
from PySide6.QtWidgets import QAbstractButton, QApplication, QLabel, QWidget

from tests.viewer.hands import rest
from viewer.app import dress
from viewer.window import MainWindow

WAIT_MS = 120_000
SLACK_PX = 1
SETTLE = 50
"""Looks before something is called wrong: answers that arrive late on a busy machine move what was laid out."""
BREAKS = re.compile(r"\s+|(?<=-)")
"""Where Qt begins a new line."""


def clipped(window: QWidget) -> list[str]:
    """Texts that do not fit into their widgets."""
    out = []
    for part in (*window.findChildren(QLabel), *window.findChildren(QAbstractButton)):
        if not part.isVisible() or not part.text():
            continue
        wraps = isinstance(part, QLabel) and part.wordWrap()
        if wraps:
            widest = max(part.fontMetrics().horizontalAdvance(word) for word in BREAKS.split(part.text()))
            fits = part.heightForWidth(part.width()) <= part.height() + SLACK_PX and widest <= part.width() + SLACK_PX
        else:
            hint = part.sizeHint()
            fits = hint.width() <= part.width() + SLACK_PX and hint.height() <= part.height() + SLACK_PX
        if not fits:
            out.append(f"{part.text()!r} has {part.width()} x {part.height()}")
    return out


def overlapping(window: QWidget) -> list[str]:
    """Visible neighbours that cover each other."""
    out = []
    for parent in window.findChildren(QWidget):
        if not parent.isVisible() or parent.layout() is None:
            continue
        shown = [c for c in parent.children() if isinstance(c, QWidget) and c.isVisible() and not c.isWindow()]
        for one, other in combinations(shown, 2):
            both = one.geometry().intersected(other.geometry())
            if both.width() > SLACK_PX and both.height() > SLACK_PX:
                out.append(f"{type(one).__name__} {_text(one)} and {type(other).__name__} {_text(other)}")
    return out


def colliding(window: MainWindow) -> list[str]:
    """Words on the section that leave it or cover each other."""
    section = window.space.section
    boxes = section.label_boxes if section.isVisible() else {}
    boxes = {name: box for name, box in boxes.items() if not name.startswith("tick")}  # these belong to the bone
    out = [f"{name} leaves the picture" for name, box in boxes.items() if not QRectF(section.rect()).contains(box)]
    pairs = combinations(boxes.items(), 2)
    out += [f"{one} covers {other}" for (one, a), (other, b) in pairs if a.intersects(b)]
    depth = window.space.by_depth
    beside = depth.label_boxes if depth.isVisible() else {}
    room = QRectF(depth.rect()).adjusted(-SLACK_PX, -SLACK_PX, SLACK_PX, SLACK_PX)
    out += [f"{name} leaves the picture beside" for name, box in beside.items() if not room.contains(box)]
    pairs = combinations(beside.items(), 2)
    out += [f"{one} covers {other} beside" for (one, a), (other, b) in pairs if a.intersects(b)]
    sites = window.space.cards
    plates = [*sites.cards.values(), sites.add_button] if sites.isVisible() else []
    out += [
        f"plate {one} and {two}" for one, two in combinations(plates, 2) if one.geometry().intersects(two.geometry())
    ]
    return out + [f"plate {p} is cut off" for p in plates if not sites.rect().contains(p.geometry())]


def _text(part: QWidget) -> str:
    return part.text() if isinstance(part, (QLabel, QAbstractButton)) else ""


def wait(app: QApplication, ready: object) -> None:
    """Let the window work until something holds."""
    for _ in range(WAIT_MS // 50):
        if ready():
            return
        rest(50)
    raise SystemExit("the window did not become ready")


def main(case: str, shots: str) -> None:
    """Start page, planning page, each question, and the dialogues with much text."""
    app = QApplication(sys.argv[:1])
    dress(app)
    window = MainWindow()
    window.show()
    rest(200)
    found: dict[str, list[str]] = {}
    name = f"scaled_{os.environ.get('QT_SCALE_FACTOR', '1')}"

    def look(state: str, shown: MainWindow) -> None:
        for _ in range(SETTLE):
            rest(60)
            picture = shown.grab()  # paints at the present sizes, which on a busy machine the screen may not show yet
            found[state] = clipped(shown) + overlapping(shown) + colliding(shown)
            if not found[state]:
                break
        if shots:
            picture.save(str(Path(shots) / f"{name}_{state}.png"))

    look("start", window)
    window.open(Path(case))
    desk = window.desk
    wait(app, lambda: desk.session is not None and desk.measured and not desk.busy)
    for question, view in window.space.answers.questions.items():
        if not view.is_open:
            view.head.click()
        look(question, window)
    room = window.screen().availableSize()
    if window.width() > room.width() or window.height() > room.height():
        found["size"] = [f"the window has {window.width()} x {window.height()}, the screen {room.toTuple()}"]
    print(json.dumps(found))
    desk.session._saved = desk.session._kept
    window.close()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
