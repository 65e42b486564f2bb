"""Generic Implant Templates into a catalogue file: those whose landmarks say all that a catalogue needs."""

import json
import math
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from pydantic import ValidationError
from pydicom.dataset import Dataset
from pydicom.uid import GenericImplantTemplateStorage

from siteplan.errors import LibraryFileError
from siteplan.fixture import Design
from siteplan.fixture.catalogue_file import CatalogueFile, first_fault
from siteplan.objects.codes import PRIVATE_SCHEME
from siteplan.objects.template_form import (
    CEILING_NCM,
    LANDMARKS,
    PRIVATE_CREATOR,
    PRIVATE_GROUP,
    SOURCE,
    TARGET_NCM,
    Place,
    sizes_of,
)

LARGEST_BYTES = 256 << 20
"""A template holds one part's mesh; anything larger is something else (our own bound)."""

_TITLE = "Fixtures read from implant templates"
_NOT_IN_FAMILY = re.compile(r"[^A-Za-z0-9 ._+-]+")

Entry = dict[str, Any]


def catalogue_from_templates(paths: Iterable[Path]) -> str:
    """The text of a catalogue file (TOML) with the fixtures of some templates; lengths of equal shapes are joined.

    Raises:
        LibraryFileError: a file is no template, does not say what a catalogue needs, or says what cannot be.
    """
    entries = joined([(path.name, read_template(path)) for path in paths])
    text = _toml(entries)
    try:
        CatalogueFile.model_validate(tomllib.loads(text))
    except ValidationError as error:
        raise LibraryFileError(f"these templates make no valid catalogue: {first_fault(error)}.") from error
    return text


def read_template(path: Path) -> Entry:
    """One template as a `[[fixture]]` table with the single length `length_mm`.

    Raises:
        LibraryFileError: as for `catalogue_from_templates`.
    """
    ds = _opened(path)
    try:
        sizes = sizes_of(_place_of(ds, path.name))
        text = {keyword: _line(ds.get(keyword, "")) for keyword in ("ImplantName", "Manufacturer")}
        target, ceiling, source = (_private(ds, element) for element in (TARGET_NCM, CEILING_NCM, SOURCE))
    except LibraryFileError:
        raise
    except Exception as error:
        # pydicom converts values on access and lets out errors of many kinds on damaged ones.
        raise LibraryFileError(f"{path.name}: a value in this template is damaged; ask for it again.") from error
    if not all(math.isfinite(value) for value in sizes.values()):
        raise LibraryFileError(f"{path.name}: a landmark lies nowhere (not a number); the template cannot be used.")
    family = _NOT_IN_FAMILY.sub("-", text["ImplantName"]).strip(" ._+-")[:60] or "fixture"
    entry: Entry = {"family": family, "design": _design(ds, path.name), **sizes}
    for name, value in (("torque_target_ncm", target), ("torque_ceiling_ncm", ceiling)):
        if isinstance(value, float):
            entry[name] = value
    entry["source"] = source or f"implant template; manufacturer: {text['Manufacturer'] or 'not stated'}"
    return entry


def joined(named: list[tuple[str, Entry]]) -> list[Entry]:
    """Entries with `lengths_mm`: templates that differ in length alone become one.

    Where the smooth shaft takes up the difference in length, the thread is of one length and is given instead.
    """
    groups: dict[str, list[Entry]] = {}
    seen: dict[str, str] = {}
    for name, entry in named:
        said = json.dumps(entry, sort_keys=True)
        if said in seen:
            raise LibraryFileError(f"{name}: the same fixture as in {seen[said]}; leave one of them out.")
        seen[said] = name
        groups.setdefault(_but(entry, "length_mm"), []).append(entry)
    out: list[Entry] = []
    left: dict[str, list[Entry]] = {}
    for members in groups.values():
        if len(members) > 1:
            out.append(_one(members, {"smooth_mm": members[0]["smooth_mm"]}))
            continue
        thread = round(members[0]["length_mm"] - members[0]["smooth_mm"], 9)
        left.setdefault(f"{thread} {_but(members[0], 'length_mm', 'smooth_mm')}", []).append(members[0])
    for members in left.values():
        first = members[0]
        kept = {"smooth_mm": first["smooth_mm"]}
        if len(members) > 1:
            kept = {"thread_mm": round(first["length_mm"] - first["smooth_mm"], 9)}
        out.append(_one(members, kept))
    return out


def _one(members: list[Entry], run: dict[str, float]) -> Entry:
    first = {k: v for k, v in members[0].items() if k not in ("length_mm", "smooth_mm")}
    names = {"family": first.pop("family"), "design": first.pop("design")}
    return names | {"lengths_mm": sorted(member["length_mm"] for member in members)} | run | first


def _but(entry: Entry, *names: str) -> str:
    return json.dumps({k: v for k, v in entry.items() if k not in names}, sort_keys=True)


def _opened(path: Path) -> Dataset:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise LibraryFileError(f"{path.name}: larger than {LARGEST_BYTES >> 20} MiB, so it is no implant template.")
        ds = pydicom.dcmread(path)
        kind = ds.get("SOPClassUID")
    except OSError as error:
        raise LibraryFileError(f"{path}: the file cannot be read ({error.strerror}).") from error
    except LibraryFileError:
        raise
    except Exception as error:
        # pydicom lets out errors of many kinds on files that are not DICOM or are damaged.
        raise LibraryFileError(f"{path.name}: no DICOM file, or a damaged one; give an implant template.") from error
    if kind != GenericImplantTemplateStorage:
        raise LibraryFileError(f"{path.name}: a DICOM file of another kind; give a Generic Implant Template.")
    return ds


def _place_of(ds: Dataset, name: str) -> Any:
    """A function that finds a landmark in cylinder coordinates about the line from platform to apex."""
    points: dict[str, np.ndarray] = {}
    for item in ds.get("PlanningLandmarkPointSequence") or ():
        for code in item.get("PlanningLandmarkIdentificationCodeSequence") or ():
            if code.get("CodingSchemeDesignator") == PRIVATE_SCHEME:
                value = str(code.get("CodeValue") or code.get("LongCodeValue") or "")
                points[value] = np.asarray(item.get("ThreeDPointCoordinates") or (), dtype=np.float64)
    missing = [wanted for wanted in LANDMARKS if points.get(wanted, np.empty(0)).shape != (3,)]
    if missing:
        raise LibraryFileError(
            f"{name}: the template does not say its {', '.join(missing)} (as landmarks of the scheme {PRIVATE_SCHEME}),"
            f" without which threads and torque cannot be planned; {_extent(ds)} Write its sizes into a catalogue file."
        )
    origin, way = points["platform"], points["apex"] - points["platform"]
    length = float(np.linalg.norm(way))
    if not 0 < length < math.inf:
        raise LibraryFileError(f"{name}: platform and apex are the same point; the template cannot be used.")
    axis = way / length

    def place(landmark: str) -> Place:
        offset = points[landmark] - origin
        z = float(offset @ axis)
        return Place(z, float(np.linalg.norm(offset - z * axis)))

    return place


def _extent(ds: Dataset) -> str:
    """What its surfaces measure, for a person who goes on by hand."""
    parts = [
        np.frombuffer(points.PointCoordinatesData, "<f4").reshape(-1, 3)
        for surface in ds.get("SurfaceSequence") or ()
        for points in surface.get("SurfacePointsSequence") or ()
    ]
    if not parts:
        return "it has no surface either."
    spans = np.ptp(np.concatenate(parts), axis=0)
    return "its surface spans " + " x ".join(f"{span:.2f}" for span in spans) + " mm."


def _design(ds: Dataset, name: str) -> str:
    for code in ds.get("ImplantTypeCodeSequence") or ():
        value = str(code.get("CodeValue") or code.get("LongCodeValue") or "")
        for design in Design:
            if value == design.name.lower() and code.get("CodingSchemeDesignator") == PRIVATE_SCHEME:
                return design.value
    raise LibraryFileError(
        f"{name}: the template does not say how the fixture is meant to hold; write its sizes into a catalogue file."
    )


def _private(ds: Dataset, element: int) -> Any:
    try:
        value = ds.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)[element].value
    except KeyError:
        return None
    return _line(value) if isinstance(value, str) else float(value)


def _line(value: Any) -> str:
    return " ".join("".join(letter if letter.isprintable() else " " for letter in str(value)).split())


def _toml(entries: list[Entry]) -> str:
    """Tables of numbers, lists of numbers and strings; TOML's basic strings are JSON's (TOML 1.0, String)."""
    head = ["format = 1", f'title = "{_TITLE}"', 'note = "Check every size against the maker\'s instructions."']
    for entry in entries:
        head += ["", "[[fixture]]"]
        head += [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in entry.items()]
    return "\n".join(head) + "\n"
