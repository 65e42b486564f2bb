"""Chance that the hand, deviating as published, leaves too little bone beside a body, or leaves the bone."""

from collections.abc import Sequence

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

    Each draw moves the body by the hand, and the bone surface by its own uncertainty. A draw in which no surface is
    found beside the body counts as one that left the bone.

    Args:
        clearances: as `bone_cover` gives them for this body at this pose.
        starts_mm: depths from which on the least cover was taken, as given to `bone_cover`.
    """
    beside = [c for c in clearances if c.kind in (BUCCAL_BONE, LINGUAL_BONE) and c.distance.value is not None]
    if not beside:
        return ()
    poses = hand.poses(pose, samples)
    spread = (ridge.sd_mm or 0.0) * np.random.default_rng(SEED + 2).normal(0.0, 1.0, samples)
    asked = [_depths(ridge, solid, pose, found, hand, starts_mm) for found in beside]
    every = np.unique(np.concatenate(asked))
    there = _body_there(ridge, solid, poses, every)
    cover = {key: cover_mm(ridge, solid, poses, every, side)[0] for key, side in _SIDES.items()}
    risks = []
    for found, depths in zip(beside, asked, strict=True):
        columns = np.searchsorted(every, depths)
        least = _least(cover[found.kind][:, columns], there[:, columns]) + spread
        margin = found.margin.value_mm
        risks.append(Risk(found.structure, chance_of(least < 0.0), chance_of(least < margin), hand, margin))
    return tuple(risks)


_SIDES = {BUCCAL_BONE: 1, LINGUAL_BONE: -1}


def _least(cover: Array, there: Mask) -> Array:
    """(N,) least cover of each draw over depths (N, L).

    Where the body moved away from these depths nothing is broken; where it is there without a surface, it left bone.
    """
    seen = np.where(np.isnan(cover), np.inf, cover).min(axis=1)
    least: Array = np.where(np.isfinite(seen), seen, np.where(there.any(axis=1), -np.inf, np.inf))
    return least


def _body_there(ridge: Ridge, solid: Solid, poses: Poses, depths: Array) -> Mask:
    """(N, L) whether the body of each draw reaches each depth."""
    origin = ridge.frame.from_lps(poses.platform_lps_mm)[:, :1]
    z = (depths[None, :] - origin) / (poses.axis @ ridge.frame.axis)[:, None]
    there: Mask = (z >= solid.z_mm[0]) & (z <= solid.z_mm[-1])
    return there


def _depths(ridge: Ridge, solid: Solid, pose: Pose, found: Clearance, hand: Hand, starts_mm: Sequence[float]) -> Array:
    """The depths that the clearance is about: one level, or all that the body may reach from its start down."""
    if found.distance.depth_mm is not None:
        return np.array([found.distance.depth_mm])
    start = next(s for s in starts_mm if found.structure.endswith(f"from {s:g} mm below the crest"))
    top = float(ridge.frame.from_lps(pose.platform_lps_mm)[0])
    corners = top + float(pose.axis @ ridge.frame.axis) * solid.z_mm
    even = np.arange(start, corners[-1] + DEEPER_SDS * hand.entry_sd_mm, STEP_MM)
    return np.unique(np.concatenate([even, corners[corners >= start]]))
