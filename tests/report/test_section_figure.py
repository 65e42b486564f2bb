"""The drawn section as pixels: places, lengths and edges on the PNG itself."""

from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
from matplotlib.image import imread

from siteplan.findings import Findings
from siteplan.report import legend
from siteplan.report.canvas import DPI, MM_PER_INCH, Sheet, pixel_of, spread_out
from siteplan.report.figures import across_view, site_sections
from siteplan.report.plane import Section, across_plane
from siteplan.report.scene import GreyRange, SiteScene
from siteplan.report.section_figure import WIDTH_MM, field_of_view, magnification, panel_of, scale_bar
from siteplan.report.staging import scenes_of

BARE = GreyRange(0.0, 100.0, "grey value")


def pixels(sheet: Sheet) -> np.ndarray:
    return np.asarray(imread(BytesIO(sheet.png()), format="png"))[..., :3]


@pytest.fixture(scope="module")
def scene(findings: Findings) -> SiteScene:
    """The site with a fixture, nothing drawn on it."""
    full = scenes_of(findings)[0]
    return replace(full, fixture=None, others=(), structures=(), widths=(), marks=(), tips=())


@pytest.mark.parametrize("place", [(-6.0, -3.0), (7.5, -12.0), (2.25, 4.0)])
def test_known_point_lands_on_its_pixel(scene: SiteScene, place: tuple[float, float]) -> None:
    u, v = np.arange(-14, 14.01, 0.25), np.arange(-24, 8.01, 0.25)
    grey = np.zeros((len(v), len(u)), dtype=np.float32)
    grey[np.argmin(np.abs(v - place[1])), np.argmin(np.abs(u - place[0]))] = 100
    section = Section(across_plane(scene.frame), grey, u, v)
    sheet, axes = panel_of(section, scene, across_view(scene), BARE)
    box = axes.get_window_extent()
    picture = pixels(sheet).min(axis=2)
    top, left = picture.shape[0] - int(box.y1), int(box.x0)
    inside = picture[top : top + int(box.height), left : left + int(box.width)].copy()
    middle = pixel_of(axes, 0.0, 0.0)[0] - left
    inside[:, int(middle) - 12 : int(middle) + 12] = (
        0 if abs(place[0]) > 1 else inside[:, int(middle) - 12 : int(middle) + 12]
    )
    weight = np.where(inside > 0.15, inside, 0)
    rows, columns = np.indices(inside.shape) + 0.5
    found = (np.average(columns, weights=weight) + left, np.average(rows, weights=weight) + top)
    assert found == pytest.approx(pixel_of(axes, *place), abs=1.0)  # one dot at 300 dpi: 0.085 mm on paper


def test_scale_bar_is_ten_patient_millimetres_long(scene: SiteScene) -> None:
    top, bottom, _ = field_of_view(scene)
    scale = magnification(top, bottom)
    sheet = Sheet(WIDTH_MM, 12)
    scale_bar(sheet, (10.0, 4.0), scale, "")
    dark = pixels(sheet).min(axis=2) < 0.5
    row = dark[int((12 - 4.0 - 1.65) * DPI / MM_PER_INCH)]  # along the lower edge of the bar
    columns = np.flatnonzero(row[: int((10 + 10 * scale + 0.8) * DPI / MM_PER_INCH)])
    length_mm = (columns[-1] - columns[0] + 1) / DPI * MM_PER_INCH / scale
    assert length_mm == pytest.approx(10.0, abs=0.1)  # the bar's own edge line is 0.14 mm wide on paper


def test_bar_and_picture_have_one_scale(scene: SiteScene, findings: Findings) -> None:
    section, _, grey = site_sections(findings, findings.scan, scene)
    assert section is not None
    _, axes = panel_of(section, scene, across_view(scene), grey)
    (x0, y0), (x1, y1) = (pixel_of(axes, u, v) for u, v in ((0, 0), (10, -10)))
    top, bottom, _ = field_of_view(scene)
    expected = 10 * magnification(top, bottom) * DPI / MM_PER_INCH
    assert (x1 - x0, y1 - y0) == pytest.approx((expected, expected), rel=1e-3)


def test_what_lies_outside_the_scan_is_hatched(scene: SiteScene) -> None:
    u, v = np.arange(-14, 14.01, 0.25), np.arange(-24, 8.01, 0.25)
    grey = np.full((len(v), len(u)), 100, dtype=np.float32)
    grey[v > 4] = np.nan
    sheet, axes = panel_of(Section(across_plane(scene.frame), grey, u, v), scene, across_view(scene), BARE)
    picture = pixels(sheet)
    column = int(pixel_of(axes, 6.0, 0)[0])
    above, below = int(pixel_of(axes, 6.0, 5.5)[1]), int(pixel_of(axes, 6.0, -2.0)[1])
    assert picture[below, column].min() > 0.95
    patch = picture[above - 12 : above + 12, column - 12 : column + 12]
    assert patch.max() < 0.5
    assert patch.std() > 0.03, "a hatch has lines"


def test_words_of_the_legend(findings: Findings) -> None:
    scene = scenes_of(findings)[0]
    rows = legend.rows_for(across_plane(scene.frame), scene, 12.0, ("voxel",))
    text = "\n".join(row.words for row in rows)
    assert "left mandibular canal, fine line: 2 mm margin" in text
    assert "not in this plane: b" in text, "the root lies mesially"
    long = "x" * 300
    assert len(legend.short(long)) <= 62


def test_labels_keep_their_order_and_their_distance() -> None:
    out = spread_out([5.0, 5.1, 1.0, 5.2], 1.0, 0.0, 10.0)
    assert out[2] < out[0] < out[1] < out[3]
    assert min(np.diff(np.sort(out))) >= 1.0 - 1e-9
    crowded = spread_out([3.0] * 30, 1.0, 0.0, 10.0)
    assert min(crowded) == 0
    assert max(crowded) == 10
    assert spread_out([], 1.0, 0.0, 1.0) == []
