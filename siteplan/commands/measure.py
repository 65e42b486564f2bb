"""`siteplan measure SERIES`: the bone of one site without a case file."""

import argparse
from typing import Any

from siteplan.commands._shared import point, print_json, progress_to, silent


def add_parser(subparsers: Any) -> None:
    """Add this command."""
    parser = subparsers.add_parser("measure", help="measure the bone of one site given by a point and two directions")
    parser.add_argument("series", metavar="SERIES", help="folder or file of the DICOM series")
    parser.add_argument("--uid", metavar="UID", help="which series, where the folder holds several")
    for name, what in (
        ("crest", "point on the crest, mm in the patient (LPS)"),
        ("axis", "direction towards the apex"),
        ("buccal", "direction towards cheek or lip"),
    ):
        parser.add_argument(f"--{name}", metavar="X,Y,Z", type=point, required=True, help=what)
    parser.add_argument("--tooth", metavar="NN", type=int, help="ISO 3950 number; it fixes which way is distal")
    parser.add_argument(
        "--calibration",
        metavar="SLOPE,INTERCEPT or FILE",
        help="the scale of the scanner: grey = SLOPE x HU + INTERCEPT, so that HU = (grey - INTERCEPT) / SLOPE; "
        "or a calibration file",
    )
    parser.add_argument("--quick", action="store_true", help="the fast values that a window shows while a hand moves")
    parser.add_argument("--json", action="store_true", help="print the site as JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read, measure, print."""
    from siteplan.bone.as_json import bone_json
    from siteplan.bone.calibration_file import calibration_for
    from siteplan.bone.measure import measure_bone
    from siteplan.bone.terminal import site_lines
    from siteplan.case.calibration import calibration_remarks
    from siteplan.case.check import field_of
    from siteplan.case.directions import direction_remarks
    from siteplan.case.tooth import check_tooth
    from siteplan.errors import GeometryError
    from siteplan.frame import site_frame
    from siteplan.scan import read_scan
    from siteplan.scan.site_checks import metal_near

    try:
        if args.tooth is not None:
            check_tooth(args.tooth)
    except ValueError as error:
        raise GeometryError(f"--tooth: {error}.") from error
    frame = site_frame(args.crest, args.axis, args.buccal, args.tooth)
    scan = read_scan(args.series, series=args.uid, progress=silent if args.json else progress_to())
    calibration, remarks = calibration_for(args.calibration, scan)
    if not scan.contains(frame.origin_lps_mm):
        named = "" if args.tooth is None else f"tooth {args.tooth}: "
        raise GeometryError(
            f"{named}--crest {','.join(f'{x:g}' for x in args.crest)} lies outside the scan in {args.series}, which "
            f"reaches from {field_of(scan)}; check the coordinates (LPS, mm) and the series."
        )
    bone = measure_bone(scan, frame, calibration=calibration, quick=args.quick)
    remarks += calibration_remarks(calibration)
    if args.tooth is not None:
        remarks += tuple(doubt.sentence for doubt in direction_remarks(args.tooth, frame, scan))
    doubts = [*scan.findings, *metal_near(scan, frame.origin_lps_mm)]
    site = {
        "tooth": args.tooth,
        **bone_json(bone),
        "remarks": list(remarks),
        "scan_findings": [one.as_json() for one in doubts],
    }
    if args.json:
        print_json(site)
    else:
        said = [f"{one.severity.value.upper()}: {one.sentence}" for one in doubts]
        print("\n".join([*said, *(f"WARNING: {remark}" for remark in remarks), *site_lines(bone)]))
    return 0
