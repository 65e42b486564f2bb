"""Chance that the hand, deviating as published, leaves too little bone beside a body, or leaves the bone."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from siteplan.fixture.solid import Pose, Solid
from siteplan.placement.clearances import Clearance
from siteplan.placement.cover import STARTS_MM, cover_mm
from siteplan.placement.hand import SEED, Hand, Risk, chance_of
from siteplan.placement.margins import BUCCAL_BONE, LINGUAL_BONE
from siteplan.placement.profile import Array, Mask, Poses
from siteplan.placement.ridge import Ridge

STEP_MM = 0.25
"""Distance of the depths that are looked at in each draw: bone surfaces bend little over it (our own choice)."""

END_TOGETHER_MM = 1.0
"""Sheets whose ends differ by no more than this end together, at the far side of the bone (our own choice)."""

DEEPER_SDS = 4.0
"""How far below its planned end a body is looked for, in standard deviations of the hand: practically all draws."""


def cover_risks(
    ridge: Ridge,
    solid: Solid,
    pose: Pose,
    clearances: Sequence[Clearance],
    hand: Hand,
    *,
    samples: int = 1000,
    starts_mm: Sequence[float] = STARTS_MM,
) -> tuple[Risk, ...]:
    """Chance for each clearance of the bone beside a body, in their order; those that were not measured are left out.

    Each draw moves the body by the hand, and the bone surface by its own uncertainty. A draw in which at any depth no
    surface is found beside the body counts as one that left the bone; below the far end of the bone, the surface is
    taken to go straight on.

    Args:
        clearances: as `bone_cover` gives them for this body at this pose.
        starts_mm: depths from which on the least cover was taken, as given to `bone_cover`.
    """
    drawn = drawn_cover(ridge, solid, pose, clearances, hand, samples=samples, starts_mm=starts_mm)
    return tuple(
        Risk(c.structure, chance_of(least < 0.0), chance_of(least < c.margin.value_mm), hand, c.margin.value_mm)
        for c, least in drawn
    )


def drawn_cover(
    ridge: Ridge,
    solid: Solid,
    pose: Pose,
    clearances: Sequence[Clearance],
    hand: Hand,
    *,
    samples: int = 1000,
    starts_mm: Sequence[float] = STARTS_MM,
    step_mm: float = STEP_MM,
    entry_mm: float = 0.0,
) -> list[tuple[Clearance, Array]]:
    """The clearances that `cover_risks` is about, each with the least cover (samples,) as it might turn out.

    Args:
        step_mm: distance of the depths that are looked at in each draw.
        entry_mm: where bone begins beneath the body, as given to `bone_cover`.
    """
    beside = [c for c in clearances if c.kind in (BUCCAL_BONE, LINGUAL_BONE) and c.distance.value is not None]
    if not beside:
        return []
    poses = hand.poses(pose, samples)
    spread = (ridge.sd_mm or 0.0) * np.random.default_rng(SEED + 2).normal(0.0, 1.0, samples)
    asked = [_depths(ridge, solid, pose, found, hand, starts_mm, step_mm, entry_mm) for found in beside]
    every = np.unique(np.concatenate(asked))
    ridge = _carried_down(ridge)
    there = _body_there(ridge, solid, poses, every)
    cover = {key: cover_mm(ridge, solid, poses, every, side)[0] for key, side in _SIDES.items()}
    out = []
    for found, depths in zip(beside, asked, strict=True):
        columns = np.searchsorted(every, depths)
        out.append((found, _least(cover[found.kind][:, columns], there[:, columns]) + spread))
    return out


_SIDES = {BUCCAL_BONE: 1, LINGUAL_BONE: -1}


def _least(cover: Array, there: Mask) -> Array:
    """(N,) least cover of each draw over depths (N, L).

    A depth from which the body moved away breaks nothing; one where it is without a surface beside it has left bone,
    whatever is found at other depths. So a range is never safer than a depth within it.
    """
    at_depth = np.where(there, np.where(np.isnan(cover), -np.inf, cover), np.inf)
    least: Array = at_depth.min(axis=1)
    return least


def _carried_down(ridge: Ridge) -> Ridge:
    """The ridge with both sheets carried on straight below the depth at which they end together.

    Where bone ends at its far side there is no more edge to cheek or tongue; a tilted plane just above that end must
    not take this for a lost plate. How near a body comes to the far side is told by the structure that lies there.
    """
    sheets = np.stack([ridge.buccal_mm, ridge.lingual_mm])
    known = np.isfinite(sheets)
    rows = len(ridge.depth_mm)
    last = np.where(known.any(axis=1), rows - 1 - known[:, ::-1].argmax(axis=1), -1)
    end = last.max(axis=0)
    for side, column in np.argwhere((last >= 0) & ((end - last) * ridge.step_mm <= END_TOGETHER_MM)):
        sheets[side, last[side, column] + 1 :, column] = sheets[side, last[side, column], column]
    return replace(ridge, buccal_mm=sheets[0], lingual_mm=sheets[1])


def _body_there(ridge: Ridge, solid: Solid, poses: Poses, depths: Array) -> Mask:
    """(N, L) whether the body of each draw reaches each depth."""
    origin = ridge.frame.from_lps(poses.platform_lps_mm)[:, :1]
    z = (depths[None, :] - origin) / (poses.axis @ ridge.frame.axis)[:, None]
    there: Mask = (z >= solid.z_mm[0]) & (z <= solid.z_mm[-1])
    return there


def _depths(
    ridge: Ridge,
    solid: Solid,
    pose: Pose,
    found: Clearance,
    hand: Hand,
    starts_mm: Sequence[float],
    step_mm: float,
    entry_mm: float,
) -> Array:
    """The depths that the clearance is about: one level, or all that the body may reach from its start down."""
    if found.distance.depth_mm is not None:
        return np.array([found.distance.depth_mm + entry_mm])
    start = entry_mm + next(s for s in starts_mm if found.structure.endswith(f"from {s:g} mm below the crest"))
    top = float(ridge.frame.from_lps(pose.platform_lps_mm)[0])
    corners = top + float(pose.axis @ ridge.frame.axis) * solid.z_mm
    even = np.arange(start, corners[-1] + DEEPER_SDS * hand.entry_sd_mm, step_mm)
    return np.unique(np.concatenate([even, corners[corners >= start]]))
