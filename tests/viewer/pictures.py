"""Screens of the window for the README: `xvfb-run -s "-screen 0 1600x1200x24" python -m tests.viewer.pictures OUT`.

The samples are in the project; phantoms and head come from the folder `shared` beside the checkout where there is one.
A large picture is written with few colours, so that it stays small. Look at every one of them.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from PIL import Image
from PySide6.QtCore import QBuffer, QIODevice
from PySide6.QtWidgets import QApplication, QWidget

from tests import test_cadaver_case
from tests.viewer.hands import rest
from viewer.app import dress
from viewer.solid_view import show_solid
from viewer.window import MainWindow

ROOT = Path(__file__).resolve().parents[2]
SIZE = (1400, 880)
GREYS, COLOURS = 96, 128
"""Of a large picture; greys of their own, because colours chosen for the whole gave soft tissue brown spots."""
TINTED = 12
"""Channels further apart than this are a colour and no grey."""
FEW_BYTES, MOST_BYTES = 190_000, 200_000


@dataclass(frozen=True)
class Screen:
    """One picture: its name, the case, the tooth that is large, and the question that is open."""

    name: str
    case: Path
    tooth: int
    question: str
    solid: bool = False
    light: bool = True


def phantom_case(folder: Path, out: Path) -> Path:
    """A case from a phantom's own truth."""
    truth = json.loads((folder / "truth.json").read_text())
    upper = bool(truth.get("sinus"))
    fixture = "demo-compressive-3.5x8" if upper else "demo-compressive-4.0x10"
    sites = [
        {
            "tooth": int(s["name"]),
            "crest_mm": s["crest_lps"],
            "axis": s["axis"],
            "buccal": s["buccal"],
            "fixture": fixture,
        }
        for s in truth["sites"][::2]  # with all of them the fixtures stand too close
    ]
    structures = []
    if truth.get("canal"):
        canal = truth["canal"]
        structures.append({"kind": "canal", "name": "mandibular canal", "points_mm": canal["centreline_lps"],
                           "radius_mm": canal["lumen_radius_mm"]})  # fmt: skip
    if upper:
        surface = {"points_mm": truth["sinus"]["floor_patch_lps"], "behind": [0, 0, 1]}
        structures.append({"kind": "sinus-floor", "name": "sinus floor", "surface": surface})
    grey = truth["grey"]
    case = {
        "schema": "siteplan-case/1", "units": "mm", "title": folder.name, "patient_label": "Phantom",
        "series": str(folder / "series"), "sites": sites, "structures": structures,
        "calibration": {"slope": grey["slope"], "intercept": grey["intercept"], "source": "truth of the phantom"},
    }  # fmt: skip
    path = out / f"{folder.name}.json"
    path.write_text(json.dumps(case))
    return path


class _Folder:
    """What the head's case asks of pytest: a fresh folder."""

    def __init__(self, out: Path) -> None:
        self.out = out

    def mktemp(self, name: str) -> Path:
        folder = self.out / name
        folder.mkdir()
        return folder


def screens(out: Path, shared: Path) -> list[Screen]:
    """All pictures that can be made here."""
    lower = ROOT / "sample_volumes" / "lower_jaw" / "case.json"
    upper = ROOT / "sample_volumes" / "upper_jaw" / "case.json"
    wanted = [
        Screen("window", lower, 36, "fits"),
        Screen("window-upper", upper, 16, "drill", light=False),
        Screen("window-3d", lower, 37, "fits", solid=True),
    ]
    if shared.is_dir():
        mandible = phantom_case(shared / "phantoms" / "mandible_posterior", out)
        maxilla = phantom_case(shared / "phantoms" / "maxilla_posterior", out)
        head = test_cadaver_case.case_file.__wrapped__(shared, _Folder(out))
        first = {path: json.loads(path.read_text())["sites"][0]["tooth"] for path in (mandible, maxilla)}
        wanted += [
            Screen("window-mandible", mandible, first[mandible], "bone"),
            Screen("window-maxilla", maxilla, first[maxilla], "near", light=False),
            Screen("window-head", head, 46, "scan"),
        ]
    return wanted


def wait(ready: object) -> None:
    """Let the window work until something holds."""
    while not ready():
        rest(50)
    rest(300)


def take(window: MainWindow, screen: Screen, out: Path) -> None:
    """Open, wait until everything is measured, write."""
    if window.desk.session is not None:
        window.desk.session._saved = window.desk.session._kept
    before = window.desk.session
    window.open(screen.case)
    desk = window.desk
    wait(lambda: desk.session is not before and desk.library is not None and desk.entry is not None)
    desk.choose(screen.tooth)
    wait(lambda: not desk.busy and all(not desk._stale(e) for e in desk.plan.sites))
    wait(lambda: not window.actions_.adding.finder.busy and not desk.busy)
    window.space.answers.open_one(screen.question)
    if not screen.light:
        window.toggle_light()
    rest(400)
    shown: QWidget = window
    dialog = show_solid(window) if screen.solid else None
    if dialog is not None:
        dialog.resize(900, 640)
        wait(lambda: dialog.canvas.image is not None and not dialog.canvas._channel.busy)
        rest(1500)
        wait(lambda: not dialog.canvas._channel.busy)
        shown = dialog
    write(shown, out / f"{screen.name}.png")
    if dialog is not None:
        dialog.close()
    if not screen.light:
        window.toggle_light()


def write(shown: QWidget, path: Path) -> None:
    """A small PNG of a widget."""
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    shown.grab().save(buffer, "PNG")
    picture = Image.open(BytesIO(bytes(buffer.data()))).convert("RGB")
    picture.save(path, optimize=True)
    if path.stat().st_size > FEW_BYTES:
        few = picture.quantize(palette=palette_of(picture), dither=Image.Dither.NONE)
        few.save(path, optimize=True)
    size = path.stat().st_size
    print(f"{path.name}: {picture.width} x {picture.height}, {size} bytes")
    if size > MOST_BYTES:
        raise SystemExit(f"{path.name} is larger than {MOST_BYTES} bytes")


def palette_of(picture: Image.Image) -> Image.Image:
    """Even greys, and the colours of what is coloured."""
    pixels = np.asarray(picture).reshape(1, -1, 3)
    tinted = np.ptp(pixels.astype(np.int16), axis=2) > TINTED
    chosen = Image.fromarray(pixels[tinted][None]).quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE).getpalette()
    greys = np.repeat(np.linspace(0, 255, GREYS).round().astype(int), 3)
    palette = Image.new("P", (1, 1))
    palette.putpalette([*greys.tolist(), *(chosen or [])[: 3 * COLOURS]])
    return palette


def main(out: Path, names: tuple[str, ...] = ()) -> None:
    """Write all pictures, or those that are named."""
    out.mkdir(parents=True, exist_ok=True)
    app = QApplication(sys.argv[:1])
    dress(app)
    window = MainWindow()
    window.setProperty("quiet", True)
    window.resize(*SIZE)
    window.show()
    rest(200)
    with TemporaryDirectory() as folder:
        for screen in screens(Path(folder), ROOT.parent / "shared"):
            if not names or screen.name in names:
                take(window, screen, out)
        window.desk.session._saved = window.desk.session._kept
        window.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), tuple(sys.argv[2:]))
