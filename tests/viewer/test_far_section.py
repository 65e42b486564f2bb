"""On a section that passes the fixture by, there is nothing of it to be seen, taken hold of or moved."""

import numpy as np
import pytest
from PySide6.QtCore import QPoint
from PySide6.QtGui import QColor, QImage

from siteplan.report import palette
from tests.viewer.hands import drag, settle

pytestmark = pytest.mark.display


def _pixels(section, colour: str) -> int:
    """How many pixels of the picture have this very colour."""
    image = section.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    raw = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine() // 4, 4)
    wanted = QColor(colour)
    return int((raw[..., :3] == (wanted.blue(), wanted.green(), wanted.red())).all(axis=2).sum())


def test_a_handle_is_only_where_the_fixture_is(opened, qtbot, shoot):
    section, desk = opened.space.section, opened.desk
    near = {which: section.handle_px(which) for which in ("platform", "tip")}
    assert None not in near.values()
    assert _pixels(section, palette.FIXTURE) > 100
    desk.step(desk.fixture.body.max_radius_mm * 0.9)  # still through its body
    settle(opened, qtbot)
    assert None not in [section.handle_px(which) for which in near]
    desk.step(5.0)
    settle(opened, qtbot)
    shoot(opened, "71_far_section")
    # Closed form: every point of a solid of revolution lies within its radius of its axis.
    away = [section.plane().from_lps(point)[2] for point in section._ends()]
    assert min(abs(x) for x in away) > desk.fixture.body.max_radius_mm
    assert [section.handle_px(which) for which in near] == [None, None]
    assert _pixels(section, palette.FIXTURE) == 0
    assert not any(name.startswith("leader") for name in section.label_boxes)
    before = desk.plan
    for place in near.values():
        drag(section, place.toPoint(), place.toPoint() + QPoint(30, 0))
        assert not section.holding
    assert desk.plan is before
    desk.step(-desk.look.offset_mm)
    settle(opened, qtbot)
    assert None not in [section.handle_px(which) for which in near]
