"""One picture per site for a message: both sections, scale, orientation, verdict and what it is not."""

from collections.abc import Sequence
from io import BytesIO
from textwrap import wrap
from typing import Any

import numpy as np
from matplotlib.image import imread

from siteplan.report import palette
from siteplan.report.canvas import Sheet
from siteplan.report.figures import SiteFigures
from siteplan.report.legend import short

_GAP_MM, _HEAD_MM, _FOOT_MM = 4.0, 17.0, 7.0
_DPI = 200
_SAID_MM, _SAID_GAP_MM = 3.4, 1.0
_LINE_LETTERS = 130
"""Letters of 7 points that fit into the width of two sections, with room to spare."""
_MARK = {"disc": "o", "diamond": "D", "triangle": "^", "cross": "X", "ring": "o"}
CAUTION = "Planning aid for licensed clinicians. Numbers, intervals and sources are in the report. Do not measure here."


def message_of(figures: SiteFigures, page: dict[str, Any], row: dict[str, Any]) -> Sheet:
    """The picture of a site from its page and its row of the summary, as the document has them."""
    return message_figure(
        figures, page["tooth"], page["place"], page["verdict"], _detail(row), f"case {page['case']}", row["also"]
    )


def _detail(row: dict[str, Any]) -> str:
    tightest = row["tightest"]
    if tightest is None or tightest["absent"]:
        return ""
    span = f" ({tightest['interval']})" if tightest["interval"] else ""
    return f"{tightest['value']}{span}, {row['demand']}"


def message_figure(
    figures: SiteFigures,
    tooth: int,
    place: str,
    verdict: dict[str, str],
    detail: str,
    case_words: str = "",
    also: Sequence[str] = (),
) -> Sheet:
    """Lay out the picture.

    Args:
        verdict: word, shape and what it is about, as the site's page has them.
        case_words: names the case, nothing about the patient.
        detail: the distance that the verdict rests on, with interval and margin; "" where there is none.
        also: what must be said beside the verdict: other contacts, a nearer roof, what the hand may do.
    """
    beside = [line for said in also for line in wrap(said, _LINE_LETTERS)]
    said_mm = _SAID_MM * len(beside) + (_SAID_GAP_MM if beside else 0.0)
    pictures = [f for f in (figures.across, figures.along) if f.png]
    wide = sum(f.width_mm for f in pictures) + _GAP_MM * (len(pictures) + 1) if pictures else 184.0
    tall = max((f.height_mm for f in pictures), default=8.0)
    sheet = Sheet(wide, tall + _HEAD_MM + said_mm + _FOOT_MM, dpi=_DPI)
    left = _GAP_MM
    for figure in pictures:
        at = (left, _FOOT_MM + tall - figure.height_mm, figure.width_mm, figure.height_mm)
        axes = sheet.panel(at, (0, figure.width_mm, 0, figure.height_mm))
        picture = np.asarray(imread(BytesIO(figure.png), format="png"))
        axes.imshow(
            picture, extent=(0, figure.width_mm, 0, figure.height_mm), aspect="auto", interpolation="antialiased"
        )
        left += figure.width_mm + _GAP_MM
    for number, line in enumerate(reversed(beside)):
        sheet.text(_GAP_MM + 2.5, tall + _FOOT_MM + 2.0 + _SAID_MM * number, line, size=7)
    top = tall + _FOOT_MM + said_mm
    sheet.text(_GAP_MM, top + 9.5, f"Tooth {tooth}", size=14, weight="bold", color=palette.ACCENT)
    sheet.text(_GAP_MM + 26, top + 9.5, place, size=9, color=palette.QUIET)
    _verdict(sheet, top + 3.0, verdict, detail)
    sheet.text(sheet.width_mm - _GAP_MM, top + 9.5, case_words, size=7, ha="right", color=palette.QUIET)
    sheet.text(_GAP_MM, 2.5, CAUTION, size=6.5, color=palette.QUIET)
    return sheet


def _verdict(sheet: Sheet, y_mm: float, verdict: dict[str, str], detail: str) -> None:
    mark = next(m for m in palette.MARKS if m.shape == verdict["shape"])
    band = sheet.panel(
        (_GAP_MM, y_mm - 1.6, sheet.width_mm - 2 * _GAP_MM, 6.0), (0, sheet.width_mm - 2 * _GAP_MM, 0, 6)
    )
    band.fill_between([0, sheet.width_mm - 2 * _GAP_MM], 0, 6, color=mark.ground, linewidth=0)
    hollow = "none" if mark.shape == "ring" else mark.text_colour
    band.plot([3.2], [3.0], marker=_MARK[mark.shape], markersize=7, color=mark.text_colour, markerfacecolor=hollow)
    said = f"{verdict['word']}: {verdict['about']}"
    line = short(f"{said}   {detail}".strip(), 118)
    band.text(6.5, 3.0, line, size=8, weight="bold", va="center", color=mark.text_colour, parse_math=False)
