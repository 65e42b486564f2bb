"""Figures for looking back and for the seating record: forecast against achieved torque, torque against depth."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from siteplan.report import palette
from siteplan.report.canvas import Sheet
from siteplan.surgery.outcomes import Correction, Outcome

WIDTH_MM, HEIGHT_MM = 88.0, 78.0
_LEFT_MM, _BOTTOM_MM = 14.0, 11.0
_KEY_MM = 13.0
"""Height of a key below the axes: four rows of small letters."""
UNIT = "N·cm"


def forecast_figure(outcomes: Sequence[Outcome], correction: Correction | None) -> Sheet:
    """Achieved torque against its forecast with the forecast's interval, the line of agreement, and the clinic's own.

    Both axes are logarithmic, because the forecast errs by a factor and not by an amount.
    """
    sheet = Sheet(WIDTH_MM, HEIGHT_MM)
    sheet.text(_LEFT_MM, HEIGHT_MM - 4.5, "Torque: forecast and achieved", size=8, weight="bold")
    # A correction that was in a forecast is taken out: the line of the clinic's factor belongs to the plain forecast.
    rows = [
        ([torque / o.factor for torque in o.forecast_Ncm], o.achieved_Ncm)
        for o in outcomes
        if o.forecast_Ncm and o.achieved_Ncm
    ]
    if not rows:
        sheet.text(_LEFT_MM, HEIGHT_MM / 2, "No fixture has both a forecast and an achieved torque yet.", size=7)
        return sheet
    forecast = np.maximum(np.array([row[0] for row in rows], dtype=np.float64), _LEAST_NCM)
    achieved = np.maximum(np.array([row[1] for row in rows], dtype=np.float64), _LEAST_NCM)
    low, high = min(forecast.min(), achieved.min()) / 1.3, max(forecast.max(), achieved.max()) * 1.3
    axes = _axes(sheet, (low, high, low, high), f"forecast, {UNIT}", f"achieved, {UNIT}")
    axes.set_xscale("log")
    axes.set_yscale("log")
    _plain_ticks(axes, low, high)
    axes.plot([low, high], [low, high], color=palette.QUIET, linewidth=0.8, label="achieved = forecast")
    if correction is not None:
        ends = np.array([low, high])
        axes.fill_between(ends, ends * correction.low, ends * correction.high, color=palette.ACCENT, alpha=0.2,
                          linewidth=0, label="95 % interval of that factor")  # fmt: skip
        axes.plot(ends, ends * correction.factor, color=palette.ACCENT, linewidth=1.0, dashes=(5, 2),
                  label=f"this clinic: {correction.factor:.2f} x forecast")  # fmt: skip
    axes.hlines(achieved, forecast[:, 0], forecast[:, 2], color=palette.INK, linewidth=0.5, alpha=0.5)
    axes.plot(forecast[:, 1], achieved, "o", color=palette.INK, markersize=3, label="fixture, with forecast interval")
    axes.legend(fontsize=5.5, framealpha=0.9, edgecolor="none", loc="upper left")
    return sheet


def class_figure(table: dict[tuple[str, str], int], classes: Sequence[str]) -> Sheet:
    """How often each class of the card met each felt class; the count stands in each field."""
    sheet = Sheet(WIDTH_MM, HEIGHT_MM)
    sheet.text(_LEFT_MM, HEIGHT_MM - 4.5, "Class of bone: on the card and as felt", size=8, weight="bold")
    if not table:
        sheet.text(_LEFT_MM, HEIGHT_MM / 2, "No felt class was entered yet.", size=7)
        return sheet
    felt = [*classes, *sorted({f for _, f in table} - set(classes))]
    card = [*classes, *sorted({c for c, _ in table} - set(classes))]
    axes = _axes(sheet, (-0.5, len(felt) - 0.5, len(card) - 0.5, -0.5), "felt", "on the card")
    counts = np.array([[table.get((c, f), 0) for f in felt] for c in card])
    for row, column in np.ndindex(*counts.shape):
        count = int(counts[row, column])
        if row < len(classes) and row == column:
            axes.add_patch(_field(column, row))
        axes.text(column, row, str(count) if count else "·", ha="center", va="center", size=8 if count else 6,
                  color=palette.INK if count else palette.QUIET, parse_math=False)  # fmt: skip
    axes.set_xticks(range(len(felt)), [name[:12] for name in felt])
    axes.set_yticks(range(len(card)), [name[:12] for name in card])
    return sheet


def torque_depth_figure(
    curve: dict[str, list[float]],
    points: Sequence[tuple[float, float]],
    ceiling_Ncm: float,
    loading_Ncm: float,
    *,
    earlier: Sequence[Sequence[tuple[float, float]]] = (),
    planned_mm: float | None = None,
    whose: str = "",
) -> Sheet:
    """Torque against depth while seating: the forecast's band and median, what was read, ceiling and loading torque.

    Args:
        curve: "depth_mm", "low", "middle", "high" of a forecast; may be empty.
        points: (depth of the apex in mm, torque in N·cm) as read.
        earlier: the same of earlier tries at this site, each a line of its own.
        planned_mm: planned depth of the apex.
        whose: tooth and case, for a picture that is found alone.
    """
    height = HEIGHT_MM + _KEY_MM
    sheet = Sheet(WIDTH_MM, height)
    sheet.text(_LEFT_MM, height - 4.5, "Torque while seating", size=8, weight="bold")
    sheet.text(WIDTH_MM - 1, height - 4.5, whose, size=6.5, ha="right", color=palette.QUIET)
    tries = [run for run in earlier if run]
    depths = [*curve.get("depth_mm", ()), *(depth for run in (points, *tries) for depth, _ in run)]
    if not depths:
        sheet.text(_LEFT_MM, height / 2, "Neither a forecast nor a reading.", size=7)
        return sheet
    most = max([ceiling_Ncm * 1.25, *(torque * 1.1 for run in (points, *tries) for _, torque in run)])
    axes = _axes(
        sheet,
        (0.0, max(*depths, planned_mm or 0.0) * 1.03, 0.0, most),
        "apex below the bone entry, mm",
        f"torque, {UNIT}",
        key_mm=_KEY_MM,
    )
    if curve:
        axes.fill_between(curve["depth_mm"], curve["low"], curve["high"], color=palette.ACCENT, alpha=0.18, linewidth=0,
                          label="forecast, 95 % interval")  # fmt: skip
        axes.plot(curve["depth_mm"], curve["middle"], color=palette.ACCENT, linewidth=1.0, label="forecast, median")
    for value, words, dash in ((ceiling_Ncm, "ceiling", (5, 2)), (loading_Ncm, "loading torque", (1, 1.4))):
        axes.axhline(value, color=palette.INK, linewidth=0.8, dashes=dash, label=f"{words} {value:g} {UNIT}")
    if planned_mm is not None:
        axes.axvline(planned_mm, color=palette.QUIET, linewidth=0.6, label=f"planned depth {planned_mm:.1f} mm")
    for number, run in enumerate(tries):
        before, then = zip(*run, strict=True)
        axes.plot(before, then, "o:", color=palette.QUIET, markersize=2.5, linewidth=0.7, markerfacecolor="white",
                  label="read in an earlier try" if number == 0 else None)  # fmt: skip
    if points:
        depth, torque = zip(*points, strict=True)
        axes.plot(depth, torque, "o-", color=palette.INK, markersize=3, linewidth=0.7, label="read at the chair")
    # Below the axes, because readings and forecast may lie anywhere on them.
    axes.legend(fontsize=6, frameon=False, ncols=2, loc="upper left", bbox_to_anchor=(-0.02, -0.14), borderpad=0)
    return sheet


_LEAST_NCM = 0.5
"""Lowest torque drawn on a logarithmic axis: below what any ratchet reads."""


def _axes(sheet: Sheet, world: tuple[float, float, float, float], across: str, up: str, *, key_mm: float = 0.0) -> Axes:
    """Axes over the whole sheet, less `key_mm` at its foot for a key."""
    box = (_LEFT_MM, _BOTTOM_MM + key_mm, WIDTH_MM - _LEFT_MM - 3, sheet.height_mm - _BOTTOM_MM - key_mm - 8)
    axes = sheet.panel(box, world)
    axes.set_axis_on()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=6, length=2, width=0.5, colors=palette.INK)
    axes.set_xlabel(across, size=6.5, color=palette.INK)
    axes.set_ylabel(up, size=6.5, color=palette.INK)
    return axes


def _plain_ticks(axes: Axes, low: float, high: float) -> None:
    """Plain numbers on a logarithmic axis."""
    values = [v for v in (0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500) if low <= v <= high]
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_ticks(values, [f"{v:g}" for v in values])
        axis.set_ticks([], minor=True)


def _field(column: int, row: int) -> Rectangle:
    corner = (column - 0.46, row - 0.46)
    return Rectangle(corner, 0.92, 0.92, facecolor=palette.WASH, edgecolor=palette.RULE, linewidth=0.6)
