"""Tables and plots from rows."""

import csv
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from tests.validation import reliability
from tests.validation.collect import FIXED, HALF, OURS, Row

SILENT_MM = 0.4
"""An error larger than this must carry a flag."""


def summary(rows: Iterable[Row]) -> list[dict[str, object]]:
    """One line per regime, quantity and method."""
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((row.regime, row.quantity, row.method), []).append(row)
    return [_line(key, group) for key, group in groups.items()]


def _line(key: tuple[str, str, str], group: list[Row]) -> dict[str, object]:
    seen = [r for r in group if r.value is not None]
    error = np.array([r.value - r.truth for r in seen if r.value is not None])
    inside = [r.low <= r.truth <= r.high for r in seen if r.low is not None and r.high is not None]
    z = [
        (r.value - r.truth) / max((r.high - r.low) / 3.92, 1e-9)
        for r in seen
        if r.value is not None and r.low is not None and r.high is not None
    ]
    size = np.abs(error) if len(error) else np.array([np.nan])
    silent = sum(1 for r in seen if r.value is not None and abs(r.value - r.truth) > SILENT_MM and not r.flags)
    return {
        "regime": key[0],
        "quantity": key[1],
        "method": key[2],
        "measured": f"{len(seen)}/{len(group)}",
        "MAE": float(size.mean()),
        "bias": float(error.mean()) if len(error) else float("nan"),
        "p95": float(np.percentile(size, 95)),
        "worst": float(size.max()),
        "coverage": float(np.mean(inside)) if inside else float("nan"),
        "z": float(np.sqrt(np.mean(np.square(z)))) if z else float("nan"),
        "silent": silent if not key[1].endswith("HU") else 0,
    }


def markdown(lines: list[dict[str, object]]) -> str:
    """The table as text."""
    names = ["regime", "quantity", "method", "measured", "MAE", "bias", "p95", "worst", "coverage", "z", "silent"]
    out = ["| " + " | ".join(names) + " |", "|" + " --- |" * len(names)]
    order = {OURS: 0, HALF: 1, FIXED: 2}
    for line in sorted(lines, key=lambda x: (str(x["regime"]), str(x["quantity"]), order[str(x["method"])])):
        cells = []
        for name in names:
            value = line[name]
            if isinstance(value, float):
                text = "" if np.isnan(value) else (f"{value:.0%}" if name == "coverage" else f"{value:.3f}")
                if name == "bias" and text:
                    text = f"{value:+.3f}"
                cells.append(text)
            else:
                cells.append(str(value))
        out.append("| " + " | ".join(cells) + " |")
    return "\n".join(out)


BRIEF = (
    "ridge width",
    "plate",
    "crestal cortex",
    "canal roof",
    "floor plate",
    "available height",
    "mean HU",
    "trabecular HU",
)


def brief(rows: list[Row]) -> str:
    """One line per regime: mean absolute error (worst) of the joint fit, of the half-maximum rule, coverage, count."""
    names = [q for q in BRIEF if any(r.quantity == q for r in rows)]
    out = ["| regime | " + " | ".join(names) + " | silent |", "|" + " --- |" * (len(names) + 2)]
    for regime in dict.fromkeys(r.regime for r in rows):
        cells, silent = [], 0
        for name in names:
            part = [r for r in rows if r.regime == regime and r.quantity == name]
            lines = {str(x["method"]): x for x in summary(part)}
            if OURS not in lines or np.isnan(float(str(lines[OURS]["MAE"]))):
                cells.append("")
                continue
            ours, half = lines[OURS], lines.get(HALF, lines[OURS])
            silent += int(str(ours["silent"]))
            form = "{:.0f}" if name.endswith("HU") else "{:.3f}"
            one, worst, other = (form.format(x) for x in (ours["MAE"], ours["worst"], half["MAE"]))
            count = str(ours["measured"]).split("/")[0]
            cells.append(f"{one} ({worst}) / {other}; {ours['coverage']:.0%} of {count}")
        out.append(f"| {regime} | " + " | ".join(cells) + f" | {silent} |")
    return "\n".join(out)


def write(rows: list[Row], folder: Path) -> str:
    """Write `rows.csv`, `table.md` and the plots into a folder; returns the table."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "rows.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["regime", "case", "method", "quantity", "truth", "value", "low", "high", "flags", "seconds"])
        for r in rows:
            writer.writerow(
                [r.regime, r.case, r.method, r.quantity, r.truth, r.value, r.low, r.high, " ".join(r.flags), r.seconds]
            )
    text = markdown(summary(rows)) + "\n\n" + brief(rows) + "\n\n" + reliability.markdown(reliability.trials_of(rows))
    (folder / "table.md").write_text(text + "\n", encoding="utf-8")
    plots(rows, folder)
    return text


def plots(rows: list[Row], folder: Path) -> None:
    """Error against true thickness, and against interval, for each method."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    for quantity, unit in (
        ("canal roof", "mm"),
        ("plate", "mm"),
        ("ridge width", "mm"),
        ("crestal cortex", "mm"),
        ("mean HU", "HU"),
    ):
        figure, axes = pyplot.subplots(1, 2, figsize=(11, 4.5))
        for method, mark in ((FIXED, "^"), (HALF, "s"), (OURS, "o")):
            part = [r for r in rows if r.quantity == quantity and r.method == method and r.value is not None]
            if part:
                x = [r.truth for r in part]
                y = [(r.value or 0.0) - r.truth for r in part]
                axes[0].plot(x, y, mark, markersize=4, alpha=0.6, label=method)
        ours = [r for r in rows if r.quantity == quantity and r.method == OURS and r.low is not None]
        half = [((r.high or 0.0) - (r.low or 0.0)) / 2 for r in ours]
        axes[1].plot(half, [(r.value or 0.0) - r.truth for r in ours], "o", markersize=4, alpha=0.6)
        if half:
            top = max(half)
            axes[1].plot([0, top], [0, top], "k-", [0, top], [0, -top], "k-", linewidth=0.8)
        axes[0].axhline(0, color="k", linewidth=0.8)
        axes[0].set(xlabel=f"true {quantity} ({unit})", ylabel=f"error ({unit})", title="by method")
        axes[1].set(
            xlabel=f"half of the 95 % interval ({unit})",
            ylabel=f"error ({unit})",
            title="joint fit: inside the wedge is right",
        )
        axes[0].legend()
        figure.tight_layout()
        figure.savefig(folder / f"{quantity.replace(' ', '_')}.png", dpi=130)
        pyplot.close(figure)
