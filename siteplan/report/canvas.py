"""A sheet with a size in millimetres on which pictures and lanes of text are laid out.

No pyplot: each figure owns its canvas, so figures can be made in any thread and none is left behind.
"""

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patheffects import AbstractPathEffect, Normal, Stroke

from siteplan.report import palette
from siteplan.report.palette import Line

DPI = 300
"""Dots per inch of every figure: the usual resolution of print (common practice, no source)."""
MM_PER_INCH = 25.4
FONT = "DejaVu Sans"
"""Comes inside matplotlib, so a machine without fonts draws the same picture."""
_RC = {"font.family": FONT, "font.size": 6.5, "axes.linewidth": 0.5, "svg.fonttype": "none"}


class Sheet:
    """One figure, `width_mm` by `height_mm`; positions on it are millimetres from its lower left corner."""

    def __init__(self, width_mm: float, height_mm: float, dpi: int = DPI, ground: str = palette.PAPER) -> None:
        self.width_mm, self.height_mm, self.dpi = width_mm, height_mm, dpi
        with mpl.rc_context(_RC):
            self.figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), dpi=dpi, facecolor=ground)
        FigureCanvasAgg(self.figure)

    def panel(
        self, at_mm: tuple[float, float, float, float], world: tuple[float, float, float, float], ground: str = "none"
    ) -> Axes:
        """Axes without frame at left, bottom, width, height (mm) that show left, right, bottom, top of the world."""
        left, bottom, width, height = at_mm
        box = (left / self.width_mm, bottom / self.height_mm, width / self.width_mm, height / self.height_mm)
        with mpl.rc_context(_RC):
            axes: Axes = self.figure.add_axes(box, facecolor=ground)
        axes.set_xlim(world[0], world[1])
        axes.set_ylim(world[2], world[3])
        axes.set_axis_off()
        if ground != "none":
            axes.patch.set_facecolor(ground)
            axes.set_axis_on()
            axes.set_xticks([])
            axes.set_yticks([])
            for spine in axes.spines.values():
                spine.set_visible(False)
        return axes

    def text(self, x_mm: float, y_mm: float, words: str, **style: Any) -> None:
        """Plain text at a place on the sheet; never read as mathematics."""
        settings: dict[str, Any] = {"size": 6.5, "color": palette.INK, "family": FONT, "parse_math": False}
        self.figure.text(x_mm / self.width_mm, y_mm / self.height_mm, words, **(settings | style))

    def png(self, path: Path | None = None) -> bytes:
        """The figure as PNG, without metadata about when and by what it was made; also written to `path`."""
        stream = BytesIO()
        with mpl.rc_context(_RC):
            self.figure.savefig(stream, format="png", dpi=self.dpi, metadata={"Software": None})
        if path is not None:
            path.write_bytes(stream.getvalue())
        return stream.getvalue()


def pixel_of(axes: Axes, u: float, v: float) -> tuple[float, float]:
    """Column and row (from the top) of a world position in the PNG; the centre of the first pixel is 0.5, 0.5."""
    x, y = axes.transData.transform((u, v))
    return float(x), float(axes.figure.bbox.height - y)


def halo(width_pt: float) -> list[AbstractPathEffect]:
    """A dark edge around a line or letter on a grey picture."""
    return [Stroke(linewidth=width_pt, foreground=palette.HALO, alpha=0.75), Normal()]


def stroke(axes: Axes, points: np.ndarray, line: Line, **style: Any) -> None:
    """Draw a polyline (N, 2) with its halo."""
    settings: dict[str, Any] = {
        "color": line.colour,
        "linewidth": line.width_pt,
        "path_effects": halo(line.width_pt + 1.0),
        "solid_capstyle": "round",
        "clip_on": True,
    }
    (drawn,) = axes.plot(points[:, 0], points[:, 1], **(settings | style))
    if line.dash.pattern:
        drawn.set_dashes(line.dash.pattern)


def letter(axes: Axes, u: float, v: float, words: str, **style: Any) -> None:
    """Text on a picture, white with a dark halo; never read as mathematics."""
    settings: dict[str, Any] = {
        "color": "#ffffff",
        "size": 6.5,
        "family": FONT,
        "ha": "center",
        "va": "center",
        "path_effects": halo(1.8),
        "parse_math": False,
        "clip_on": True,
    }
    axes.text(u, v, words, **(settings | style))


def spread_out(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Positions as near as can be to `wanted`, in the same order, at least `gap` apart, within low and high.

    When they cannot all fit, they are spread evenly over the whole lane.
    """
    count = len(wanted)
    if count == 0:
        return []
    if (count - 1) * gap > high - low:
        order = np.argsort(np.asarray(wanted), kind="stable")
        out = np.empty(count)
        out[order] = np.linspace(low, high, count)
        return [float(x) for x in out]
    order = np.argsort(np.asarray(wanted, dtype=np.float64), kind="stable")
    # Least squares with order constraints: neighbours that would overlap are pooled (pool adjacent violators).
    shifted = [float(wanted[index]) - rank * gap for rank, index in enumerate(order)]
    blocks: list[list[float]] = []
    for value in shifted:
        blocks.append([value, 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            mean, weight = blocks.pop()
            before, held = blocks.pop()
            blocks.append([(before * held + mean * weight) / (held + weight), held + weight])
    levels = [value for value, weight in blocks for _ in range(int(weight))]
    top = high - (count - 1) * gap
    placed = np.empty(count)
    for rank, (index, level) in enumerate(zip(order, levels, strict=True)):
        placed[index] = min(max(level, low), top) + rank * gap
    return [float(x) for x in placed]
