"""`siteplan trace SERIES canal|foramen|sinus|nose|root|metal|arch`: find a structure, print it for the case file."""

import argparse
from typing import Any

from siteplan.commands._shared import point, print_json, progress_to, silent, tell_doubts
from siteplan.measures import limits_words


def add_parser(subparsers: Any) -> None:
    """Add this command."""
    parser = subparsers.add_parser("trace", help="find a canal, sinus floor, root or arch from a few points")
    parser.add_argument("series", metavar="SERIES", help="folder or file of the DICOM series")
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    canal = what.add_parser("canal", help="mandibular canal through points, or a proposal for each side without")
    canal.add_argument(
        "--through",
        metavar="X,Y,Z",
        type=point,
        action="append",
        default=[],
        help="mm in the patient (LPS); give two or more",
    )
    canal.add_argument("--side", choices=("left", "right"), help="of the patient, where you know it")
    foramen = what.add_parser("foramen", help="mental foramen at the front of a canal, and the loop before it")
    foramen.add_argument(
        "--through", metavar="X,Y,Z", type=point, action="append", default=[], help="two or more points of the canal"
    )
    foramen.add_argument("--side", choices=("left", "right"), help="of the patient, where you know it")
    sinus = what.add_parser("sinus", help="floor of the maxillary sinus above a point")
    nose = what.add_parser("nose", help="floor of the nasal cavity above a point")
    root = what.add_parser("root", help="the tooth or root at a point")
    metal = what.add_parser("metal", help="the existing fixture or other metal at a point")
    for near in (sinus, nose, metal):
        near.add_argument("--near", metavar="X,Y,Z", type=point, required=True, help="mm in the patient (LPS)")
    root.add_argument(
        "--near",
        metavar="X,Y,Z",
        type=point,
        action="append",
        required=True,
        help="mm in the patient (LPS); give it again for more places on the same root, and the answers are compared",
    )
    for near in (sinus, nose, root, metal):
        near.add_argument("--side", choices=("left", "right"), help="of the patient, where you know it")
    for each in (canal, foramen, sinus, nose, root, metal):
        each.add_argument("--name", metavar="NAME", help="what to call it; by default a name of its own is made")
    for each in (root, metal):
        each.add_argument("--tooth", metavar="NN", type=_tooth, help="its tooth (ISO 3950), to stand in its name")
    arch = what.add_parser("arch", help="arch curve of a jaw with estimated tooth places")
    arch.add_argument(
        "--near", metavar="X,Y,Z", type=point, help="a point on the crest; needed where both jaws are seen"
    )
    arch.add_argument("--jaw", choices=("upper", "lower"), help="for the estimated tooth places")
    for each in (canal, foramen, sinus, nose, root, metal, arch):
        each.add_argument("--uid", metavar="UID", help="which series, where the folder holds several")
        each.add_argument("--json", action="store_true", help="print JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read, trace, print."""
    from siteplan.scan import read_scan

    _enough_points(args)
    scan = read_scan(args.series, series=args.uid, progress=silent if args.json else progress_to())
    if args.what == "arch":
        return _arch(scan, args)
    if args.what == "foramen":
        return _foramen(scan, args)
    from siteplan.anatomy.naming import all_named
    from siteplan.anatomy.to_json import structure_json

    found = all_named(_structures(scan, args), name=args.name, tooth=getattr(args, "tooth", None))
    tell_doubts(scan)
    if args.json:
        content = [structure_json(s) for s in found]
        print_json(content[0] if len(content) == 1 else content)
    else:
        print("\n".join(_line(s) for s in found))
    return 0


def _tooth(text: str) -> int:
    """A tooth number.

    Raises:
        argparse.ArgumentTypeError: ISO 3950 knows no such tooth.
    """
    from siteplan.case.tooth import check_tooth

    try:
        return check_tooth(int(text))
    except ValueError as error:
        reason = str(error) if text.isdigit() else f"a tooth number of two digits is needed, not {text!r}"
        raise argparse.ArgumentTypeError(reason) from None


def _enough_points(args: argparse.Namespace) -> None:
    """Before the scan is read, which takes longer than noticing this.

    Raises:
        GeometryError: a canal with a single point, or a foramen with fewer than two.
    """
    from siteplan.errors import GeometryError

    given = len(args.through) if args.what in ("canal", "foramen") else 2
    if given == 1 or (given == 0 and args.what == "foramen"):
        instead = ", or none for a proposal" if args.what == "canal" else ""
        raise GeometryError(
            f"trace {args.what}: {given or 'no'} point{'' if given == 1 else 's'} came with --through, but a canal "
            f"needs two or more; give --through X,Y,Z once for each point{instead}."
        )


def _structures(scan: Any, args: argparse.Namespace) -> list[Any]:
    if args.what == "canal":
        from siteplan.anatomy.canal import trace_canal

        if args.through:
            return [trace_canal(scan, args.through, side=args.side)]
        from siteplan.anatomy.canal_search import propose_canals

        return [c for c in propose_canals(scan) if args.side is None or c.side in (args.side, "")]
    if args.what == "root":
        from siteplan.anatomy.root import trace_root

        return [trace_root(scan, args.near, side=args.side).structure]
    if args.what == "metal":
        from siteplan.anatomy.metal import trace_metal

        return [trace_metal(scan, args.near, side=args.side)]
    from siteplan.anatomy.sinus import sinus_floor
    from siteplan.anatomy.structure import Kind

    kind = Kind.SINUS_FLOOR if args.what == "sinus" else Kind.NASAL_FLOOR
    return [sinus_floor(scan, args.near, kind=kind, side=args.side).structure]


def _foramen(scan: Any, args: argparse.Namespace) -> int:
    from siteplan.anatomy.canal import trace_canal
    from siteplan.anatomy.foramen import find_foramen
    from siteplan.anatomy.naming import named
    from siteplan.anatomy.to_json import structure_json

    canal = trace_canal(scan, args.through, side=args.side)
    found = find_foramen(scan, canal)
    structures = [named(canal), named(found.structure, name=args.name)]
    tell_doubts(scan)
    if args.json:
        loop = None if found.loop is None else found.loop.as_json()
        content = [structure_json(s) for s in structures]
        print_json({"structures": content, "anterior_loop": loop, "why_no_loop": found.why_no_loop})
        return 0
    print("\n".join(_line(s) for s in structures))
    if found.loop is None:
        print(f"anterior loop: not measured. {found.why_no_loop}")
    else:
        m = found.loop
        print(f"anterior loop: {m.value:.1f} mm (95 %: {limits_words(m.low, m.high, 1)} mm), {m.method}")
    return 0


def _arch(scan: Any, args: argparse.Namespace) -> int:
    from siteplan.anatomy.arch import arch_json, find_arch, tooth_places

    upper = args.jaw == "upper"
    arch = find_arch(scan, args.near, upper=upper)
    tell_doubts(scan)
    places = tooth_places(arch, upper) if arch.midline_mm is not None and args.jaw is not None else []
    if args.json:
        print_json(arch_json(arch, places, args.jaw))
        return 0
    print(f"arch: {arch.length_mm:.1f} mm between its ends. {arch.note}")
    for place in places:
        print(f"  tooth {place.tooth}: about {place.s_mm:.1f} mm along it (+-{1.96 * place.sd_mm:.1f} mm, an estimate)")
    return 0


def _line(structure: Any) -> str:
    side = f", {structure.side}" if structure.side and structure.side not in structure.name else ""
    return (
        f"{structure.name}{side}: found by the computer, surface +-{1.96 * structure.uncertainty_mm:.2f} mm (95 %)."
        f" {structure.note} Use --json for the shape."
    )
