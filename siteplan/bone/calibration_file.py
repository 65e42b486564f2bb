"""Calibrations kept in a file, one per device, protocol and field of view, and applied only where these match.

A calibration is valid for one device and protocol, and grey values change with the height of the field
(Oliveira-Santos 2025, Dentomaxillofac Radiol 54:140-148), so all of these must match.
"""

import math
import os
import tempfile
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

from siteplan.bone.calibration import Calibration, CalibrationKind
from siteplan.errors import LibraryFileError, OutputError
from siteplan.scan.volume import Scan

_FIELD_TOLERANCE_MM = 2.0
_VOLTAGE_TOLERANCE_KV = 0.5
_STALE_DAYS = 365
"""Older than this, a remark asks for a new phantom scan (common practice: yearly, no source)."""
_NUMBERS = ("slope", "intercept", "slope_sd", "intercept_sd", "covariance", "scatter_hu")


def protocol_of(scan: Scan) -> dict[str, str]:
    """What identifies device, protocol and field of a scan, as text for people and for comparison."""
    k, j, i = scan.spacing_kji_mm
    field = scan.grey.reconstruction_diameter_mm or i * scan.shape[2]
    return {
        "device": " ".join(x for x in (scan.grey.manufacturer, scan.grey.model) if x),
        "kvp": "" if scan.grey.kvp is None else f"{scan.grey.kvp:g}",
        "voxel_mm": f"{i:.3f} x {j:.3f} x {k:.3f}",
        "field_mm": f"{field:.1f}",
        "field_height_mm": f"{k * scan.shape[0]:.1f}",
    }


def calibration_for(
    text: str | None, scan: Scan, *, today: date | None = None
) -> tuple[Calibration | None, tuple[str, ...]]:
    """The calibration that `text` ("slope,intercept" or a file) gives for this scan, and remarks for the reader.

    From a file the newest entry that matches the scan's device, tube voltage, voxel and field is taken. None
    matches: no calibration, and a remark that says what differs.

    Raises:
        LibraryFileError: it is neither two numbers nor a readable calibration file.
    """
    if text is None:
        return None, ()
    if text.count(",") == 1 and not Path(text).exists():
        return _given(text), ()
    path = Path(text)
    entries = read_calibrations(path)
    own = protocol_of(scan)
    matches = [e for e in entries if not differences(e, own)]
    if not matches:
        nearest = min(entries, key=lambda e: len(differences(e, own)))
        what = "; ".join(differences(nearest, own))
        return None, (f"{path.name}: no calibration in it was made with this device, protocol and field ({what}).",)
    newest = max(matches, key=lambda e: str(e.get("date", "")))
    numbers = {name: float(newest.get(name, 0.0)) for name in _NUMBERS}
    calibration = Calibration(
        numbers["slope"],
        numbers["intercept"],
        numbers["slope_sd"],
        numbers["intercept_sd"],
        numbers["covariance"],
        numbers["scatter_hu"],
        kind=CalibrationKind.PHANTOM,
        source=f"{path.name}: {newest.get('source', '')}",
        date=str(newest.get("date", "")),
        device=own["device"],
        protocol=own["kvp"] + " kV, voxel " + own["voxel_mm"] + " mm",
        field_of_view_mm=float(own["field_mm"]),
    )
    return calibration, _age(calibration.date, today or date.today())


def _given(text: str) -> Calibration:
    try:
        slope, intercept = (float(part) for part in text.split(","))
    except ValueError:
        raise LibraryFileError(
            f"calibration: {text!r} is neither SLOPE,INTERCEPT nor an existing calibration file."
        ) from None
    if not (math.isfinite(slope) and math.isfinite(intercept)) or abs(slope) < 1e-6:
        raise LibraryFileError("calibration: slope and intercept must be finite and the slope not zero.")
    return Calibration(slope, intercept, source="given by the user, without an interval")


def _age(made: str, today: date) -> tuple[str, ...]:
    try:
        days = (today - date.fromisoformat(made)).days
    except ValueError:
        return ("The calibration carries no date; its age is not known.",)
    old = f"; older than {_STALE_DAYS} days, scan the phantom again" if days > _STALE_DAYS else ""
    return (f"The calibration was made on {made}, {days} days ago{old}.",)


def differences(entry: dict[str, Any], own: dict[str, str]) -> list[str]:
    """What keeps an entry from being valid for a scan, in words."""
    out = []
    for name, what in (
        ("device", "device"),
        ("kvp", "tube voltage"),
        ("voxel_mm", "voxel"),
        ("field_mm", "field width"),
        ("field_height_mm", "field height"),
    ):
        there, here = str(entry.get(name, "")), own[name]
        if not _same(name, there, here):
            out.append(f"{what} {there or 'not known'} there, {here or 'not known'} here")
    return out


def _same(name: str, there: str, here: str) -> bool:
    if name in ("kvp", "field_mm", "field_height_mm") and there and here:
        limit = _VOLTAGE_TOLERANCE_KV if name == "kvp" else _FIELD_TOLERANCE_MM
        try:
            return abs(float(there) - float(here)) <= limit
        except ValueError:
            return False
    return there == here


def read_calibrations(path: Path) -> list[dict[str, Any]]:
    """Entries of a calibration file.

    Raises:
        LibraryFileError: it cannot be read, or an entry has no usable slope and intercept.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise LibraryFileError(
            f"calibration {path}: it cannot be read ({error.strerror}); give SLOPE,INTERCEPT or a file."
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LibraryFileError(f"calibration {path}: this is not valid TOML: {error}.") from error
    entries = content.get("calibration")
    if not isinstance(entries, list) or not entries:
        raise LibraryFileError(f"calibration {path}: it holds no [[calibration]]; make one with `siteplan calibrate`.")
    for k, entry in enumerate(entries):
        for name in _NUMBERS:
            value = entry.get(name, 0.0) if isinstance(entry, dict) else None
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise LibraryFileError(f"calibration {path}: entry {k + 1}: `{name}` must be a number.")
        if abs(entry.get("slope", 0.0)) < 1e-6:
            raise LibraryFileError(f"calibration {path}: entry {k + 1}: `slope` must not be zero.")
    return entries


def add_calibration(path: Path, calibration: Calibration, scan: Scan, made: date) -> None:
    """Append a calibration for the scan's device, protocol and field; the file is replaced as a whole or not at all.

    Raises:
        LibraryFileError: an existing file is not a calibration file; it is left as it was.
        OutputError: the file cannot be written.
    """
    old = ""
    if path.exists():
        read_calibrations(path)
        old = path.read_text(encoding="utf-8").rstrip() + "\n\n"
    lines = ["[[calibration]]", f'date = "{made.isoformat()}"', f"source = {_quoted(calibration.source)}"]
    lines += [f"{name} = {_quoted(value)}" for name, value in protocol_of(scan).items()]
    lines += [f"{name} = {float(getattr(calibration, name))!r}" for name in _NUMBERS]
    lines += [f"notes = [{', '.join(_quoted(n) for n in calibration.notes)}]"]
    try:
        with tempfile.NamedTemporaryFile("w", dir=path.parent, delete=False, encoding="utf-8") as file:
            file.write(old + "\n".join(lines) + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(file.name, path)
    except OSError as error:
        raise OutputError(f"{path}: the calibration cannot be written ({error.strerror}).") from error


def _quoted(text: str) -> str:
    """A TOML basic string."""
    safe = "".join(c if c >= " " else " " for c in text)
    return '"' + safe.replace("\\", "\\\\").replace('"', '\\"') + '"'
