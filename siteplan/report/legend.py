"""The strip under a section: what each line and letter means, and what the picture was made with."""

from dataclasses import dataclass
from textwrap import wrap

from siteplan.anatomy import Tube
from siteplan.report import palette
from siteplan.report.canvas import Sheet
from siteplan.report.cuts import cut_shape, cut_solid, height_over_plane
from siteplan.report.plane import Plane
from siteplan.report.scene import SiteScene

_ROW_MM = 3.1
_LONGEST = 62
"""Characters of a row; a longer name is cut here and stands in full in the table."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the strip; `line` is the sample in front of the words, if any."""

    words: str
    line: palette.Line | None = None


def short(words: str, most: int = _LONGEST) -> str:
    """`words` on one line, cut with an ellipsis when longer than `most` characters."""
    flat = " ".join(words.split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


def margin_line(line: palette.Line) -> palette.Line:
    """The line of a margin: the structure's colour, fine."""
    return palette.Line(line.colour, palette.Dash.FINE, 0.6, "")


def rows_for(plane: Plane, scene: SiteScene, half_mm: float, notes: tuple[str, ...]) -> list[Row]:
    """Rows for what this plane really shows, then what it does not show, then `notes`."""
    reach = scene.deepest_mm + 3.0
    bounds = (-half_mm, half_mm, -reach, reach)
    rows: list[Row] = []
    if scene.fixture is not None:
        rows.append(Row("fixture: outer line body, fine line core", palette.FIXTURE_BODY))
    away: list[str] = []
    tubes = False
    for shown in scene.structures:
        line = palette.LINE_OF_KIND[shown.structure.kind.value]
        shape, margin = shown.structure.shape, shown.margin_mm
        if cut_shape(shape, plane, bounds):
            words = f", fine line: {shown.line_words}" if margin and not shown.contact else ""
            tubes |= isinstance(shape, Tube)
            rows.append(Row(f"{shown.letter}  {short(shown.structure.name, _LONGEST - 8 - len(words))}{words}", line))
            if margin and shown.contact:
                rows.append(Row(f"{shown.letter}  fine line: {shown.line_words}", margin_line(line)))
        elif margin and cut_shape(shape, plane, bounds, shown.line_mm):
            words = f": only its {shown.line_words} is cut"
            name = short(shown.structure.name, _LONGEST - 6 - len(words))
            rows.append(Row(f"{shown.letter}  {name}{words}", margin_line(line)))
        else:
            height = height_over_plane(shape, plane)
            where = "outside the picture" if height == 0 else f"{abs(height):.1f} mm {_side(height)}"
            away.append(f"{shown.letter} {where}")
    hidden = [f.tooth for f in scene.others if not cut_solid(f.body, f.pose, plane, bounds)]
    if away:
        rows.extend(Row(line) for line in wrap(f"not in this plane: {'; '.join(away)}", _LONGEST + 8))
    if len(hidden) < len(scene.others):
        rows.append(Row("a tooth number beside an outline: fixture of that site"))
    if tubes or len(hidden) < len(scene.others):
        rows.append(Row("outlines are as cut by this plane; oblique cuts change shape"))
    rows.extend(Row(short(note, _LONGEST + 8)) for note in notes)
    return rows


def _side(height: float) -> str:
    return "nearer the viewer" if height > 0 else "behind"


def height_mm(rows: list[Row]) -> float:
    """Space that the strip needs."""
    return len(rows) * _ROW_MM + 1.5


def draw(sheet: Sheet, rows: list[Row], at_mm: tuple[float, float]) -> None:
    """Draw the rows downwards from `at_mm` (left, top)."""
    left, top = at_mm
    strip = sheet.panel((left, 0, sheet.width_mm - left, top), (0, sheet.width_mm - left, 0, top))
    for number, row in enumerate(rows):
        y = top - 1.6 - number * _ROW_MM
        if row.line is not None:
            strip.fill_between([0, 7.0], y - 0.2, y + 1.9, color="#3b4348", linewidth=0)
            (sample,) = strip.plot([0.5, 6.5], [y + 0.85] * 2, color=row.line.colour, linewidth=row.line.width_pt)
            if row.line.dash.pattern:
                sample.set_dashes(row.line.dash.pattern)
        strip.text(8.2 if row.line else 0, y + 0.75, row.words, size=6, va="center", parse_math=False,
                   color=palette.INK if row.line else palette.QUIET)  # fmt: skip
