"""`siteplan fetch ARCHIVE`: look for a scan in an archive, and bring a series from there into a folder."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siteplan.commands._shared import part, print_json, progress_to, silent
from siteplan.errors import ArchiveError, ScanError

if TYPE_CHECKING:
    from siteplan.archive import Archive, SeriesRow, StudyRow
    from siteplan.scan import Patient

VOLUME = "CT"
"""Modality of cone-beam and other CT volumes."""


def add_parser(commands: Any) -> None:
    """Add this command."""
    what = "find a series in an archive and bring it here"
    parser = commands.add_parser("fetch", help=what, description=f"{what.capitalize()}.", **with_example())
    add_archive(parser)
    parser.add_argument("--out", metavar="DIR", help="folder for the series, new or empty; without it, only list")
    parser.add_argument("--study", metavar="UID", help="Study Instance UID")
    parser.add_argument("--series", metavar="UID", help="Series Instance UID")
    parser.add_argument(
        "--patient-id", metavar="ID", default="", help="as the archive has it; - reads it from a line of input"
    )
    parser.add_argument(
        "--patient-name", metavar="NAME", default="", help="with * and ? where needed; - reads it likewise"
    )
    parser.add_argument("--from", dest="date_from", metavar="DATE", type=_date, help="first day, as YYYY-MM-DD")
    parser.add_argument("--to", dest="date_to", metavar="DATE", type=_date, help="last day, as YYYY-MM-DD")
    parser.add_argument("--modality", default=VOLUME, help="only studies with this (default CT); 'any' for all")
    parser.add_argument("--identity", action="store_true", help="also show who the patients are")
    parser.add_argument("--check", action="store_true", help="only see whether the archive answers")
    parser.add_argument("--json", action="store_true", help="print JSON and nothing else")
    parser.set_defaults(run=run)


def add_archive(parser: Any) -> None:
    """The arguments that name an archive."""
    parser.add_argument("archive", metavar="ARCHIVE", help="name of the archive in the settings file")
    parser.add_argument("--settings", metavar="FILE", help="the settings file, instead of archives.toml in your folder")


def with_example() -> dict[str, Any]:
    """What the help of a command says of the settings file."""
    from textwrap import indent

    from siteplan.archive.example import EXAMPLE

    return {
        "formatter_class": argparse.RawDescriptionHelpFormatter,
        "epilog": f"archives.toml lies in ~/.config/siteplan (or SITEPLAN_FILES) and holds no password:\n\n"
        f"{indent(EXAMPLE, '  ')}\nall its keys: siteplan schema archives",
    }


def opened(args: argparse.Namespace) -> "Archive":
    """The archive that was named; what must be said first goes to standard error."""
    from siteplan.archive import load_archive, open_archive
    from siteplan.archive.login import exposed

    named = load_archive(args.archive, args.settings)
    for caution in filter(None, (named.caution, exposed(named))):
        print(f"CAUTION: {caution}", file=sys.stderr)
    return open_archive(named)


def run(args: argparse.Namespace) -> int:
    """List what there is, or bring one series. Returns 1 when nothing was found."""
    archive = opened(args)
    if args.check:
        archive.check()
        print_json({"answers": True}) if args.json else print(f"The archive {archive.named.name!r} answers.")
        return 0
    found = _found(archive, args)
    if args.out is not None:
        row = _chosen(found, args)
        return _bring(archive, row, found[0][0].patient, Path(args.out), as_json=args.json)
    if args.json:
        print_json({"studies": [_study_json(study, rows, args.identity) for study, rows in found]})
    else:
        print(
            "\n".join(line for study, rows in found for line in _lines(study, rows, identity=args.identity))
            or "No such study."
        )
    return 0 if found else 1


def _found(archive: "Archive", args: argparse.Namespace) -> "list[tuple[StudyRow, list[SeriesRow]]]":
    from siteplan.archive.entries import Query, uid_given

    study = uid_given(args.study, "Study Instance UID") if args.study else ""
    query = Query(
        patient_id=_from_input(args.patient_id),
        patient_name=_from_input(args.patient_name),
        date_from=args.date_from or "",
        date_to=args.date_to or "",
        modality="" if args.modality == "any" or study else args.modality,
        study_uid=study,
    )
    studies = archive.studies(query)
    if args.out is not None and len(studies) > 1:
        raise ArchiveError(f"{len(studies)} studies match; list them without --out, then choose one with --study.")
    return [(one, archive.series(one.uid, [one.patient])) for one in studies]


def _chosen(found: "list[tuple[StudyRow, list[SeriesRow]]]", args: argparse.Namespace) -> "SeriesRow":
    from siteplan.archive.entries import uid_given

    if not found:
        raise ArchiveError("the archive has no such study; look for it without --out.")
    rows = found[0][1]
    if args.series:
        uid_given(args.series, "Series Instance UID")
        rows = [row for row in rows if row.uid == args.series]
    elif args.modality != "any":
        rows = [row for row in rows if row.modality == args.modality]
    if not rows:
        raise ArchiveError("the study has no such series; list it without --out.")
    if len(rows) > 1:
        raise ArchiveError(
            f"the study has {len(rows)} such series; list them without --out, then choose with --series."
        )
    return rows[0]


def _bring(archive: "Archive", row: "SeriesRow", patient: "Patient", target: Path, *, as_json: bool) -> int:
    from siteplan.archive import fetch_series

    show = silent if as_json else progress_to()
    done = fetch_series(archive, row, target, progress=part(show, 0.0, 0.9))
    look, usable = _look(done.folder, patient, part(show, 0.9, 0.99))
    show(1.0, "fetched")
    if as_json:
        print_json(
            {
                "folder": str(done.folder),
                "objects": done.objects,
                "was_there": done.was_there,
                "taken_up": done.taken_up,
                "usable": usable,
                "scan": look,
            }
        )
    else:
        print(f"{done.folder}: {counted(done.objects)}" + (", there already" if done.was_there else ", all verified"))
        print(look)
    return 0


def _look(folder: Path, patient: "Patient", show: Any) -> tuple[str, bool]:
    """What the series is as a scan, in one line."""
    from siteplan.scan import read_scan

    try:
        scan = read_scan(folder, progress=show)
    except ScanError as error:
        return f"It cannot be read as a volume: {error}", False
    if patient.identifier and scan.patient.identifier.strip() != patient.identifier:
        other = (
            "CAUTION: the scan has another patient's number than the archive's list; find out why before it is used. "
        )
    else:
        other = ""
    k, j, i = scan.voxels.shape
    k_mm, j_mm, i_mm = scan.spacing_kji_mm
    notes = f"{len(scan.findings)} remarks, see 'siteplan inspect'" if scan.findings else "nothing to remark"
    return f"{other}{k} slices of {j} x {i}, voxel {j_mm:.4g} x {i_mm:.4g} x {k_mm:.4g} mm; {notes}.", True


def _lines(study: "StudyRow", rows: "list[SeriesRow]", *, identity: bool) -> list[str]:
    out = [
        f"study   {study.uid}",
        f"        {_day(study.date)}  {' '.join(study.modalities)}  {study.description}".rstrip(),
    ]
    if identity:
        who = study.patient
        out.append(f"        patient {who.name}  {who.identifier}  {_day(who.birth_date)}")
    for row in rows:
        size = "number of objects not told" if row.objects is None else counted(row.objects)
        out.append(f"  {row.modality or '--':<4}  {row.uid}")
        out.append(f"        {_day(row.date or study.date)}  {size}  {row.description}".rstrip())
    return out


def _study_json(study: "StudyRow", rows: "list[SeriesRow]", identity: bool) -> dict[str, Any]:
    out: dict[str, Any] = {
        "study_uid": study.uid,
        "date": study.date,
        "description": study.description,
        "modalities": list(study.modalities),
        "series": [
            {
                "series_uid": row.uid,
                "modality": row.modality,
                "description": row.description,
                "date": row.date,
                "objects": row.objects,
            }
            for row in rows
        ],
    }
    if identity:
        who = study.patient
        out["patient"] = {"name": who.name, "identifier": who.identifier, "birth_date": who.birth_date}
    return out


def counted(number: int) -> str:
    """A number of objects with its word."""
    return f"{number} object{'' if number == 1 else 's'}"


def _day(date: str) -> str:
    return f"{date[:4]}-{date[4:6]}-{date[6:]}" if len(date) == 8 and date.isdigit() else date or "no date"


def _date(text: str) -> str:
    from datetime import date

    try:
        return date.fromisoformat(text).strftime("%Y%m%d")
    except ValueError:
        raise argparse.ArgumentTypeError(f"a day as YYYY-MM-DD is needed, not {text!r}") from None


def _from_input(text: str) -> str:
    """`text`, or for "-" a line of standard input, so that it stays out of lists of processes and commands."""
    return sys.stdin.readline().rstrip("\r\n") if text == "-" else text
