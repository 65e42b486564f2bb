"""`siteplan inspect SERIES`: what is in this folder, file, medium or ZIP file, and can it be trusted."""

import argparse
from typing import Any

from siteplan.commands._shared import print_json


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("inspect", help="list the series in a folder with geometry, grey scale and doubts")
    parser.add_argument("path", metavar="SERIES", help="folder, multi-frame file, DICOMDIR or ZIP file")
    parser.add_argument("--identity", action="store_true", help="also show who the patient is")
    parser.add_argument("--json", action="store_true", help="print JSON and nothing else")
    parser.add_argument("--headers", action="store_true", help="look at headers only, quickly; images may be damaged")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Look through headers and images and print what there is. Returns 1 when no series is usable."""
    from siteplan.scan import list_series

    listing = list_series(args.path, images=not args.headers)
    if args.json:
        print_json(_with_identity(listing) if args.identity else listing.as_json())
    else:
        print("\n".join(_lines(listing, args.path, identity=args.identity)))
    return 0 if listing.usable else 1


def _with_identity(listing: Any) -> dict[str, Any]:
    out: dict[str, Any] = listing.as_json()
    for entry, member in zip(listing.series, out["series"], strict=True):
        patient = entry.patient
        member["patient"] = {
            "name": patient.name,
            "identifier": patient.identifier,
            "birth_date": patient.birth_date,
            "sex": patient.sex,
        }
    return out


def _lines(listing: Any, path: str, *, identity: bool) -> list[str]:
    out: list[str] = []
    for entry in listing.series:
        out += _entry(entry, identity=identity)
    if not listing.series:
        out.append(
            f"{path}: no DICOM series was found here; name the folder, ZIP file or medium that holds the scan's "
            "images, or copy them again from where they came."
        )
    out += [_finding(one, "") for one in listing.findings]
    return out


def _entry(entry: Any, *, identity: bool) -> list[str]:
    facts, grey = entry.facts, entry.grey
    state = "can be read" if entry.usable else "cannot be read as a volume"
    out = [f"{entry.number}  {facts.modality or 'no modality'}  {facts.description}  ({state})".replace("    ", "  ")]
    if identity:
        out.append(f"   patient        {entry.patient.name}  {entry.patient.identifier}  {entry.patient.birth_date}")
    out.append(f"   series         {facts.series_uid}")
    out.append(f"   made           {entry.made or 'not stated'}")
    out.append(f"   files          {facts.files}")
    k, j, i = entry.size_kji
    out.append(f"   size           {k} slices of {j} rows x {i} columns")
    if entry.spacing_kji_mm is not None:
        k_mm, j_mm, i_mm = entry.spacing_kji_mm
        out.append(f"   voxel          {j_mm:.4g} x {i_mm:.4g} mm (row x column), slices {k_mm:.4g} mm apart")
        k_mm, j_mm, i_mm = entry.field_of_view_kji_mm
        out.append(f"   field of view  {j_mm:.1f} x {i_mm:.1f} x {k_mm:.1f} mm")
    device = " ".join(part for part in (grey.manufacturer, grey.model) if part)
    out.append(f"   scanner        {device or 'not stated'}{_exposure(grey)}")
    out.append(f"   grey values    {grey.why}")
    return out + [_finding(one, "   ") for one in entry.findings]


def _exposure(grey: Any) -> str:
    parts = []
    if grey.kvp is not None:
        parts.append(f"{grey.kvp:g} kV")
    if grey.exposure_mas is not None:
        parts.append(f"{grey.exposure_mas:g} mAs")
    return f", {', '.join(parts)}" if parts else ""


def _finding(one: Any, indent: str) -> str:
    return f"{indent}{one.severity.value.upper()}: {one.sentence}"
