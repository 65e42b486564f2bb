"""`siteplan propose CASE --tooth NN`: fixtures and places that keep every margin at one site, ranked, with reasons."""

import argparse
from typing import Any

from siteplan.commands._shared import print_json, progress_to, silent


def add_parser(subparsers: Any) -> None:
    """Add this command."""
    parser = subparsers.add_parser("propose", help="propose fixtures and places for one site of a case, with reasons")
    parser.add_argument("case", metavar="CASE", help="case file (JSON)")
    parser.add_argument("--tooth", metavar="NN", type=int, required=True, help="which site, ISO 3950 number")
    parser.add_argument("--most", metavar="N", type=int, default=8, help="how many proposals to show (8)")
    parser.add_argument("--tilt", metavar="DEG", type=float, help="largest angle to the planned axis (15)")
    parser.add_argument("--design", metavar="WORDS", help='only this design, such as "two-piece"')
    parser.add_argument("--json", action="store_true", help="print the proposals as JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read case and scan, measure the site, search, print."""
    import siteplan
    from siteplan.assessment import load_library
    from siteplan.bone import measure_bone
    from siteplan.errors import CaseError
    from siteplan.placement.proposal import propose

    case = siteplan.load_case(args.case)
    entry = next((site for site in case.case.sites if site.tooth == args.tooth), None)
    if entry is None:
        known = ", ".join(str(site.tooth) for site in case.case.sites)
        raise CaseError(f"sites: the case plans no tooth {args.tooth}; it plans {known}.")
    _check(args)
    say = silent if args.json else progress_to()
    scan = siteplan.read_scan(case.folder / case.case.series, series=case.case.series_uid, progress=say)
    library = load_library(scan, case)
    bone = measure_bone(scan, entry.frame(), calibration=library.calibration)
    place = _place(args, case.case, entry, bone, library, scan)
    found = propose(place, _wanted(args.design, library.catalogue.fixtures), most=args.most)
    if args.json:
        print_json({"tooth": args.tooth, **found.as_json()})
    else:
        print("\n".join(lines(args.tooth, found)))
    return 0


def _check(args: argparse.Namespace) -> None:
    """Refuse options that make no sense before the scan is read."""
    from siteplan.errors import CaseError
    from siteplan.fixture import Design

    if args.most < 1:
        raise CaseError(f"--most: at least one proposal must be asked for, not {args.most}.")
    if args.tilt is not None and not 0 <= args.tilt <= 45:
        raise CaseError(f"--tilt: an angle from 0 to 45 degrees is needed, not {args.tilt:g}.")
    known = [design.value for design in Design]
    if args.design is not None and args.design not in known:
        raise CaseError(f"--design: {args.design!r} is no design; use one of: {', '.join(known)}.")


def _place(args: argparse.Namespace, case: Any, entry: Any, bone: Any, library: Any, scan: Any) -> Any:
    """The site with its surroundings: the other planned fixtures count as they stand in the case."""
    from dataclasses import replace

    import numpy as np

    from siteplan.assessment import pose_of, scan_sd_mm
    from siteplan.placement.trial import Place, Reach

    reach = Reach()
    if args.tilt is not None:
        reach = replace(reach, tilt_deg=args.tilt)
    others = [site for site in case.sites if site.tooth != entry.tooth and site.fixture is not None]
    same_jaw = [site for site in others if site.jaw == entry.jaw]
    neighbours = tuple(
        (f"fixture {site.tooth}", library.catalogue.get(site.fixture).body, pose_of(site)) for site in same_jaw
    )
    return Place(
        bone,
        library.structures,
        library.margins,
        frozenset(entry.planned_contacts),
        neighbours,
        np.array([pose.axis for _, _, pose in neighbours]).reshape(-1, 3),
        scan_sd_mm(scan),
        reach=reach,
    )


def _wanted(design: str | None, fixtures: Any) -> Any:
    return tuple(f for f in fixtures if design is None or f.design.value == design)


def lines(tooth: int, found: Any) -> list[str]:
    """What a person reads."""
    out = [f"tooth {tooth}: {len(found.ranked)} proposals from {found.tried} fixtures"]
    for p in found.ranked:
        x, y, z = p.candidate.pose.platform_lps_mm
        out.append(f"{p.rank}. {p.fixture.name}  value {p.value:.2f}  platform {x:.1f}, {y:.1f}, {z:.1f} mm")
        out += [f"   {sentence}" for sentence in p.why]
    if found.short:
        out += ["nothing fits:", *(f"   {sentence}" for sentence in found.short)]
    if found.fallen:
        out += ["not proposed:", *(f"   {sentence}" for sentence in found.fallen)]
    return out + list(found.cautions)
