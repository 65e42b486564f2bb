"""`siteplan propose ... --keep`: a listed place becomes the plan, once it was assessed as the report will assess it."""

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, eq=False)
class Kept:
    """What was written.

    Attributes:
        teeth: tooth to the name of its fixture. former: name of the file that holds the former version.
        said: sentences on what the report will say of each kept place.
    """

    teeth: dict[int, str]
    former: str
    said: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "fixtures": {str(tooth): name for tooth, name in self.teeth.items()},
            "former_version": self.former,
            "report_will_say": list(self.said),
        }

    def lines(self) -> list[str]:
        """For a person."""
        teeth = ", ".join(f"{tooth} ({name})" for tooth, name in self.teeth.items())
        return [
            f"kept as the plan: {teeth}; the former version is {self.former}",
            *(f"   {sentence}" for sentence in self.said),
        ]


def check(args: argparse.Namespace, case: Any, entries: Sequence[Any]) -> None:
    """Refuse, before the scan is read, what could not be kept or would silently replace a person's plan.

    Raises:
        CaseError: `--keep` and the choice of sites do not go together, a site has a fixture or a seating record and
            `--replace` is not given.
    """
    from siteplan.errors import CaseError
    from siteplan.surgery.record import record_path, recorded_teeth

    if args.keep is None:
        if args.replace:
            raise CaseError("--replace: it belongs to --keep, which writes a proposal into the case.")
        return
    if args.all and args.keep != ALL:
        raise CaseError("--keep: with --all the row as it is fitted together is kept; give --keep without a number.")
    if not args.all and args.keep == ALL:
        raise CaseError("--keep: say which place by its number in the list, such as --keep 1.")
    if not args.all and not 1 <= args.keep <= args.most:
        raise CaseError(f"--keep: a number from 1 to {args.most} in the list is needed, not {args.keep}.")
    planned = [str(entry.tooth) for entry in entries if entry.fixture is not None]
    if planned and not args.replace:
        raise CaseError(
            f"{case.path.name}: tooth {', '.join(planned)} has a planned fixture already, so nothing was kept; add "
            "--replace to put the proposal in its place (the former version of the file is kept beside it)."
        )
    seated = set(recorded_teeth(record_path(case.path)))
    begun = [str(entry.tooth) for entry in entries if entry.tooth in seated]
    if begun:
        raise CaseError(
            f"{case.path.name}: seating of tooth {', '.join(begun)} is already on record with the present plan; its "
            "place cannot be changed by a proposal."
        )


ALL = 0
"""What `--keep` holds when it is given without a number."""


def chosen_one(args: argparse.Namespace, found: Any) -> dict[int, Any]:
    """The proposal of the wanted rank.

    Raises:
        CaseError: there is none.
    """
    from siteplan.errors import CaseError

    if args.keep > len(found.ranked):
        there = f"the list has {len(found.ranked)}" if found.ranked else "nothing fits there"
        raise CaseError(f"--keep: there is no proposal {args.keep} for tooth {args.tooth}: {there}. Nothing was kept.")
    return {args.tooth: found.ranked[args.keep - 1]}


def chosen_rows(answers: Mapping[str, Any]) -> dict[int, Any]:
    """The fitted proposals of every jaw.

    Raises:
        CaseError: a jaw has none, or what it has breaks a rule of the whole row.
    """
    from siteplan.errors import CaseError

    out: dict[int, Any] = {}
    for jaw, answer in answers.items():
        if answer.jaw is None or answer.short:
            raise CaseError(f"--keep: nothing was kept, because the {jaw} jaw is not satisfied: {answer.short[0]}")
        out |= answer.jaw.chosen
    return out


def keep(case: Any, chosen: Mapping[int, Any], library: Any, scan: Any) -> Kept:
    """Assess the chosen places as the report will, then write them.

    Raises:
        CaseError: measured anew along its own axis a place breaks a margin, or the file has changed meanwhile.
    """
    from dataclasses import replace

    from siteplan.assessment import assess_site
    from siteplan.case.keeping import entry_at, replace_case, with_entries
    from siteplan.errors import CaseError

    before = {site.tooth: site for site in case.case.sites}
    entries = {
        tooth: entry_at(before[tooth], p.fixture, p.candidate.pose, sink_mm=p.sink_mm) for tooth, p in chosen.items()
    }
    after = with_entries(case.case, entries)
    library = replace(library, sites=tuple(after.sites))
    said = []
    for tooth, entry in entries.items():
        site = assess_site(scan, entry, library, table=case.case.density_table)
        bad = next((c for c in site.deciding if _broken(c)), None)
        if bad is not None:
            raise CaseError(
                f"--keep: nothing was kept, because tooth {tooth}, measured anew along the proposed axis, {bad.verdict}"
                f" to {bad.structure} ({_amount(bad)}); choose another place."
            )
        said.append(_sentence(tooth, before[tooth], entry, site))
    former = replace_case(case, after)
    return Kept({tooth: p.fixture.name for tooth, p in chosen.items()}, former.name, tuple(said))


def _broken(found: Any) -> bool:
    from siteplan.placement import Verdict

    return found.verdict in (Verdict.BREAKS, Verdict.TOUCHES, Verdict.TOO_DEEP)


def _amount(found: Any) -> str:
    from siteplan.measures import distance_words
    from siteplan.report.remarks import demand_words

    return f"{distance_words(found.distance)}, {demand_words(found)}"


def _sentence(tooth: int, before: Any, entry: Any, site: Any) -> str:
    from siteplan.report.remarks import beside_verdict
    from siteplan.report.verdicts import gravest

    worst = gravest(site.deciding)
    text = (
        f"tooth {tooth}: nothing to check against"
        if worst is None
        else (f"tooth {tooth}: {worst.verdict}, {worst.structure}: {_amount(worst)}")
    )
    beside = beside_verdict(site, worst)
    if len(before.planned_contacts) > len(entry.planned_contacts):
        beside.append(
            f"the planned contact with {', '.join(before.planned_contacts)} was for another design and is gone"
        )
    words = "; ".join((text, *beside)).replace("\u00a0", " ").replace("−", "-")
    return f"{words}."
