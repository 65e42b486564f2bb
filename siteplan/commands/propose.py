"""`siteplan propose CASE --tooth NN` or `--all`: fixtures and places that keep every margin, ranked, with reasons.

With `--all` every site of a jaw is proposed anew and all of them are fitted to each other.
"""

import argparse
from typing import Any

from siteplan.commands import _keep
from siteplan.commands._shared import print_json, progress_to, silent, tell_directions, tell_doubts
from siteplan.measures import limits_words, rounded_up


def add_parser(subparsers: Any) -> None:
    """Add this command."""
    parser = subparsers.add_parser(
        "propose", help="propose fixtures and places for one site of a case, or for whole jaws, with reasons"
    )
    parser.add_argument("case", metavar="CASE", help="case file (JSON)")
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--tooth", metavar="NN", type=int, help="which site, ISO 3950 number")
    which.add_argument("--all", action="store_true", help="every site of each jaw, fitted to each other")
    parser.add_argument("--most", metavar="N", type=int, default=8, help="how many proposals to show for a site (8)")
    parser.add_argument("--tilt", metavar="DEG", type=float, help="largest angle to the planned axis (15)")
    parser.add_argument(
        "--parallel", metavar="DEG", type=float, help="with --all: mutual angle that the restoration still passes (10)"
    )
    parser.add_argument("--design", metavar="WORDS", help='only this design, such as "two-piece"')
    parser.add_argument(
        "--keep",
        metavar="RANK",
        type=int,
        nargs="?",
        const=_keep.ALL,
        help="make the place of this number the plan of the case; with --all, without a number, the whole row",
    )
    parser.add_argument(
        "--replace", action="store_true", help="with --keep: also where the case plans a fixture; its file is set aside"
    )
    parser.add_argument("--json", action="store_true", help="print the proposals as JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read case and scan, measure the sites, search, print."""
    import siteplan
    from siteplan.assessment import load_library
    from siteplan.case import check_against_scan
    from siteplan.errors import CaseError

    case = siteplan.load_case(args.case)
    entries = [site for site in case.case.sites if args.all or site.tooth == args.tooth]
    if not entries:
        known = ", ".join(str(site.tooth) for site in case.case.sites)
        raise CaseError(f"sites: the case plans no tooth {args.tooth}; it plans {known}.")
    _check(args)
    _keep.check(args, case, entries)
    say = silent if args.json else progress_to()
    scan = siteplan.read_scan(case.folder / case.case.series, series=case.case.series_uid, progress=say)
    check_against_scan(case.case, scan)
    library = load_library(scan, case)
    fixtures = _wanted(args.design, library.catalogue.fixtures)
    if args.all:
        _whole(args, case, entries, library, scan, fixtures, say)
    else:
        _one(args, case, entries[0], library, scan, fixtures)
    tell_doubts(scan)
    tell_directions(case.case, entries, scan)
    return 0


def _one(args: argparse.Namespace, case: Any, entry: Any, library: Any, scan: Any, fixtures: Any) -> None:
    from siteplan.bone import measure_bone
    from siteplan.placement.proposal import propose

    bone = measure_bone(scan, entry.frame(), calibration=library.calibration)
    found = propose(_place(args, case.case, entry, bone, library, scan), fixtures, most=args.most)
    kept = None
    if args.keep is not None:
        kept = _keep.keep(case, _keep.chosen_one(args, found), library, scan)
    led = library.guidance_at(entry)
    data = {"tooth": args.tooth, "guidance": led.as_json(), **found.as_json()}
    _show(args, data, [f"drilled {led.phrase}", *lines(args.tooth, found)], kept)


def _show(args: argparse.Namespace, data: dict[str, Any], text: list[str], kept: _keep.Kept | None) -> None:
    """As JSON or for a person, with what was kept at the end."""
    if args.json:
        print_json(data if kept is None else {**data, "kept": kept.as_json()})
    else:
        print("\n".join(text if kept is None else [*text, *kept.lines()]))


def _whole(args: argparse.Namespace, case: Any, entries: Any, library: Any, scan: Any, fixtures: Any, say: Any) -> None:
    """Every jaw of the case by itself."""
    from siteplan.bone import measure_bone
    from siteplan.placement.parallel import MUTUAL_ANGLE_DEG
    from siteplan.placement.together import propose_together

    limit = MUTUAL_ANGLE_DEG if args.parallel is None else args.parallel
    answers = {}
    for jaw in sorted({entry.jaw for entry in entries}):
        mine = sorted((e for e in entries if e.jaw == jaw), key=lambda e: _along(e.tooth))
        places = {}
        for entry in mine:
            bone = measure_bone(scan, entry.frame(), calibration=library.calibration)
            places[entry.tooth] = _place(args, case.case, entry, bone, library, scan, alone=False)
        answers[jaw] = propose_together(
            places, fixtures, library.margins, most=args.most, limit_deg=limit, progress=say
        )
    kept = None
    if args.keep is not None:
        kept = _keep.keep(case, _keep.chosen_rows(answers), library, scan)
    led = {entry.tooth: library.guidance_at(entry) for entry in entries}
    told = {str(tooth): one.as_json() for tooth, one in led.items()}
    data = {"guidance": told, "jaws": [{"jaw": jaw, **answer.as_json()} for jaw, answer in answers.items()]}
    ways = dict.fromkeys(one.phrase for one in led.values())
    heads = [f"drilled {way}" + (f" at {_teeth(led, way)}" if len(ways) > 1 else "") for way in ways]
    _show(args, data, heads + [line for jaw, answer in answers.items() for line in jaw_lines(jaw, answer)], kept)


def _teeth(led: Any, way: str) -> str:
    """The teeth that are drilled in one way."""
    return ", ".join(str(tooth) for tooth, one in led.items() if one.phrase == way)


def _along(tooth: int) -> int:
    """Place of a tooth in its row, from the patient's right to left."""
    from siteplan.case.tooth import side_of

    position = tooth % 10
    return -position if side_of(tooth) == "right" else position


def _check(args: argparse.Namespace) -> None:
    """Refuse options that make no sense before the scan is read."""
    from siteplan.errors import CaseError
    from siteplan.fixture import Design

    if args.most < 1:
        raise CaseError(f"--most: at least one proposal must be asked for, not {args.most}.")
    if args.tilt is not None and not 0 <= args.tilt <= 45:
        raise CaseError(f"--tilt: an angle from 0 to 45 degrees is needed, not {args.tilt:g}.")
    if args.parallel is not None and not 0 < args.parallel <= 60:
        raise CaseError(f"--parallel: an angle from 0 to 60 degrees is needed, not {args.parallel:g}.")
    if args.parallel is not None and not args.all:
        raise CaseError("--parallel: it belongs to --all, which fits the sites of a jaw to each other.")
    known = [design.value for design in Design]
    if args.design is not None and args.design not in known:
        raise CaseError(f"--design: {args.design!r} is no design; use one of: {', '.join(known)}.")


def _place(
    args: argparse.Namespace, case: Any, entry: Any, bone: Any, library: Any, scan: Any, *, alone: bool = True
) -> Any:
    """The site with its surroundings.

    Args:
        alone: the other planned fixtures count as they stand in the case; otherwise they are proposed anew, and only
            their planned axes count.
    """
    from dataclasses import replace

    import numpy as np

    from siteplan.assessment import pose_of, scan_sd_mm
    from siteplan.placement.trial import Place, Reach

    reach = Reach()
    if args.tilt is not None:
        reach = replace(reach, tilt_deg=args.tilt)
    same_jaw = [site for site in case.sites if site.tooth != entry.tooth and site.jaw == entry.jaw]
    axes = [pose_of(site).axis for site in same_jaw if site.fixture is not None or not alone]
    standing = [site for site in same_jaw if alone and site.fixture is not None]
    neighbours = tuple(
        (f"fixture {site.tooth}", library.catalogue.get(site.fixture).body, pose_of(site)) for site in standing
    )
    return Place(
        bone,
        library.structures,
        library.margins,
        frozenset(entry.planned_contacts),
        neighbours,
        np.array(axes).reshape(-1, 3),
        scan_sd_mm(scan),
        reach=reach,
        planned=pose_of(entry),
        inner=entry.inner_side,
        hand=library.guidance_at(entry).hand,
        neighbour_hands=tuple(library.guidance_at(site).hand for site in standing),
    )


def _wanted(design: str | None, fixtures: Any) -> Any:
    return tuple(f for f in fixtures if design is None or f.design.value == design)


def _at(proposal: Any) -> str:
    """Where the platform stands; a zero has no sign."""
    return ", ".join(f"{round(float(value), 1) + 0.0:.1f}" for value in proposal.candidate.pose.platform_lps_mm) + " mm"


def lines(tooth: int, found: Any) -> list[str]:
    """What a person reads."""
    from siteplan.placement.merit import VALUE_MEANS

    out = _ranked(tooth, found)
    if found.ranked:
        out.append(VALUE_MEANS)
    if found.short:
        out += ["nothing fits:", *(f"   {sentence}" for sentence in found.short)]
    if found.fallen:
        out += ["not proposed:", *(f"   {sentence}" for sentence in found.fallen)]
    return out + list(found.cautions)


def _ranked(tooth: int, found: Any) -> list[str]:
    """The places of one site, best first, each with its reasons."""
    out = [f"tooth {tooth}: {found.fitting} of {found.tried} fixtures fit; the first {len(found.ranked)} by value"]
    if not found.ranked:
        out = [f"tooth {tooth}: none of {found.tried} fixtures fits"]
    for p in found.ranked:
        out.append(f"{p.rank}. {p.fixture.name}  value {p.value:.2f}  platform {_at(p)}")
        out += [f"   {sentence}" for sentence in p.why]
    return out


def jaw_lines(jaw: str, answer: Any) -> list[str]:
    """What a person reads about a whole jaw."""
    from siteplan.placement.merit import VALUE_MEANS

    count = len(answer.sites)
    out = [f"{jaw} jaw: {count} site{'' if count == 1 else 's'}"]
    if answer.jaw is not None:
        for tooth, p in answer.jaw.chosen.items():
            out.append(f"tooth {tooth}: {p.fixture.name}  value {p.value:.2f}  platform {_at(p)}")
            out += [f"   {sentence}" for sentence in (*p.stands, answer.why[tooth])]
        out += _whole_lines(answer.jaw)
    else:
        out += [line for tooth, found in answer.sites.items() for line in _ranked(tooth, found)]
    if any(found.ranked for found in answer.sites.values()):
        out.append(VALUE_MEANS)
    if answer.short:
        out += ["short:", *(f"   {sentence}" for sentence in answer.short)]
    for tooth, found in answer.sites.items():
        if found.fallen:
            out += [f"not proposed at tooth {tooth}:", *(f"   {sentence}" for sentence in found.fallen)]
    return out + _cautions(answer.sites)


def _cautions(sites: Any) -> list[str]:
    """Each caution once, with the teeth that it is about where it is not about all of them."""
    about: dict[str, list[int]] = {}
    for tooth, found in sites.items():
        for said in found.cautions:
            about.setdefault(said, []).append(tooth)
    return [
        said if len(teeth) == len(sites) else f"tooth {', '.join(map(str, teeth))}: {said}"
        for said, teeth in about.items()
    ]


def _percent(chance: Any) -> str:
    """A chance with its interval; none among the draws is no zero."""
    if chance.value == 0:
        return f"under {rounded_up(100 * chance.high, 1):.1f} %"
    return f"{100 * chance.value:.0f} % ({limits_words(100 * chance.low, 100 * chance.high, 0)})"


def _whole_lines(jaw: Any) -> list[str]:
    """Spacing, common path and spread."""
    near = [c for c in jaw.spacing if c.distance.value is not None]
    risks = {risk.structure: risk for risk in jaw.spacing_risks}
    out = [
        f"   {c.structure}: {c.distance.value:.1f} mm between the bodies, {c.verdict.value}; nearer than"
        f" {c.margin.value_mm:g} mm with a chance of {_percent(risks[c.structure].breach)} where both hands deviate"
        for c in near
    ]
    way = jaw.way_in
    out.append(
        f"   common path of insertion: axes within {way.half_angle_deg:.1f} degrees of one direction"
        f" ({way.limit_deg / 2:.1f} allowed), {len(way.out)} outside it"
    )
    if jaw.spread is not None:
        out.append(
            f"   spread from front to back {jaw.spread.spread_mm:.1f} mm; longest cantilever"
            f" {jaw.spread.longest_cantilever_mm:.1f} mm ({jaw.spread.source})"
        )
    return out
