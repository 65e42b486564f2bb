"""What is planned in advance for a site that feels otherwise: pauses, the tighter branch, the looser branch."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from siteplan.fixture import Fixture, Solid
from siteplan.placement import Clearance
from siteplan.surgery.build import Built, Site, build
from siteplan.surgery.card import Branch, Pause, Step
from siteplan.surgery.kit import Purpose
from siteplan.surgery.reasons import Reason
from siteplan.surgery.sequence import Reach

TIGHTER = "tighter than expected: the fixture stops short, or clicks at the ceiling without gaining depth"
LOOSER = "looser than expected: the fixture turns in with little torque"

MOST_OFFERED = 4
"""Other fixtures on a card: more would not be read at the chair (our own bound)."""

FixtureCheck = Callable[[Fixture], Sequence[Clearance]]


@dataclass(frozen=True, eq=False)
class _Trial:
    fixture: Fixture
    broken: tuple[tuple[str, float | None], ...]


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
    return tuple(sorted(new, key=lambda s: (s.reach is Reach.FULL, s.drill.diameter_mm)))


def looser_branch(site: Site, alternatives: Sequence[Fixture], check: FixtureCheck | None) -> Branch:
    """Wider or longer fixtures of the same design that keep every margin here, the smallest change first."""
    offered = sorted((f for f in alternatives if _holds_more(site.fixture, f)), key=lambda f: _change(site.fixture, f))
    if not offered:
        text = "no wider or longer fixture of this design is in the catalogue"
        return Branch(LOOSER, reasons=(Reason(text, "catalogue"),))
    fitting, failed = _try(site, offered, check)
    if fitting:
        checked = "all margins" if check else "the margins to structures (bone cover was not checked)"
        text = f"these keep {checked} at this platform; check the class of bone again before taking one"
        return Branch(LOOSER, fixtures=tuple(fitting), reasons=(Reason(text, "clearances of these fixtures"),))
    reasons = tuple(_why_not(trial) for trial in failed[:MOST_OFFERED])
    text = "no wider or longer fixture keeps every margin here: leave this one to heal unloaded, or end here"
    return Branch(LOOSER, reasons=(Reason(text, "clearances of these fixtures"), *reasons))


def _try(site: Site, offered: list[Fixture], check: FixtureCheck | None) -> tuple[list[str], list[_Trial]]:
    """(names that fit, those that do not), until enough are found.

    A fixture that holds a failed one inside it comes at least as near to everything, so it is not tried: exact
    distances take long where shapes overlap.
    """
    fitting: list[str] = []
    failed: list[_Trial] = []
    for fixture in offered:
        if any(_holds_inside(fixture, trial.fixture) for trial in failed):
            continue
        broken = _broken(site, fixture, check)
        if broken:
            failed.append(_Trial(fixture, broken))
        else:
            fitting.append(fixture.name)
        if len(fitting) == MOST_OFFERED:
            break
    return fitting, failed


def _holds_inside(outer: Fixture, inner: Fixture) -> bool:
    """Whether the body of `inner`, at the same platform, lies wholly within that of `outer`."""
    if inner.length_mm > outer.length_mm:
        return False
    corners = np.unique(np.concatenate([outer.body.z_mm, inner.body.z_mm]))
    heights = corners[corners <= inner.length_mm]
    around = np.interp(heights, outer.body.z_mm, outer.body.r_mm)
    within = np.interp(heights, inner.body.z_mm, inner.body.r_mm)
    return bool((within <= around + _ROUNDING_MM).all())


_ROUNDING_MM = 1e-6
"""Two radii that differ by less are the same (rounding)."""


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


def _broken(site: Site, fixture: Fixture, check: FixtureCheck | None) -> tuple[tuple[str, float | None], ...]:
    """(structure, what it spares; None: not measured) of every margin that is broken: structures, then the check."""
    body = fixture.body
    found = site.around.broken(Solid(body.z_mm + site.platform_bone_mm, body.r_mm.copy()))
    if found or check is None:
        return found
    return tuple((c.structure, site.around.spare_mm(c)) for c in check(fixture) if not site.around.keeps(c))


def _why_not(trial: _Trial) -> Reason:
    worst, spare = min(trial.broken, key=lambda pair: pair[1] if pair[1] is not None else -1e9)
    if spare is None:
        text = f"{trial.fixture.name}: the distance to {worst} could not be measured"
    else:
        text = f"{trial.fixture.name}: {-spare:.1f} mm too close to {worst}"
    return Reason(text, f"clearance to {worst}")
