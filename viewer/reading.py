"""From findings to what the window says: short answers, rows, drawn lines. Chooses words; measures nothing."""

from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

from siteplan.findings import SiteFindings
from siteplan.flags import Flag
from siteplan.measures import Measure, safely_rounded
from siteplan.placement import Clearance
from siteplan.placement.margins import BUCCAL_BONE, LINGUAL_BONE
from siteplan.report import palette
from siteplan.report.remarks import demand_words, hand_words, not_drawn_words, rim_words, site_roof_words
from siteplan.report.verdicts import MARK_OF, room_left_mm
from siteplan.surgery.cautions import LED
from viewer.measuring import Measured
from viewer.overlay import BoneLines, Leader, measure_words
from viewer.texts import say

_RANK = {palette.BROKEN.shape: 0, palette.CLOSE.shape: 1, palette.UNKNOWN.shape: 2}
_RANK |= {palette.PLANNED.shape: 3, palette.KEPT.shape: 4}
_GOOD = (palette.KEPT, palette.PLANNED)


def mark_of(clearance: Clearance | None) -> palette.Mark:
    """The shape of a clearance's verdict; a ring where nothing is known. To what no person has confirmed, a margin is
    never called kept."""
    if clearance is None or clearance.distance.value is None:
        return palette.UNKNOWN
    mark = MARK_OF.get(clearance.verdict, palette.UNKNOWN)
    return palette.CLOSE if mark in _GOOD and _open(clearance) else mark


def _open(clearance: Clearance) -> bool:
    return Flag.NOT_CONFIRMED in clearance.distance.flags


def by_urgency(clearances: tuple[Clearance, ...]) -> list[Clearance]:
    """Broken margins first, then doubtful, then planned contacts, then kept ones; within each the tightest first; what
    is not known last."""
    known = [c for c in clearances if c.distance.value is not None]
    unknown = [c for c in clearances if c.distance.value is None]

    def rank(c: Clearance) -> tuple[int, bool, float]:
        return _RANK[mark_of(c).shape], not c.contact, room_left_mm(c) or 0.0

    return sorted(known, key=rank) + unknown


def tightest(measured: Measured) -> Clearance | None:
    """The clearance that a card shows."""
    if measured not in _tightest:  # asked for by each of the texts that a step of a drag changes
        ordered = by_urgency(measured.clearances)
        _tightest[measured] = ordered[0] if ordered and ordered[0].distance.value is not None else None
    return _tightest[measured]


_tightest: WeakKeyDictionary[Measured, Clearance | None] = WeakKeyDictionary()


def name_of(clearance: Clearance) -> str:
    """What it is measured to; of a bone side without the depths that were looked at."""
    beside = clearance.kind in (BUCCAL_BONE, LINGUAL_BONE)
    return clearance.structure.split(", ", 1)[0] if beside else clearance.structure


def number(measure: Measure, quick: bool, *, decimals: int = 1, interval: bool = True) -> str:
    """A number in words; a quick estimate starts with "about" and shows no interval, because it has none to trust."""
    if measure.value is not None and (quick or Flag.QUICK_ESTIMATE in measure.flags):
        return say("number.about", text=measure_words(measure, decimals=decimals, interval=False))
    return measure_words(measure, decimals=decimals, interval=interval)


def distance(measure: Measure, quick: bool, *, interval: bool = True) -> str:
    """A distance that decides safety, rounded to the safe side as the report rounds it; a decimal less while quick."""
    rough = quick or Flag.QUICK_ESTIMATE in measure.flags
    digits = 1 if rough else 2
    value, low, high = safely_rounded(measure, digits)
    return number(replace(measure, value=value, low=low, high=high), quick, decimals=digits, interval=interval)


def flag_words(measure: Measure) -> str:
    """Why a number should be doubted, a sentence each; what the whole window already says is left out."""
    hidden = {Flag.QUICK_ESTIMATE, Flag.NOT_CALIBRATED} if measure.value is not None else {Flag.QUICK_ESTIMATE}
    return " ".join(flag.meaning for flag in measure.flags if flag not in hidden)


def leader_of(measured: Measured) -> Leader | None:
    """What is drawn at the fixture's tightest place."""
    found = tightest(measured)
    quick = measured.quick
    if found is None or found.at_lps_mm is None:
        return None
    text = say(
        "picture.leader",
        number=distance(found.distance, quick, interval=False),
        what=found.structure,
        verdict=found.verdict.value,
    )
    return Leader(found.at_lps_mm, text, site_mark(measured), quick)


def bone_lines(measured: Measured) -> BoneLines:
    """Bone edges and ridge widths for drawing."""
    bone = measured.site.bone
    ticks = []
    rows = zip(bone.levels_mm, bone.levels.ridge_width, bone.levels.buccal_mm, bone.levels.lingual_mm, strict=True)
    for depth, width, buccal, lingual in rows:
        if width.value is None or buccal.value is None or lingual.value is None:
            continue
        ticks.append((float(depth), -lingual.value, buccal.value, number(width, measured.quick, interval=False)))
    return BoneLines(
        bone.frame, bone.block.depth_mm, bone.buccal_edge_mm, bone.lingual_edge_mm, tuple(ticks), measured.quick
    )


@dataclass(frozen=True)
class Row:
    """One line of an answer: what, its number, a shape or none, and the words of its tooltip."""

    what: str
    value: str
    mark: palette.Mark | None = None
    tip: str = ""
    quick: bool = False
    note: str = ""


@dataclass(frozen=True)
class Answer:
    """The answer to one of the window's questions: a short sentence that is always seen, and rows."""

    short: str
    mark: palette.Mark | None
    rows: tuple[Row, ...] = ()
    cautions: tuple[str, ...] = ()


def fits(measured: Measured) -> Answer:
    """Does it fit? Every clearance with its margin, where the margin comes from, and the verdict."""
    quick = measured.quick
    if measured.site.placed is None:
        return Answer(say("fits.no-fixture"), palette.UNKNOWN)
    rows = _with_remarks(_clearance_rows(by_urgency(measured.clearances), quick), measured)
    found = tightest(measured)
    if found is None:
        return Answer(say("fits.nothing-checked"), palette.UNKNOWN, rows, (say("fits.only-drawn"),))
    short = say(
        "fits.short",
        verdict=_verdict_words(found),
        what=found.structure,
        number=distance(found.distance, quick, interval=False),
        demand=demand_words(found),
    )
    if _open(found):
        kept = MARK_OF.get(found.verdict) in _GOOD
        bare = short.split(": ", 1)[-1]
        short = say("fits.not-decided", short=bare) if kept else say("fits.not-confirmed", short=short)
    elif measured.waiting:
        short = say("fits.waiting", short=short)
    words = () if quick else (*not_drawn_words(measured.site), *_hand_words(measured.site))
    beside = tuple(_capital(f"{w}.") for w in words if w)
    return Answer(_only_bone(measured, short), site_mark(measured), rows, (*beside, say("fits.only-drawn")))


def _hand_words(site: SiteFindings) -> tuple[str, str]:
    """The greatest chance that the hand breaks a margin; and that its guidance is assumed, or where that of a guide
    does not hold."""
    chance = hand_words(site)
    first = site.guidance.caution.partition(". ")[0].rstrip(".")
    return chance, "" if chance and site.guidance.assumed else first


def _with_remarks(rows: tuple[Row, ...], measured: Measured) -> tuple[Row, ...]:
    """The rows with the measured roof beneath the canal's, and the platform's rim at the end."""
    if measured.quick:
        return rows
    roofs, rim = site_roof_words(measured.site), rim_words(measured.site)
    rows = tuple(replace(r, note=f"{r.note} {_capital(roofs[r.what])}.") if r.what in roofs else r for r in rows)
    return (*rows, Row(say("fits.rim"), "", palette.CLOSE, rim, False, rim)) if rim else rows


def site_mark(measured: Measured) -> palette.Mark:
    """The shape of a site's verdict; never "kept" while no structure was there to be checked, or a proposal waits."""
    mark = mark_of(tightest(measured))
    unsure = not measured.structures or measured.waiting
    return palette.CLOSE if mark in _GOOD and unsure else mark


def _only_bone(measured: Measured, short: str) -> str:
    return short if measured.structures else say("fits.only-bone", short=short)


def _clearance_rows(ordered: list[Clearance], quick: bool) -> tuple[Row, ...]:
    """A row for each structure; for each bone side one row with its gravest place, the other places in its note."""
    rows, sides = [], {kind: [c for c in ordered if c.kind == kind] for kind in (BUCCAL_BONE, LINGUAL_BONE)}
    for found in ordered:
        side = sides.get(found.kind)
        if side is None:
            rows.append(_clearance_row(found, quick))
        elif side and found is side[0]:
            row = _clearance_row(found, quick)
            others = [
                f"{c.structure.split(', ', 1)[-1]}: {distance(c.distance, quick)}, {c.verdict.value}" for c in side[1:]
            ]
            note = f"{row.note} {say('near.also', n=len(others))}" if others else row.note
            rows.append(replace(row, note=note, tip="\n".join([row.tip, *others])))
    return tuple(rows)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _verdict_words(clearance: Clearance) -> str:
    return say(f"verdict.{clearance.verdict.name.lower().replace('_', '-')}")


def _clearance_row(clearance: Clearance, quick: bool) -> Row:
    tip = say(
        "fits.tip",
        verdict=clearance.verdict.value,
        demand=_capital(demand_words(clearance)),
        status=clearance.margin.status,
        source=clearance.margin.source,
        why=clearance.margin.rationale,
    )

    value = distance(clearance.distance, quick)
    note = say("fits.row", verdict=clearance.verdict.value, demand=demand_words(clearance))
    if clearance.distance.value is None:
        note = flag_words(clearance.distance)
    elif flag_words(clearance.distance):
        note = f"{note} {flag_words(clearance.distance)}"
    return Row(clearance.structure, value, mark_of(clearance), tip, quick, note)


def bone_answer(measured: Measured) -> Answer:
    """What is the bone like? Widths, plates, cortex, grey value and class."""
    site, quick = measured.site, measured.quick
    bone = site.bone
    rows = [_measure_row("bone.crest", bone.crest_offset, quick)]
    for depth, width in zip(bone.levels_mm, bone.ridge_width, strict=True):
        rows.append(_measure_row("bone.width", width, quick, mm=f"{depth:g}"))
    rows.append(_measure_row("bone.crestal-cortex", bone.crestal_cortex, quick))
    rows.append(_measure_row("bone.second-cortex", bone.second_cortex_depth, quick))
    for key, plates in (("bone.buccal-plate", bone.buccal_plate), ("bone.lingual-plate", bone.lingual_plate)):
        for depth, plate in zip(bone.levels_mm, plates, strict=True):
            if depth in (3.0, 7.0):
                rows.append(_measure_row(key, plate, quick, mm=f"{depth:g}"))
    rows.append(_measure_row("bone.mean-grey", bone.mean_grey, quick))
    if bone.mean_hu.value is not None:
        rows.append(_measure_row("bone.mean-hu", bone.mean_hu, quick))
    density, probability = density_words(site)
    rows.append(
        Row(say("bone.class"), density, None, probability, quick, say("bone.class-note", table=site.density.table))
    )
    known = [w for w in bone.ridge_width if w.value is not None]
    narrowest = min(known, key=lambda w: w.value or 0.0) if known else None
    width_text = number(narrowest, quick, interval=False) if narrowest else say("number.absent")
    caution = () if site.density.calibrated else (say("bone.not-calibrated"),)
    return Answer(say("bone.short", width=width_text, density=density), None, tuple(rows), caution)


def density_words(site: SiteFindings) -> tuple[str, str]:
    """The class as words, and the probabilities of all classes."""
    density = site.density
    spread = ", ".join(f"{name}: {share:.0%}" for name, share in density.probabilities.items() if share >= 0.005)
    label = str(density.label) if density.label is not None else say("bone.no-class")
    if not density.calibrated and density.label is not None:
        label = say("bone.orientation-only", label=label)
    return label, say("bone.class-tip", spread=spread or "–", source=density.source)


def _measure_row(key: str, measure: Measure, quick: bool, **values: str) -> Row:
    tip = say(f"{key}-tip", **values)
    if measure.method:
        tip = say("number.method", tip=tip, method=measure.method)
    return Row(say(key, **values), number(measure, quick), None, tip, quick, flag_words(measure))


def drilling(measured: Measured) -> Answer:
    """How is it drilled? One row a step, with what to look at. While a hand moves the fixture the card is out
    of date."""
    site = measured.site
    if measured.quick:
        return Answer(say("drill.moving"), palette.UNKNOWN)
    if site.placed is None:
        return Answer(say("drill.no-fixture"), palette.UNKNOWN)
    card = site.placed.preparation
    rows = []
    for count, step in enumerate(card.steps, 1):
        worst = by_urgency(step.clearances)[:1]
        below = (
            say(
                "drill.tip-below",
                mm=f"{step.tip_depth_mm:.1f}",
                what=worst[0].structure,
                left=distance(worst[0].distance, False),
            )
            if worst and worst[0].distance.value is not None
            else say("drill.tip-free", mm=f"{step.tip_depth_mm:.1f}")
        )
        why = " ".join(str(reason.text) for reason in step.why)
        low, high = step.drill.speed_per_min
        value = say("drill.step", diameter=f"{step.drill.diameter_mm:.1f}", shows=step.shows)
        note = say("drill.note", below=below, low=f"{low:.0f}", high=f"{high:.0f}", cooling=step.drill.irrigation)
        note = f"{note} {step.access}".strip()
        rows.append(
            Row(
                say("drill.number", n=count, drill=step.drill.name),
                value,
                mark_of(worst[0]) if worst else None,
                why,
                False,
                note,
            )
        )
        rows += [
            Row(say("drill.pause"), "", None, pause.why.text, False, pause.what)
            for pause in card.pauses
            if pause.after_step == count
        ]
    led = LED.get(site.guidance.hand.name, ())  # stands above the steps, because it changes what a depth means
    rows = [Row(say("led.row"), site.guidance.hand.words, palette.CLOSE, words, False, words) for words in led] + rows
    problems = tuple(str(p.text) for p in card.problems)
    short = (
        say("drill.short" if card.steps[1:] else "drill.short-one", n=len(card.steps), reference=card.reference)
        if card.steps
        else say("drill.none")
    )
    mark = palette.BROKEN if problems else None
    return Answer(
        _capital(problems[0]) if problems else short,
        mark,
        tuple(rows),
        (*problems, *(c for c in card.cautions if c not in led)),
    )
