"""`siteplan calibrate SERIES --inserts FILE`: from a phantom scan to a calibration that is kept in a file."""

import argparse
from dataclasses import asdict
from typing import Any

from siteplan.commands._shared import print_json, progress_to, silent, tell_doubts
from siteplan.measures import limits_words


def add_parser(subparsers: Any) -> None:
    """Add this command."""
    parser = subparsers.add_parser(
        "calibrate", help="from a phantom scan to its scale: grey = slope x Hounsfield units + intercept"
    )
    parser.add_argument("series", metavar="SERIES", help="folder or file of the phantom's DICOM series")
    parser.add_argument("--uid", metavar="UID", help="which series, where the folder holds several")
    parser.add_argument(
        "--inserts",
        metavar="FILE",
        required=True,
        help="TOML: [[insert]] name, hu and, unless they are to be found, centre_mm, radius_mm",
    )
    parser.add_argument("--save", metavar="FILE", help="calibration file to add the result to; made if it is not there")
    parser.add_argument("--json", action="store_true", help="print the result as JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read, measure the inserts, fit, print, keep."""
    from datetime import date
    from pathlib import Path

    from siteplan.bone.calibration_file import add_calibration, protocol_of
    from siteplan.bone.inserts import fit_inserts, measure_inserts, read_inserts
    from siteplan.scan import read_scan

    inserts = read_inserts(Path(args.inserts))
    scan = read_scan(args.series, series=args.uid, progress=silent if args.json else progress_to())
    calibration, readings = fit_inserts(measure_inserts(scan, inserts))
    tell_doubts(scan)
    made = date.today()
    if args.save:
        add_calibration(Path(args.save), calibration, scan, made)
    if args.json:
        print_json(
            {
                "date": made.isoformat(),
                "protocol": protocol_of(scan),
                "calibration": {
                    k: v
                    for k, v in asdict(calibration).items()
                    if k not in ("date", "device", "protocol", "field_of_view_mm")
                },
                "inserts": [
                    {
                        "name": r.insert.name,
                        "hu": r.insert.hu,
                        "grey": r.grey,
                        "sd": r.sd,
                        "samples": r.samples,
                        "residual_hu": r.residual_hu,
                    }
                    for r in readings
                ],
            }
        )
        return 0
    for r in readings:
        print(
            f"{r.insert.name:24s} {r.insert.hu:8.0f} HU   grey {r.grey:8.1f}   off the line by {r.residual_hu:+.0f} HU"
        )
    low, high = (calibration.slope + s * 1.96 * calibration.slope_sd for s in (-1, 1))
    print(f"grey = {calibration.slope:.4f} x HU + {calibration.intercept:.1f}; slope 95 % {limits_words(low, high, 4)}")
    print("\n".join(calibration.notes))
    if args.save:
        print(f"kept in {args.save}; it holds for this device, protocol and field only")
    return 0
