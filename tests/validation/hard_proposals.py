"""`python -m tests.validation.hard_proposals`: propose at single hard sites of known shape and hold each place to it.

Knife edges, low jaws, undercuts, gaps, canals close by, a metal neighbour. Bone and canal of every proposed place are
read off the shapes by following lines through them, never off the scan.
"""

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siteplan.anatomy.structure import Cone, Kind, Structure, Tube
from siteplan.bone import measure_bone
from siteplan.fixture import Fixture, load_catalogue
from siteplan.fixture.design import Design
from siteplan.placement import load_margins
from siteplan.placement.margins import BUCCAL_BONE, LINGUAL_BONE
from siteplan.placement.merit import Weights
from siteplan.placement.proposal import Proposal, judged, propose
from siteplan.placement.search import Candidate, candidate, values_of
from siteplan.placement.trial import Place, at_random
from tests.validation.harder import draw_placed
from tests.validation.jaw import Array, Placing
from tests.validation.phantoms import Case

GROUPS = ("knife edge", "roof", "low", "undercut", "gap", "canal", "metal")
STEP_MM = 0.01

WITH_HAND = 20
"""So many random places, the best without the hand, are looked at with it."""


@dataclass(frozen=True)
class Hard:
    """One hard site: its scan, its shape, what is drawn, and the exact canal (None without one)."""

    case: Case
    place: Placing
    structures: tuple[Structure, ...]


def hard_site(group: str, seed: int) -> Hard:
    """A random site of a group; "metal" is an ordinary jaw with a fixture 4.5 to 6 mm beside the planned axis."""
    rng = np.random.default_rng([seed, GROUPS.index(group)])
    case, place = draw_placed("plain" if group == "metal" else group, "fine", rng)
    drawn: tuple[Structure, ...] = ()
    if place.jaw.canal is not None:
        drawn += (_canal(place),)
    if group == "metal":
        frame = case.frame
        start = frame.origin_lps_mm + float(rng.uniform(4.5, 6.0)) * frame.distal
        cone = Cone(start, start + 11.0 * frame.axis, 2.0, 2.0)
        drawn += (Structure(Kind.EXISTING_FIXTURE, "fixture beside", cone, uncertainty_mm=0.1),)
    return Hard(case, place, drawn)


def _canal(place: Placing) -> Structure:
    """As exact as drawn by a hand that makes no error."""
    assert place.jaw.canal is not None
    u, depth, radius, _ = place.jaw.canal
    s = np.linspace(-25.0, 25.0, 200)
    suw = np.stack([s, np.full_like(s, u), np.full_like(s, place.jaw.half_height - depth)], axis=-1)
    angle, r = suw[:, 0] / place.jaw.arc_radius, place.jaw.arc_radius
    x, y = (r + suw[:, 1]) * np.cos(angle) - r, (r + suw[:, 1]) * np.sin(angle)
    points = place.centre + np.stack([x, y, place.up * suw[:, 2]], axis=-1) @ place.rotation.T
    return Structure(Kind.CANAL, "canal", Tube(points, np.full(len(s), radius)), uncertainty_mm=0.1)


def place_of(hard: Hard) -> Place:
    """The site measured."""
    scan = hard.case.scan
    sd = max(scan.spacing_kji_mm) / float(np.sqrt(12))
    return Place(measure_bone(scan, hard.case.frame), hard.structures, load_margins(), scan_sd_mm=sd)


def _outside(hard: Hard, points: Array) -> Array:
    return np.asarray(hard.place.jaw.outer(*hard.place.to_jaw(points)) >= 1)


def true_cover_mm(hard: Hard, pose_axis: Array, platform: Array, fixture: Fixture) -> tuple[float, float]:
    """Least bone left buccally and lingually from 1 mm below the bone entry on, across the body's axis."""
    frame, body = hard.case.frame, fixture.body
    across = frame.buccal - (frame.buccal @ pose_axis) * pose_axis
    across /= np.linalg.norm(across)
    z = np.arange(max(0.0, float(body.z_mm[0])), float(body.z_mm[-1]) + 1e-9, 0.25)
    middle = platform + z[:, None] * pose_axis
    # The site's bone entry, along its own axis: depths of cover count from there.
    line = frame.origin_lps_mm + np.arange(-6.0, 12.0, STEP_MM)[:, None] * frame.axis
    entry = line[int(np.argmin(_outside(hard, line)))]
    deep = (middle - entry) @ frame.axis >= 1.0
    r = np.arange(0.0, 14.0, STEP_MM)
    radius = np.interp(z, body.z_mm, body.r_mm)
    least = []
    for sign in (1.0, -1.0):
        rays = middle[deep][:, None, :] + sign * r[None, :, None] * across
        out = _outside(hard, rays.reshape(-1, 3)).reshape(rays.shape[:2])
        reach = np.where(out.any(axis=1), r[np.argmax(out, axis=1)], r[-1])
        least.append(float((reach - radius[deep]).min()))
    return least[0], least[1]


def true_spares(hard: Hard, place: Place, p: Proposal) -> list[tuple[str, float, float]]:
    """(what, true spare beyond the margin, stated doubt) in mm, for every rule that the truth can be asked of."""
    margins, pose, body = place.margins, p.candidate.pose, p.fixture.body
    buccal, lingual = true_cover_mm(hard, pose.axis, pose.platform_lps_mm, p.fixture)
    sd = 1.96 * (place.ridge.sd_mm or 0.0)
    out = [
        ("buccal", buccal - margins.of(BUCCAL_BONE).value_mm, sd),
        ("lingual", lingual - margins.of(LINGUAL_BONE).value_mm, sd),
    ]
    for s in hard.structures:
        near = float(_sampled_mm(p, s))
        out.append(
            (s.name, near - margins.of(s.kind).value_mm, 1.96 * float(np.hypot(s.uncertainty_mm, place.scan_sd_mm)))
        )
    ahead = pose.point(float(body.z_mm[-1])) + np.arange(0.0, 3.0, STEP_MM)[:, None] * pose.axis
    behind = pose.point(float(body.z_mm[-1])) - np.arange(0.0, 6.0, STEP_MM)[:, None] * pose.axis
    tip_out = _outside(hard, ahead[:1])[0]
    second = place.bone.second_cortex_depth
    doubt = 0.0 if second.value is None or second.low is None else second.value - second.low
    if tip_out:
        gone = STEP_MM * float(np.argmin(_outside(hard, behind)))
        out.append(("tip in bone", -gone, doubt))
    elif p.fixture.design is not Design.ONE_PIECE_BASAL and second.value is not None:
        inner = np.asarray(hard.place.jaw.inner(*hard.place.to_jaw(behind)) < 1)
        out.append(("tip above far cortex", -STEP_MM * float(np.argmax(inner)) if inner.any() else 0.0, doubt))
    return out


def _sampled_mm(p: Proposal, structure: Structure) -> float:
    """Dense points on the body's side and end against dense points on the structure's middle line."""
    pose, body = p.candidate.pose, p.fixture.body
    z = np.linspace(float(body.z_mm[0]), float(body.z_mm[-1]), 90)
    helper = np.cross(pose.axis, [1.0, 0.0, 0.0])
    a = helper / np.linalg.norm(helper)
    b = np.cross(pose.axis, a)
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ring = np.cos(turn)[:, None] * a + np.sin(turn)[:, None] * b
    r = np.interp(z, body.z_mm, body.r_mm)
    side = (pose.platform_lps_mm + z[:, None, None] * pose.axis + r[:, None, None] * ring).reshape(-1, 3)
    end = pose.point(float(z[-1])) + np.linspace(0, 1, 12)[:, None, None] * r[-1] * ring
    points = np.concatenate([side, end.reshape(-1, 3)])
    shape = structure.shape
    if isinstance(shape, Tube):
        line, radius = shape.points_lps_mm, float(shape.radius_mm[0])
    else:
        assert isinstance(shape, Cone)
        line, radius = np.linspace(shape.base_lps_mm, shape.tip_lps_mm, 400), shape.base_radius_mm
    return min(float(np.linalg.norm(points - q, axis=1).min()) for q in line) - radius


def best_at_random(place: Place, fixtures: Sequence[Fixture], count: int, seed: int) -> tuple[float, float]:
    """Best ranking value of `count` random places shared out over the fixtures: without the hand, and with it.

    With the hand only the `WITH_HAND` best ones are looked at, because each takes draws.
    """
    rng = np.random.default_rng(seed)
    each = -(-count // len(fixtures))
    found: list[Candidate] = []
    for fixture in fixtures:
        trials = at_random(place.reach, each, rng)
        value, marks, spare = values_of(place, fixture, trials, Weights(), fine=True)
        best = np.argsort(-value)[:WITH_HAND]
        found += [candidate(place, fixture, trials, int(n), value, marks, spare) for n in best if value[n] > 0]
    found.sort(key=lambda c: -c.value)
    if not found:
        return 0.0, 0.0
    return found[0].value, max(judged(place, c, Weights()).value for c in found[:WITH_HAND])


def main() -> int:
    """Run it; fails where a proposal breaks a margin against the truth by more than its doubt, or random is better."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.hard_proposals", description=__doc__)
    parser.add_argument("--groups", nargs="+", default=list(GROUPS), choices=GROUPS)
    parser.add_argument("--sites", type=int, default=8, help="sites of each group")
    parser.add_argument("--first", type=int, default=0, help="number of the first site")
    parser.add_argument("--random", type=int, default=10_000, help="random places for a group's first site; 0: none")
    parser.add_argument("--most", type=int, default=8, help="proposals of a site that are held to the truth")
    parser.add_argument("--every", type=int, default=1, help="only every Nth fixture, others at each site")
    args = parser.parse_args()
    catalogue = load_catalogue().fixtures
    bad = 0
    print(
        "| group | site | fit / tried | held | least true spare / doubt (mm) | value: search / random, with the hand | "
        "processor seconds: measure / search |\n" + "| --- " * 7 + "|"
    )
    for group in args.groups:
        for seed in range(args.first, args.first + args.sites):
            hard = hard_site(group, seed)
            fixtures = catalogue[seed % args.every :: args.every]
            start = time.process_time()
            place = place_of(hard)
            measured = time.process_time() - start
            found = propose(place, fixtures, most=args.most)
            searched = time.process_time() - start - measured
            rows = [row for p in found.ranked for row in true_spares(hard, place, p)]
            worst = min(rows, key=lambda row: row[1] + row[2]) if rows else None
            best = max((p.candidate.value for p in found.ranked), default=0.0)
            steady = found.ranked[0].value if found.ranked else 0.0
            drawn = best_at_random(place, fixtures, args.random, seed) if args.random and seed == args.first else None
            bad += worst is not None and worst[1] + worst[2] < 0
            bad += drawn is not None and (drawn[0] > best or drawn[1] > steady)
            told = "none" if worst is None else f"{worst[1]:+.2f} / {worst[2]:.2f} ({worst[0]})"
            other = "" if drawn is None else f"{best:.3f} / {drawn[0]:.3f}, {steady:.3f} / {drawn[1]:.3f}"
            took = f"{measured:.1f} / {searched:.1f}"
            counts = f"{found.fitting} / {found.tried} | {len(found.ranked)}"
            print(f"| {group} | {seed} | {counts} | {told} | {other} | {took} |", flush=True)
            if not found.ranked:
                print("", *found.short, sep="\n    ", flush=True)
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
