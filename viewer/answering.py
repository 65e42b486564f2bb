"""The answers to all questions of a site, put together from the readings; and what a site's card says."""

from siteplan.anatomy import MadeBy, Structure
from siteplan.assessment import Library
from siteplan.case import SiteEntry
from siteplan.case.tooth import side_of
from siteplan.report import palette
from siteplan.report.remarks import about_words, demand_words
from siteplan.scan import Scan, ScanFinding, Severity
from viewer import reading
from viewer.measuring import Measured
from viewer.reading import Answer, Row
from viewer.site_cards import CardWords
from viewer.texts import say

_SEVERITY_MARK = {Severity.NOTE: None, Severity.WARNING: palette.CLOSE, Severity.REFUSAL: palette.BROKEN}


def answers_now(
    found: Measured | None,
    scan: Scan,
    library: Library | None,
    proposed: tuple[Structure, ...],
    *,
    waits: bool,
    failed: str = "",
) -> dict[str, Answer]:
    """What the questions column shows. found: of the present site; waits: there is one, but it is not measured yet.

    failed: why the present site could not be measured as it stands now; no number of it is then shown.
    """
    if failed:
        why = Answer(say("answer.failed", why=failed), palette.UNKNOWN)
        unknown = ("fits", "bone", "drill", "turn-in", *(() if library is not None else ("near",)))
        return waiting_answers(scan, library, proposed, waits) | dict.fromkeys(unknown, why)
    if found is None:
        return waiting_answers(scan, library, proposed, waits)
    return site_answers(found, scan, library, proposed)


def site_answers(
    measured: Measured, scan: Scan, library: Library | None, proposed: tuple[Structure, ...] = ()
) -> dict[str, Answer]:
    """Everything that the questions column shows for one site."""
    return {
        "fits": reading.fits(measured),
        "bone": reading.bone_answer(measured),
        "near": near(library, proposed),
        "drill": reading.drilling(measured),
        "turn-in": turn_in(measured),
        "scan": trust(scan, measured.site.scan_findings),
    }


def waiting_answers(
    scan: Scan, library: Library | None, proposed: tuple[Structure, ...], has_site: bool
) -> dict[str, Answer]:
    """The same before anything was measured, or where no site is planned yet."""
    words = say("answer.waiting") if has_site else say("answer.no-site")
    blank = Answer(words, None)
    known = {"near": near(library, proposed), "scan": trust(scan, ())}
    return dict.fromkeys(("fits", "bone", "drill", "turn-in"), blank) | known


def near(library: Library | None, proposed: tuple[Structure, ...] = ()) -> Answer:
    """What lies near? Every structure, who says so, and how sure its place is; proposals first."""
    rows = [Row(s.name, say("near.proposed"), palette.UNKNOWN, s.note, False, s.note) for s in proposed]
    if library is None:  # what the case names has not been read yet, which does not mean that there is nothing
        return Answer(say("answer.waiting"), None, tuple(rows))
    if not library.structures:
        none = say("near.none-but-proposed" if proposed else "near.none")
        return Answer(none, palette.UNKNOWN, tuple(rows), (say("fits.only-drawn"),))
    for structure in library.structures:
        waiting = structure.made_by is MadeBy.FOUND
        mark = palette.CLOSE if waiting else palette.KEPT
        sure = say("near.sure", mm=f"{structure.uncertainty_mm:.2f}")
        rows.append(Row(structure.name, say(f"near.{structure.made_by.value}"), mark, structure.note, False, sure))
    open_ = sum(s.made_by is MadeBy.FOUND for s in library.structures)
    total = len(library.structures)
    key = ("near.short-open" if open_ else "near.short") + ("-one" if total == 1 else "")
    short = say(key, n=total, open=open_)
    return Answer(short, palette.CLOSE if open_ else None, tuple(rows), (say("fits.only-drawn"),))


def turn_in(measured: Measured) -> Answer:
    """How does it go in? The torque forecast with its interval, against the loading target and the ceiling."""
    site = measured.site
    if site.placed is None:
        return Answer(say("drill.no-fixture"), palette.UNKNOWN)
    if measured.quick:
        return Answer(say("drill.moving"), palette.UNKNOWN)
    card = site.placed.preparation
    goal = card.torque
    low, high = goal.target_Ncm
    rows = [
        Row(say("torque.target"), say("torque.range", low=f"{low:g}", high=f"{high:g}"), None, goal.why.text),
        Row(say("torque.ceiling"), say("torque.value", value=f"{goal.ceiling_Ncm:g}"), None, say("torque.ceiling-tip")),
    ]
    if card.forecast is None:
        return Answer(say("torque.no-forecast"), palette.UNKNOWN, tuple(rows), (say("torque.caution"),))
    planned = card.forecast.planned
    rows.insert(
        0,
        Row(
            say("torque.final"),
            reading.number(planned.final, False, decimals=0),
            None,
            say("torque.final-tip"),
            False,
            reading.flag_words(planned.final),
        ),
    )
    rows.append(Row(say("torque.below"), f"{planned.below_loading:.0%}", None, say("torque.below-tip")))
    rows.append(Row(say("torque.above"), f"{planned.above_ceiling:.0%}", None, say("torque.above-tip")))
    short = say("torque.short", value=reading.number(planned.final, False, decimals=0))
    return Answer(short, None, tuple(rows), (say("torque.caution"),))


def trust(scan: Scan, near_site: tuple[ScanFinding, ...]) -> Answer:
    """Can the scan be trusted? What intake and the site's surroundings have to say."""
    findings = (*near_site, *scan.findings)
    worrying = [f for f in findings if f.severity is not Severity.NOTE]
    k, j, i = scan.spacing_kji_mm
    voxel = say("scan.voxel", x=f"{i:.2f}", y=f"{j:.2f}", z=f"{k:.2f}")
    rows = [Row(say("scan.voxel-name"), voxel, None, say("scan.voxel-tip"))]
    rows += [
        Row(
            say(f"scan.{f.severity.value}"),
            "",
            _SEVERITY_MARK[f.severity],
            f.remedy,
            False,
            finding_words(f),
        )
        for f in (*worrying, *(f for f in findings if f.severity is Severity.NOTE))
    ]
    if worrying:
        return Answer(_doubts(worrying), palette.CLOSE, tuple(rows))
    return Answer(say("scan.short-sound"), palette.KEPT, tuple(rows), (scan.grey.why,))


def finding_words(finding: ScanFinding) -> str:
    """What, where and what to do, as sentences."""
    place = f" ({finding.where.strip('()')})" if finding.where else ""
    return f"{finding.what.rstrip('.')}{place}. {finding.remedy}".strip()


def _doubts(worrying: list[ScanFinding]) -> str:
    first = worrying[0].what
    return (
        say("scan.short-doubts", n=len(worrying), first=first) if worrying[1:] else say("scan.short-doubt", first=first)
    )


def site_card(entry: SiteEntry, measured: Measured | None, stale: bool, failed: str = "") -> CardWords:
    """The one number of a site: the distance that leaves least, against its margin. failed: see `answers_now`."""
    place = say(f"cards.{side_of(entry.tooth)}-{entry.jaw}")
    fixture = entry.fixture or say("fixture.none")
    if failed:
        why = say("answer.failed", why=failed)
        return CardWords(entry.tooth, place, say("number.absent"), why, fixture, palette.UNKNOWN)
    if measured is None:
        return CardWords(entry.tooth, place, say("number.waiting"), say("answer.waiting"), fixture, None, True)
    quick = measured.quick or stale
    found = reading.tightest(measured)
    if found is None:
        return CardWords(
            entry.tooth, place, say("number.absent"), say("fits.nothing-short"), fixture, palette.UNKNOWN, quick
        )
    words = {"verdict": found.verdict.value, "demand": demand_words(found)}
    if found.contact:
        key = "cards.contact" if found.verdict.good else "cards.contact-not"
        what = say(key, what=about_words(found, found.structure), **words)
    else:
        what = say("cards.what", what=found.structure, **words)
    brief = say("cards.brief", what=reading.name_of(found), verdict=found.verdict.value)
    if not measured.structures:
        what = say("cards.nothing-drawn", what=what)
        brief = say("cards.nothing-drawn-brief", what=brief)
    if measured.waiting:
        what = say("cards.waiting", what=what)
        brief = say("cards.waiting-brief", what=brief)
    number = reading.distance(found.distance, quick, interval=False)
    return CardWords(entry.tooth, place, number, what, fixture, reading.site_mark(measured), quick, brief)
