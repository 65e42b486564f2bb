"""Bone left outside a body towards cheek and tongue, level by level across the body's axis."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from siteplan.bone import BoneFindings
from siteplan.fixture.solid import Pose, Solid
from siteplan.flags import Flag
from siteplan.measures import Measure
from siteplan.placement.clearances import TWO_SIDED_95, Clearance
from siteplan.placement.margins import BUCCAL_BONE, LINGUAL_BONE, Margin, Margins
from siteplan.placement.profile import Array, Mask, Poses
from siteplan.placement.ridge import Ridge, ridge_of
from siteplan.placement.verdict import Verdict, verdict

STARTS_MM = (1.0, 2.0, 3.0)
"""Depths below the bone entry from which on the least cover is taken: bone always ends at the crest itself."""

_ROUNDS = 6
"""Turns of the fixed-point search for the surface in a tilted plane; each shrinks the error at least threefold."""

_SETTLED_MM = 1e-4
"""A surface that moved less in one turn is found: the turns left move it less again (our own choice)."""


def bone_cover(
    bone: BoneFindings,
    solid: Solid,
    pose: Pose,
    margins: Margins,
    *,
    starts_mm: Sequence[float] = STARTS_MM,
    levels_mm: Sequence[float] | None = None,
    inner: str = "lingual",
    entry_mm: float = 0.0,
) -> list[Clearance]:
    """Least distance across the body's axis from its side to the outer bone surface, buccally and on the inner side.

    Args:
        starts_mm: depths below the bone entry; one clearance per side and start, over the body from there on down.
        levels_mm: depths for one clearance per side each; by default the standard levels that lie on the body.
        inner: what the inner side is called, "palatal" in an upper jaw.
        entry_mm: where bone begins beneath this body, below the site's bone entry; starts and levels count from there.

    Returns:
        First the ranges, then the levels. Where the surface was not found for part of a range, the flags say so.
    """
    ridge = ridge_of(bone)
    poses = Poses.of(pose)
    top, bottom = (float(ridge.frame.from_lps(pose.point(z))[0]) for z in (solid.z_mm[0], solid.z_mm[-1]))
    levels = bone.levels_mm if levels_mm is None else levels_mm
    wanted: list[tuple[Array, str, float | None]] = []
    for start in starts_mm:
        if start + entry_mm < bottom:
            depths = body_depths(solid, poses, ridge, max(start + entry_mm, top))
            wanted.append((depths, f"from {start:g} mm below the crest", None))
    reached = [level for level in levels if top <= level + entry_mm <= bottom]
    wanted += [(np.array([level + entry_mm]), f"{level:g} mm below the crest", level) for level in reached]
    found = []
    for depths, where, level_mm in wanted:
        for side, key, name in ((1, BUCCAL_BONE, "buccal"), (-1, LINGUAL_BONE, inner)):
            cover, at = cover_mm(ridge, solid, poses, depths, side)
            about = f"{name} bone, {where}"
            found.append(_clearance(ridge, cover[0], at[0], margins.of(key), about, level_mm))
    return found


def body_depths(solid: Solid, poses: Poses, ridge: Ridge, start_mm: float) -> Array:
    """Depths below the bone entry at which a body is looked at: every layer, and each corner of its outline.

    From a deeper start they are some of the same, so that the least cover from there is never the lesser one.
    """
    origin = ridge.frame.from_lps(poses.platform_lps_mm[0])[0]
    slope = float(poses.axis[0] @ ridge.frame.axis)
    corners = origin + slope * solid.z_mm
    every = np.concatenate([layers_mm(float(corners[-1]), ridge.step_mm), corners])
    return np.unique(np.append(every[every >= start_mm], start_mm))


def layers_mm(deepest_mm: float, step_mm: float) -> Array:
    """Depths (L,) down to the deepest at which bone beside a body is looked at, the same for search and answer."""
    even = np.arange(STARTS_MM[0], deepest_mm, step_mm)
    return np.unique(np.append(even, [start for start in STARTS_MM if start <= deepest_mm]))


def of_each_side_one(found: Sequence[Clearance]) -> tuple[Clearance, ...]:
    """Clearances in order, of the bone on one side only the gravest: the same bone at other depths says nothing new."""
    gravest: dict[str, Clearance] = {}
    for c in found:
        if c.kind in (BUCCAL_BONE, LINGUAL_BONE) and _graver(c, gravest.get(c.kind)):
            gravest[c.kind] = c
    return tuple(c for c in found if c is gravest.get(c.kind, c))


def _graver(one: Clearance, other: Clearance | None) -> bool:
    return other is None or _gravity(one) > _gravity(other)


def _gravity(found: Clearance) -> tuple[int, float]:
    """By the verdict, then by what is missing; what was not measured before what was, of the same verdict."""
    order = (Verdict.KEEPS, Verdict.CANNOT_BE_TOLD, Verdict.BREAKS, Verdict.TOUCHES)
    value = found.distance.value
    return order.index(found.verdict), float("inf") if value is None else -value


def cover_mm(ridge: Ridge, solid: Solid, poses: Poses, depths_mm: Array, side: int) -> tuple[Array, Array]:
    """Cover (N, L) at depths of the body's axis below the bone entry, and where (N, L, 3) in the site's frame.

    Args:
        depths_mm: (L,), or (N, L) for each pose its own.
        side: +1 buccal, -1 lingual.

    Returns:
        NaN where there is no surface or the body does not reach; below zero where the body reaches out of the bone.
    """
    frame = ridge.frame
    origin = frame.from_lps(poses.platform_lps_mm)
    axis = poses.axis @ np.stack([frame.axis, frame.buccal, frame.distal], axis=1)
    z = (np.atleast_2d(depths_mm) - origin[:, :1]) / axis[:, :1]
    centre = origin[:, None, :] + z[..., None] * axis[:, None, :]
    surface = _in_plane(ridge, centre, axis, side)
    offset = surface - centre[:, :, None, :]
    distance, place, sign = _nearest_on_line(offset, axis, side)
    inside = (z >= solid.z_mm[0] - _ROUNDING_MM) & (z <= solid.z_mm[-1] + _ROUNDING_MM)
    cover = np.where(inside, sign * distance - _radius(solid, z), np.nan)
    return cover, centre + place


_ROUNDING_MM = 1e-9


def _radius(solid: Solid, z: Array) -> Array:
    """Radius of the outline at heights z; at a shoulder the wider one."""
    return np.maximum(
        np.interp(z - _ROUNDING_MM, solid.z_mm, solid.r_mm), np.interp(z + _ROUNDING_MM, solid.z_mm, solid.r_mm)
    )


def _in_plane(ridge: Ridge, centre: Array, axis: Array, side: int) -> Array:
    """Surface points (N, L, M, 3) where each section's edge meets the plane across the axis through each centre."""
    sheet = ridge.buccal_mm if side > 0 else ridge.lingual_mm
    m = np.broadcast_to(ridge.distal_mm, (*centre.shape[:2], len(ridge.distal_mm)))
    column = np.broadcast_to(np.arange(len(ridge.distal_mm)), m.shape)
    a = axis[:, None, None, :]
    along = (m - centre[..., None, 2]) * a[..., 2]
    depth = centre[..., None, 0] - along / a[..., 0]
    edge = _edge_at(ridge, sheet, depth, column)
    for _ in range(_ROUNDS if (np.abs(axis[:, 0]) < 1 - 1e-12).any() else 0):
        depth = centre[..., None, 0] - (along + (edge - centre[..., None, 1]) * a[..., 1]) / a[..., 0]
        before, edge = edge, _edge_at(ridge, sheet, depth, column)
        moved = np.abs(edge - before)
        if (np.isnan(edge) == np.isnan(before)).all() and not (moved > _SETTLED_MM).any():
            break
    return np.stack([depth, edge, m], axis=-1)


def _edge_at(ridge: Ridge, sheet: Array, depth: Array, column: NDArray[np.intp]) -> Array:
    """Sheet position at depths, linear between layers, NaN outside."""
    place = (depth - ridge.depth_mm[0]) / ridge.step_mm
    known = np.isfinite(place) & (place >= 0) & (place <= len(ridge.depth_mm) - 1)
    row = np.clip(np.where(known, place, 0).astype(int), 0, len(ridge.depth_mm) - 2)
    share = place - row
    edge = (1 - share) * sheet[row, column] + share * sheet[row + 1, column]
    return np.where(known, edge, np.nan)


def _nearest_on_line(offset: Array, axis: Array, side: int) -> tuple[Array, Array, Array]:
    """Distance (N, L) from the axis to the line through points (N, L, M, 3), its nearest point, and the side of it.

    +1 where the nearest point lies on the asked side of the axis, -1 where the axis itself is outside the bone.
    """
    buccal = np.array([0.0, 1.0, 0.0]) - axis[:, 1:2] * axis
    start, step = offset[:, :, :-1], np.diff(offset, axis=2)
    square = np.maximum((step * step).sum(axis=-1), 1e-18)
    t = np.clip(-(start * step).sum(axis=-1) / square, 0.0, 1.0)
    near = start + t[..., None] * step
    # Ends count too, so that a gap in one section does not hide its neighbours.
    near = np.concatenate([near, offset], axis=2)
    distance = np.linalg.norm(near, axis=-1)
    best = np.where(np.isfinite(distance), distance, np.inf).argmin(axis=2)
    pick = np.take_along_axis(near, best[:, :, None, None], axis=2)[:, :, 0]
    sign = np.where(np.einsum("nlk,nk->nl", pick, buccal) * side >= 0, 1.0, -1.0)
    return np.take_along_axis(distance, best[:, :, None], axis=2)[:, :, 0], pick, sign


def _clearance(ridge: Ridge, cover: Array, at: Array, margin: Margin, name: str, depth_mm: float | None) -> Clearance:
    method = "least distance across the axis from body to outer bone surface"
    known: Mask = np.isfinite(cover)
    if not known.any():
        none = Measure.absent("mm", Flag.BEYOND_BONE, depth_mm=depth_mm, method=method)
        return Clearance(name, margin.key, none, None, margin, Verdict.CANNOT_BE_TOLD)
    row = int(np.nanargmin(cover))
    value = float(cover[row])
    spread = None if ridge.sd_mm is None else TWO_SIDED_95 * ridge.sd_mm
    low, high = (None, None) if spread is None else (value - spread, value + spread)
    flags = () if known.all() else (Flag.BEYOND_BONE,)
    measure = Measure(value, "mm", low, high, method, flags, depth_mm)
    said = verdict(value, value if low is None else low, value if high is None else high, margin.value_mm)
    return Clearance(name, margin.key, measure, ridge.frame.to_lps(*at[row]), margin, said)
