"""`siteplan outcomes CASES...`: what was forecast and planned, and what came of it."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siteplan.commands._shared import print_json
from siteplan.measures import limits_words, rounded_down, rounded_up

if TYPE_CHECKING:
    from siteplan.surgery.outcomes import Correction, Outcome


def add_parser(commands: Any) -> None:
    """Add this command."""
    parser = commands.add_parser("outcomes", help="compare forecasts and plans with what the seating records say")
    parser.add_argument("cases", metavar="CASE", nargs="+", help="case files (JSON) with seating records beside them")
    parser.add_argument("--out", metavar="DIR", help="folder for the plots as PNG; made if it is not there")
    parser.add_argument("--json", action="store_true", help="print JSON and nothing else")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Collect, compare, print, draw."""
    from siteplan.surgery.outcomes import agreement, collect, fit_correction

    _are_files(args.cases)
    outcomes, remarks = collect(args.cases)
    correction = fit_correction(outcomes)
    if args.out:
        _draw(outcomes, correction, Path(args.out))
    if args.json:
        print_json(
            {
                "outcomes": [outcome.as_json() for outcome in outcomes],
                "classes": [{"card": c, "felt": f, "count": n} for (c, f), n in sorted(agreement(outcomes).items())],
                "correction": correction.as_json() if correction else None,
                "remarks": list(remarks),
            }
        )
    else:
        print("\n".join([*_table(outcomes), *_summary(outcomes, correction), *remarks]))
    return 0


def _are_files(cases: list[str]) -> None:
    """A mistyped name must not read as a case without a record; a case may be gone, but not its record as well.

    Raises:
        CaseError: neither the case nor a seating record beside it is there.
    """
    from siteplan.errors import CaseError
    from siteplan.surgery.record import record_path

    for case in cases:
        if not Path(case).is_file() and not record_path(case).is_file():
            raise CaseError(f"{case}: there is no such case file, nor a seating record beside it; check the name.")


def _table(outcomes: "tuple[Outcome, ...]") -> list[str]:
    """One line per fixture."""
    head = ("case", "tooth", "fixture", "card", "felt", "forecast N·cm", "achieved N·cm", "drills", "cycles")
    rows = [head] + [
        (
            o.case,
            str(o.tooth),
            o.fixture,
            o.bone,
            o.felt or "-",
            f"{o.forecast_Ncm[1]:.0f} ({limits_words(o.forecast_Ncm[0], o.forecast_Ncm[2], 0)})"
            if o.forecast_Ncm
            else "-",
            f"{o.achieved_Ncm:.0f}{'' if o.seated else ' (not seated)'}" if o.achieved_Ncm is not None else "-",
            _drills(o),
            str(o.cycles),
        )
        for o in outcomes
    ]
    wide = [max(len(row[n]) for row in rows) for n in range(len(head))]
    return ["  ".join(f"{cell:<{w}}" for cell, w in zip(row, wide, strict=True)).rstrip() for row in rows]


def _drills(outcome: "Outcome") -> str:
    if outcome.as_planned is None:
        said = "not entered"
    elif outcome.as_planned:
        said = "as planned"
    else:
        missing = [drill for drill in outcome.planned_drills if drill not in outcome.used_drills]
        added = [drill for drill in outcome.used_drills if drill not in outcome.planned_drills]
        said = (
            ", ".join([*(f"without {drill}" for drill in missing), *(f"with {drill}" for drill in added)]) or "changed"
        )
    return said + (f", then {', '.join(outcome.opened)}" if outcome.opened else "")


def _summary(outcomes: "tuple[Outcome, ...]", correction: "Correction | None") -> list[str]:
    from siteplan.surgery.outcomes import FIT_CAUTION, LEAST_FOR_A_FIT

    if correction is None:
        seated = [o for o in outcomes if o.seated and o.forecast_Ncm is not None and o.achieved_Ncm]
        return [
            "",
            f"{len(seated)} seated with a forecast and a torque, in {len({o.case for o in seated})} case files; a "
            f"correction needs {LEAST_FOR_A_FIT} case files.",
        ]
    return [
        "",
        f"Achieved torque is {correction.factor:.2f} x forecast (95 % interval "
        f"{limits_words(correction.low, correction.high, 2)}, {correction.fixtures} fixtures of "
        f"{correction.patients} patients); the next fixture is expected between "
        f"{rounded_down(correction.next_low):.2f} and {rounded_up(correction.next_high):.2f} x forecast.",
        f"{correction.inside} of {correction.fixtures} lay inside the interval of their forecast.",
        FIT_CAUTION,
        "To use it, put this into your own protocol file:",
        correction.as_toml(),
    ]


def _draw(outcomes: "tuple[Outcome, ...]", correction: "Correction | None", folder: Path) -> None:
    from siteplan.errors import OutputError
    from siteplan.report.outcome_figures import class_figure, forecast_figure
    from siteplan.surgery.outcomes import agreement

    classes = sorted({name for o in outcomes for name in (o.bone, o.felt) if name})
    try:
        folder.mkdir(parents=True, exist_ok=True)
        forecast_figure(outcomes, correction).png(folder / "torque_forecast_achieved.png")
        class_figure(agreement(outcomes), classes).png(folder / "bone_class_felt.png")
    except OSError as error:
        raise OutputError(f"{folder}: the plots cannot be written ({error.strerror}).") from error
