"""The grey-value profile along a site's axis."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from siteplan.report import palette
from siteplan.report.canvas import Sheet, spread_out
from siteplan.report.scene import DepthMark

WIDTH_MM, HEIGHT_MM = 88.0, 46.0
_LEFT_MM = 16.0


def profile_figure(
    depth_mm: ArrayLike,
    grey: ArrayLike,
    marks: Sequence[DepthMark],
    unit_words: str,
    body_mm: tuple[float, float] | None = None,
    *,
    whose: str = "",
) -> Sheet:
    """Draw grey value against depth below the bone entry.

    Args:
        depth_mm, grey: (N,) samples; NaN leaves a gap.
        marks: places on the axis with their words (bone entry, cortex, fixture's ends).
        unit_words: what the vertical axis is; says that it is not Hounsfield units unless calibrated.
        body_mm: depths of the fixture's two ends in bone, shaded, if there is one.
        whose: tooth and case, for a picture that is found alone.
    """
    depth, values = np.asarray(depth_mm, dtype=np.float64), np.asarray(grey, dtype=np.float64)
    sheet = Sheet(WIDTH_MM, HEIGHT_MM)
    finite = np.isfinite(values)
    sheet.text(_LEFT_MM, HEIGHT_MM - 4, "Grey value along the axis", size=8, weight="bold")
    sheet.text(WIDTH_MM - 1, HEIGHT_MM - 4, whose, size=6.5, ha="right", color=palette.QUIET)
    if finite.sum() < 2:
        sheet.text(_LEFT_MM, HEIGHT_MM / 2, "No profile: the axis does not run inside the scan here.", size=7)
        return sheet
    span = float(np.ptp(values[finite])) or 1.0
    low, high = float(values[finite].min()) - 0.16 * span, float(values[finite].max()) + 0.06 * span
    left, right = float(depth[finite][0]), float(depth[finite][-1])
    axes = sheet.panel((_LEFT_MM, 9.5, WIDTH_MM - _LEFT_MM - 2, HEIGHT_MM - 28), (left, right, low, high))
    axes.set_axis_on()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=6, length=2, width=0.5, colors=palette.INK)
    axes.set_xlabel("depth below the bone entry, mm", size=6.5, color=palette.INK)
    axes.set_ylabel(unit_words, size=6.5, color=palette.INK)
    if body_mm is not None:
        axes.axvspan(max(body_mm[0], left), min(body_mm[1], right), color="#f4ecd2", linewidth=0, zorder=0)
        middle = (max(body_mm[0], left) + min(body_mm[1], right)) / 2
        axes.text(middle, low + 0.02 * (high - low), "fixture in bone", size=6, ha="center", color="#5c4a00")
    axes.plot(depth, values, color=palette.ACCENT, linewidth=1.0)
    shown = [mark for mark in marks if left <= mark.depth_mm <= right]
    lane = sheet.panel((_LEFT_MM, HEIGHT_MM - 18.5, WIDTH_MM - _LEFT_MM - 2, 12), (left, right, 0, 12))
    width = (right - left) / (WIDTH_MM - _LEFT_MM - 2)
    at = spread_out([mark.depth_mm for mark in shown], 16.5 * width, left + 7 * width, right - 8 * width)
    for mark, place in zip(shown, at, strict=True):
        axes.axvline(mark.depth_mm, color=palette.QUIET, linewidth=0.6, dashes=(3, 2))
        lane.plot([mark.depth_mm, mark.depth_mm, place], [0, 1.2, 3.4], color=palette.QUIET, linewidth=0.4)
        lane.text(place, 4.0, "\n".join(mark.words), size=5.8, ha="center", va="bottom", color=palette.INK,
                  linespacing=1.1, parse_math=False)  # fmt: skip
    return sheet
