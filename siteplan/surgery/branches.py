"""What is planned in advance for a site that feels otherwise: pauses, the tighter branch, the looser branch."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from siteplan.fixture import Fixture, Solid
from siteplan.placement import Clearance
from siteplan.placement.cover import of_each_side_one
from siteplan.surgery.around import against
from siteplan.surgery.build import Built, Site, build
from siteplan.surgery.card import Branch, Pause, Step
from siteplan.surgery.kit import Purpose
from siteplan.surgery.reasons import Reason
from siteplan.surgery.sequence import OPENS_THE_WAY, Reach

TIGHTER = "tighter than expected: the fixture stops short, or clicks at the ceiling without gaining depth"
LOOSER = "looser than expected: the fixture turns in with little torque"

WIDENS = "widens the hole that is there; keep its direction and depth"

MOST_OFFERED = 4
"""Other fixtures on a card: more would not be read at the chair (our own bound)."""

FixtureCheck = Callable[[Fixture], Sequence[Clearance]]


@dataclass(frozen=True)
class _Trial:
    fixture: Fixture
    against: tuple[str, ...]


def pauses_of(site: Site, built: Built) -> tuple[Pause, ...]:
    """Where to stop and try the fixture: before the last shaping drill, before the crest is opened, after all."""
    pauses: list[Pause] = []
    where = site.protocol.lines.where("seating")
    shaping = [n for n, step in enumerate(built.steps) if step.drill.purpose is Purpose.SHAPING]
    if shaping and shaping[-1] > 0:
        feel = next((bone.feels_like for bone in site.protocol.file.bone if bone.name == built.rule.bone), "")
        like = f" ({feel})" if feel else ""
        what = f"If it felt softer than {built.rule.bone} bone{like}, try the fixture by hand before the next drill."
        text = "the feel of the drill counts more than the class from the scan, and one drill less can be mended"
        pauses.append(Pause(shaping[-1], what, Reason(text, where, site.protocol.file.seating.source)))
    for number, step in enumerate(built.steps[:-1], start=1):
        if step.reach is Reach.FULL and built.steps[number].reach is Reach.CREST:
            text = "too little can be mended, too much cannot except by a wider fixture"
            what = "Try the fixture by hand. If it goes in with the torque that is wanted, leave the crest closed."
            pauses.append(Pause(number, what, Reason(text, where, site.protocol.file.seating.source)))
    if built.steps:
        what = "Check depth and walls with a probe, then seat the fixture by the seating guide."
        text = "a hole that left the bone is felt before the fixture hides it"
        pauses.append(Pause(len(built.steps), what, Reason(text, where, site.protocol.file.seating.source)))
    return tuple(pauses)


def tighter_branch(site: Site, base: Built) -> Branch:
    """The steps that the next denser class adds, crest first; the nearest class that adds any."""
    classes = site.protocol.classes
    denser = classes[: classes.index(base.rule.bone)]
    for bone in reversed(denser):
        rule = site.protocol.rule(str(site.fixture.design), bone)
        extra = _extra(base, build(site, rule))
        if extra:
            text = f"these are what {bone} bone would have asked for; take them one at a time and try in between"
            where = site.protocol.where(rule, "bone")
            return Branch(TIGHTER, steps=extra, reasons=(Reason(text, where, rule.source),))
    text = (
        "no further drill of this kit is allowed for this fixture; do not force it: take it out, check depth and "
        "direction, and choose a thinner fixture or end here"
    )
    where = site.protocol.where(base.rule, "under_core_mm")
    return Branch(TIGHTER, reasons=(Reason(text, where, base.rule.source),))


def _extra(base: Built, other: Built) -> tuple[Step, ...]:
    """Steps of the other card that widen what the base left, crest first, then to depth."""
    done = {step.drill.name for step in base.steps}
    widest = {reach: max((s.drill.diameter_mm for s in base.steps if s.reach is reach), default=0.0) for reach in Reach}
    new = [s for s in other.steps if s.drill.name not in done and s.drill.diameter_mm > widest[s.reach]]
    if widest[Reach.FULL] > 0:
        new = [_as_widening(step) for step in new]
    return tuple(sorted(new, key=lambda s: (s.reach is Reach.FULL, s.drill.diameter_mm)))


def _as_widening(step: Step) -> Step:
    """A wider pilot drill in a hole that is there already opens no way: it widens."""
    if step.drill.purpose is not Purpose.PILOT:
        return step
    why = tuple(replace(reason, text=WIDENS) if reason.text == OPENS_THE_WAY else reason for reason in step.why)
    return replace(step, why=why)


def looser_branch(site: Site, alternatives: Sequence[Fixture], check: FixtureCheck | None) -> Branch:
    """Wider or longer fixtures of the same design that clearly keep every margin here, the smallest change first."""
    offered = sorted((f for f in alternatives if _holds_more(site.fixture, f)), key=lambda f: _change(site.fixture, f))
    if not offered:
        text = "no wider or longer fixture of this design is in the catalogue"
        return Branch(LOOSER, reasons=(Reason(text, "catalogue"),))
    fitting, failed = _try(site, offered, check)
    if fitting:
        checked = "all margins to bone and" if check else "the margins (bone cover was not checked) to"
        kept = f"these clearly keep {checked} structures that are drawn, at this platform"
        text = f"{kept}; check the class of bone again before taking one"
        return Branch(LOOSER, fixtures=tuple(fitting), reasons=(Reason(text, "clearances of these fixtures"),))
    reasons = tuple(_why_not(trial) for trial in failed[:MOST_OFFERED])
    text = "no wider or longer fixture clearly keeps every margin here: leave this one to heal unloaded, or end here"
    return Branch(LOOSER, reasons=(Reason(text, "clearances of these fixtures"), *reasons))


def _try(site: Site, offered: list[Fixture], check: FixtureCheck | None) -> tuple[list[str], list[_Trial]]:
    """(names that fit, those that do not), until enough are found.

    A fixture that is nowhere smaller than a failed one reaches at least as far, so it is not tried: a longer one is
    never offered past a shorter one of its width that fails.
    """
    fitting: list[str] = []
    failed: list[_Trial] = []
    for fixture in offered:
        if any(_reaches_as_far(fixture, trial.fixture) for trial in failed):
            continue
        against = _speaks_against(site, fixture, check)
        if against:
            failed.append(_Trial(fixture, against))
        else:
            fitting.append(fixture.name)
        if len(fitting) == MOST_OFFERED:
            break
    return fitting, failed


def _reaches_as_far(fixture: Fixture, failed: Fixture) -> bool:
    """Whether a fixture of the same design is neither thinner nor shorter."""
    wider = fixture.outer_diameter_mm - failed.outer_diameter_mm
    return min(wider, fixture.length_mm - failed.length_mm) >= -_ROUNDING_MM


_ROUNDING_MM = 1e-6
"""Two lengths that differ by less are the same (rounding)."""


def _holds_more(planned: Fixture, other: Fixture) -> bool:
    """Same design, nowhere smaller, somewhere larger."""
    wider = other.outer_diameter_mm - planned.outer_diameter_mm
    longer = other.length_mm - planned.length_mm
    return other.design == planned.design and min(wider, longer) >= 0 and max(wider, longer) > 0


def _change(planned: Fixture, other: Fixture) -> tuple[float, float]:
    """Small changes first: width before length, because a wider fixture needs no new depth."""
    return (
        other.outer_diameter_mm - planned.outer_diameter_mm + (other.length_mm - planned.length_mm) / 2,
        other.length_mm,
    )


def _speaks_against(site: Site, fixture: Fixture, check: FixtureCheck | None) -> tuple[str, ...]:
    """Every verdict that is not clear, in words: structures, then the check."""
    body = fixture.body
    found = site.around.speaks_against(Solid(body.z_mm + site.platform_bone_mm, body.r_mm.copy()))
    if found or check is None:
        return found
    return tuple(against(c) for c in of_each_side_one([c for c in check(fixture) if not c.verdict.good]))


def _why_not(trial: _Trial) -> Reason:
    return Reason(f"{trial.fixture.name}: {'; '.join(trial.against)}", "clearances of this fixture")
