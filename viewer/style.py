"""Light and dark: one table of colours each, and the style sheet made from it. Sizes follow the system's font."""

from dataclasses import dataclass

from PySide6.QtGui import QColor, QPalette
from PySide6.QtWidgets import QApplication

from siteplan.report import palette


@dataclass(frozen=True, slots=True)
class Dress:
    """Colours of the parts that hold text. Pictures stay on `palette.NIGHT` in both."""

    name: str
    ground: str
    card: str
    wash: str
    ink: str
    quiet: str
    rule: str
    accent: str
    on_accent: str


LIGHT = Dress(
    "light", "#e9edec", palette.PAPER, palette.WASH, palette.INK, palette.QUIET, palette.RULE, palette.ACCENT, "#ffffff"
)
DARK = Dress("dark", "#171d21", "#1f272c", "#273138", "#e4eaec", "#a3b1b8", "#36424a", "#6cc4c9", "#08272a")

_SHEET = """
* {{ color: {ink}; }}
QMainWindow, QDialog, QWidget#page, QScrollArea, QWidget#plain {{ background: {ground}; }}
QToolTip {{ background: {card}; color: {ink}; border: 1px solid {accent}; padding: 0.4em; }}
QFrame#card {{ background: {card}; border: 1px solid {rule}; border-radius: 10px; }}
QFrame#question {{ background: {ground}; border: none; border-left: 4px solid {rule};
  border-bottom: 1px solid {rule}; }}
QFrame#question[chosen="true"] {{ background: {card}; border-left: 8px solid {accent}; }}
QFrame#plate {{ background: #1d2429; border: 1px solid #38454d; border-top: 3px solid #8fa1aa; border-radius: 0; }}
QFrame#plate[chosen="true"] {{ background: #26333a; border: 2px solid #6cc4c9; border-top: 5px solid #6cc4c9; }}
QFrame#plate:focus {{ border-color: #ffffff; }}
QFrame#night {{ background: {night}; border: none; border-radius: 10px; }}
QFrame#night QLabel {{ color: #cfd8dc; }}
QLabel[quick="true"] {{ font-style: italic; font-weight: 400; }}
QLabel[quick="false"] {{ font-style: normal; font-weight: 700; }}
QFrame#night QLabel#tooth {{ color: {fixture}; font-weight: 700; font-size: 13pt; }}
QLabel#answer {{ font-weight: 600; }}
QLabel#quiet {{ color: {quiet}; }}
QLabel#accent {{ color: {accent}; }}
QLabel#problem {{ background: #fdf0d2; color: #6b4300; padding: 0.5em; border-radius: 6px; }}
QFrame#problem {{ background: #fdf0d2; border: none; border-radius: 6px; }}
QFrame#problem QLabel {{ padding: 0; }}
QPushButton {{ background: {card}; border: 1px solid {rule}; border-radius: 8px; padding: 0.35em 0.8em; }}
QPushButton:hover {{ border-color: {accent}; }}
QPushButton:focus {{ border: 2px solid {accent}; }}
QPushButton:checked {{ background: {accent}; color: {on_accent}; border-color: {accent}; }}
QPushButton:disabled {{ color: {quiet}; background: {wash}; border-style: dashed; }}
QPushButton#main {{ background: {accent}; color: {on_accent}; border-color: {accent}; font-weight: 600; }}
QPushButton#main:disabled {{ background: {wash}; color: {quiet}; }}
QPushButton#question {{ text-align: left; border: none; background: transparent; padding: 0.1em 0; color: {quiet}; }}
QPushButton#question:focus {{ color: {accent}; text-decoration: underline; }}
QPushButton#gloved {{ font-size: 20pt; padding: 0.7em 1.2em; border-radius: 14px; }}
QFrame#night QPushButton {{ background: #1d2429; border-color: #38454d; color: #dfe6e9; padding: 0.3em 0.6em; }}
QFrame#night QPushButton:checked {{ background: #6cc4c9; color: #08272a; }}
QFrame#night QPushButton:hover, QFrame#night QPushButton:focus {{ border-color: #6cc4c9; }}
QLineEdit, QPlainTextEdit, QTextEdit, QComboBox, QSpinBox, QDoubleSpinBox, QListWidget, QTableWidget {{
  background: {card}; border: 1px solid {rule}; border-radius: 6px; padding: 0.25em;
  selection-background-color: {accent};
  selection-color: {on_accent}; }}
QComboBox QAbstractItemView {{ background: {card}; color: {ink}; }}
QProgressBar {{ background: {wash}; border: 1px solid {rule}; border-radius: 6px; text-align: center;
  min-height: 1.2em; }}
QProgressBar::chunk {{ background: {accent}; border-radius: 5px; }}
QMenu {{ background: {card}; border: 1px solid {rule}; }}
QMenu::item:selected {{ background: {accent}; color: {on_accent}; }}
QScrollBar:vertical {{ background: transparent; width: 12px; }}
QScrollBar::handle:vertical {{ background: {rule}; border-radius: 5px; min-height: 30px; }}
QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; width: 0; }}
QTabBar::tab {{ background: {wash}; padding: 0.4em 0.9em; border: 1px solid {rule}; }}
QTabBar::tab:selected {{ background: {accent}; color: {on_accent}; }}
"""

_current = [LIGHT]


def current() -> Dress:
    """The look in use."""
    return _current[0]


def apply(app: QApplication, look: Dress) -> None:
    """Dress the whole program."""
    _current[0] = look
    app.setStyle("Fusion")
    colours = QPalette()
    for role, colour in (
        (QPalette.ColorRole.Window, look.ground),
        (QPalette.ColorRole.Base, look.card),
        (QPalette.ColorRole.AlternateBase, look.wash),
        (QPalette.ColorRole.Text, look.ink),
        (QPalette.ColorRole.WindowText, look.ink),
        (QPalette.ColorRole.Button, look.card),
        (QPalette.ColorRole.ButtonText, look.ink),
        (QPalette.ColorRole.PlaceholderText, look.quiet),
        (QPalette.ColorRole.Highlight, look.accent),
        (QPalette.ColorRole.HighlightedText, look.on_accent),
    ):
        colours.setColor(role, QColor(colour))
    app.setPalette(colours)
    app.setStyleSheet(sheet(look))


def sheet(look: Dress) -> str:
    """The style sheet of a look."""
    values = {name: getattr(look, name) for name in look.__dataclass_fields__}
    return _SHEET.format(night=palette.NIGHT, fixture=palette.FIXTURE, **values)
