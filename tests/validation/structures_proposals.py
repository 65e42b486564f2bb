"""`python -m tests.validation.structures_proposals`: propose a whole jaw of known shape and hold it against the truth.

The jaw is a horseshoe with a canal on both sides; bone cover and canal distance of what is proposed are computed from
the shapes by following lines through them, never from the scan.
"""

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from siteplan.anatomy.structure import Kind, Structure, Tube
from siteplan.bone import measure_bone
from siteplan.fixture import Fixture, load_catalogue
from siteplan.frame import SiteFrame, site_frame
from siteplan.placement import load_margins
from siteplan.placement.margins import BUCCAL_BONE, LINGUAL_BONE
from siteplan.placement.merit import Weights
from siteplan.placement.proposal import Proposal
from siteplan.placement.search import search, values_of
from siteplan.placement.together import Together, propose_together
from siteplan.placement.trial import Place, at_random
from siteplan.scan.volume import Scan
from tests.validation.jaw import Array, Jaw, Placing
from tests.validation.scanner import Scanner
from tests.validation.structures_scan import scan_of
from tests.validation.structures_shapes import Scene, to_lps

ARC_MM = 23.0
"""Radius of the horseshoe: about a lower jaw's (from memory)."""

TEETH = (46, 45, 44, 43, 41, 31, 33, 34, 35, 36)
"""Ten sites, from the patient's right to left."""

CANAL_DEPTH_MM, CANAL_RADIUS_MM = 15.5, 1.5


@dataclass(frozen=True)
class WholeJaw:
    """A simulated horseshoe with its sites and canals."""

    scan: Scan
    place: Placing
    frames: dict[int, SiteFrame]
    canals: tuple[Structure, ...]


def whole_jaw(seed: int, teeth: Sequence[int] = TEETH, voxel_mm: float = 0.4) -> WholeJaw:
    """A random horseshoe, scanned."""
    rng = np.random.default_rng(seed)
    jaw = Jaw(
        half_width=float(rng.uniform(4.6, 5.6)),
        half_height=float(rng.uniform(11.5, 13.0)),
        arc_radius=ARC_MM,
        wave=float(rng.uniform(0.05, 0.12)),
        phase=float(rng.uniform(0, 6)),
    )
    # The arc opens towards +x of its own frame; turned so that its front looks to -y of the patient (anterior).
    forward = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    place = Placing(forward, np.array([0.0, -30.0, -40.0]) + np.array([0, -ARC_MM, 0.0]), jaw, 1.0)
    along = np.linspace(-32.0, 32.0, len(teeth))
    frames = {tooth: _frame(place, s, tooth, rng) for tooth, s in zip(teeth, along, strict=True)}
    canals = tuple(_canal(place, sign) for sign in (-1, 1))
    s = np.linspace(-38, 38, 60)
    edge = jaw.half_width + jaw.cheek + 2.0
    box = np.concatenate(
        [to_lps(place, np.stack([s, np.full(60, u), np.full(60, w)], 1)) for u in (-edge, edge) for w in (-14.5, 17.0)]
    )
    scanner = Scanner(voxel_mm, 0.2, 60.0, 60.0)
    return WholeJaw(scan_of(Scene(place), scanner, box.min(0), box.max(0), rng), place, frames, canals)


def _frame(place: Placing, s: float, tooth: int, rng: np.random.Generator) -> SiteFrame:
    crest = np.array([s, rng.uniform(-0.4, 0.4), place.jaw.half_height - 0.1])
    out = to_lps(place, crest + np.array([0.0, 1.0, 0.0])) - to_lps(place, crest)
    axis = np.array([0, 0, -1.0]) + rng.normal(0, 0.06, 3)
    axis /= np.linalg.norm(axis)
    buccal = out - (out @ axis) * axis
    return site_frame(to_lps(place, crest), axis, buccal / np.linalg.norm(buccal), tooth)


def _canal(place: Placing, sign: int) -> Structure:
    s = sign * np.linspace(14.0, 38.0, 50)
    suw = np.stack([s, np.zeros(50), np.full(50, place.jaw.half_height - CANAL_DEPTH_MM)], axis=1)
    name = "canal left" if to_lps(place, suw)[0, 0] > 0 else "canal right"
    return Structure(Kind.CANAL, name, Tube(to_lps(place, suw), np.full(50, CANAL_RADIUS_MM)))


def places_of(jaw: WholeJaw) -> dict[int, Place]:
    """Every site measured."""
    voxel = float(max(jaw.scan.spacing_kji_mm))
    out = {}
    for tooth, frame in jaw.frames.items():
        axes = np.array([f.axis for t, f in jaw.frames.items() if t != tooth])
        bone = measure_bone(jaw.scan, frame)
        out[tooth] = Place(bone, jaw.canals, load_margins(), neighbour_axes=axes, scan_sd_mm=voxel / float(np.sqrt(12)))
    return out


def true_cover_mm(jaw: WholeJaw, proposal: Proposal, frame: SiteFrame) -> tuple[float, float]:
    """Least true bone left buccally and lingually from 1 mm below the bone entry on, across the body's axis."""
    pose, body = proposal.candidate.pose, proposal.fixture.body
    across = frame.buccal - (frame.buccal @ pose.axis) * pose.axis
    across /= np.linalg.norm(across)
    r = np.arange(0.0, 12.0, 0.01)
    z = np.arange(max(0.0, float(body.z_mm[0])), float(body.z_mm[-1]) + 1e-9, 0.25)
    radius = np.interp(z, body.z_mm, body.r_mm)
    middle = pose.platform_lps_mm + z[:, None] * pose.axis
    entry = middle[np.argmax(_in_bone(jaw, middle))]
    deep = (middle - entry) @ frame.axis >= 1.0
    out = []
    for sign in (1.0, -1.0):
        line = middle[deep][:, None, :] + sign * r[None, :, None] * across
        inside = _in_bone(jaw, line.reshape(-1, 3)).reshape(line.shape[:2])
        reach = np.where(inside.all(axis=1), r[-1], r[np.argmin(inside, axis=1)])
        out.append(float((reach - radius[deep]).min()))
    return out[0], out[1]


def _in_bone(jaw: WholeJaw, points: Array) -> Array:
    return np.asarray(jaw.place.jaw.outer(*jaw.place.to_jaw(points)) < 1)


def true_canal_mm(jaw: WholeJaw, proposal: Proposal) -> float:
    """Least distance of the body to the canals, by dense points on the body."""
    pose, body = proposal.candidate.pose, proposal.fixture.body
    z = np.linspace(body.z_mm[0], body.z_mm[-1], 80)
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    helper = np.cross(pose.axis, [1.0, 0.0, 0.0])
    a = helper / np.linalg.norm(helper)
    b = np.cross(pose.axis, a)
    r = np.interp(z, body.z_mm, body.r_mm)[:, None, None]
    ring = np.cos(turn)[None, :, None] * a + np.sin(turn)[None, :, None] * b
    points = (pose.platform_lps_mm + z[:, None, None] * pose.axis + r * ring).reshape(-1, 3)
    suw = np.stack(jaw.place.to_jaw(points), axis=1)
    beside = np.hypot(suw[:, 1], suw[:, 2] - (jaw.place.jaw.half_height - CANAL_DEPTH_MM))
    along = np.maximum(14.0 - np.abs(suw[:, 0]), 0.0)
    return float((np.hypot(beside, along) - CANAL_RADIUS_MM).min())


def check(jaw: WholeJaw, answer: Together, places: dict[int, Place]) -> list[tuple[int, str, float, float]]:
    """(tooth, what, true spare beyond the margin, stated doubt) of every proposal that was chosen."""
    margins = load_margins()
    out = []
    assert answer.jaw is not None
    for tooth, p in answer.jaw.chosen.items():
        sd = places[tooth].ridge.sd_mm or 0.0
        buccal, lingual = true_cover_mm(jaw, p, jaw.frames[tooth])
        out.append((tooth, "buccal", buccal - margins.of(BUCCAL_BONE).value_mm, 1.96 * sd))
        out.append((tooth, "lingual", lingual - margins.of(LINGUAL_BONE).value_mm, 1.96 * sd))
        doubt = 1.96 * float(np.hypot(0.3, places[tooth].scan_sd_mm))
        out.append((tooth, "canal", true_canal_mm(jaw, p) - margins.of(Kind.CANAL).value_mm, doubt))
    return out


def against_random(place: Place, fixtures: Sequence[Fixture], count: int, seed: int) -> tuple[float, float]:
    """Best ranking value of the search, and of `count` random places shared out over the fixtures."""
    best = search(place, fixtures, Weights())[0].value
    rng = np.random.default_rng(seed)
    each = -(-count // len(fixtures))
    found = max(
        float(values_of(place, f, at_random(place.reach, each, rng), Weights(), fine=True)[0].max()) for f in fixtures
    )
    return best, found


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.validation.structures_proposals", description=__doc__)
    parser.add_argument("--seeds", type=int, default=2, help="how many jaws (a few minutes each)")
    parser.add_argument("--first", type=int, default=0, help="number of the first jaw")
    parser.add_argument("--random", type=int, default=10_000, help="random places a site is held against")
    parser.add_argument("--sites", type=int, default=3, help="sites of each jaw held against random places")
    parser.add_argument("--out", type=Path, help="folder for proposals.md")
    args = parser.parse_args()
    fixtures = load_catalogue().fixtures
    heads = ("jaw", "sites", "proposed", "least true spare / doubt (mm)", "spacing (mm)", "cone (deg)")
    heads = (*heads, "seconds a site: measure / search", "value: search / random")
    lines = [f"| {' | '.join(heads)} |", "| --- " * len(heads) + "|"]
    for seed in range(args.first, args.first + args.seeds):
        jaw = whole_jaw(seed)
        start = time.perf_counter()
        places = places_of(jaw)
        measured = time.perf_counter() - start
        start = time.perf_counter()
        answer = propose_together(places, fixtures, load_margins())
        searched = time.perf_counter() - start
        assert answer.jaw is not None
        spare = min(check(jaw, answer, places), key=lambda row: row[2] + row[3])
        near = min(float(c.distance.value or 0.0) for c in answer.jaw.spacing)
        pairs = [against_random(places[t], fixtures, args.random, seed) for t in list(places)[: args.sites]]
        n = len(places)
        lines.append(
            f"| {seed} | {n} | {len(answer.jaw.chosen)} | {spare[2]:+.2f} / {spare[3]:.2f} ({spare[1]}, {spare[0]}) |"
            f" {near:.1f} | {answer.jaw.way_in.half_angle_deg:.1f} | {measured / n:.1f} / {searched / n:.1f} |"
            f" {', '.join(f'{a:.3f}/{b:.3f}' for a, b in pairs)} |"
        )
        print(lines[-1], *answer.short, sep="\n", flush=True)
    if args.out is not None:
        args.out.mkdir(parents=True, exist_ok=True)
        (args.out / "proposals.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
