"""What the shapes say: lengths along lines, mean HU, distances from a fixture to what surrounds it.

Nothing here looks at the voxels, and nothing here uses the measuring code of the package: each number comes from the
material function of the scene, by walking a line and halving the step where the material changes.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from sample_volumes.anatomy import BONE, SHELL, Material, Scene
from sample_volumes.patients import Patient
from sample_volumes.shapes import Array, Tooth

LEVELS_MM = (1.0, 3.0, 5.0, 7.0, 10.0)
CYLINDER_RADIUS_MM, CYLINDER_LENGTH_MM = 1.75, 10.0
_STEP_MM = 0.02
_HALVINGS = 30


@dataclass(frozen=True, eq=False)
class Place:
    """A site: a point on the bone surface and right-angled directions, LPS."""

    crest: Array
    axis: Array
    buccal: Array
    distal: Array


@dataclass(frozen=True)
class Stretch:
    """A piece of a line in one material."""

    material: Material
    start: float
    end: float


def stretches(scene: Scene, start: Array, direction: Array, length: float) -> list[Stretch]:
    """The materials met along a line, with their borders to far below a micrometre."""
    at = np.arange(0, length + _STEP_MM, _STEP_MM)
    codes = scene.material(start + at[:, None] * direction)
    changes = np.flatnonzero(np.diff(codes))
    low, high, before = at[changes], at[changes + 1], codes[changes]
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        same = scene.material(start + middle[:, None] * direction) == before
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    borders = [0.0, *((low + high) / 2), float(at[-1])]
    kinds = [*before, codes[-1]]
    return [Stretch(Material(k), float(a), float(b)) for k, (a, b) in zip(kinds, pairwise(borders), strict=True)]


def outline_distance(scene: Scene, start: Array, direction: Array, reach: float = 20.0) -> float | None:
    """How far the outer surface of the bone lies along a line that starts inside it."""
    at = np.arange(0, reach, _STEP_MM)
    inside = scene.in_bone_outline(start + at[:, None] * direction)
    if not inside[0] or inside.all():
        return None
    low, high = at[np.argmin(inside) - 1], at[np.argmin(inside)]
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if scene.in_bone_outline((start + middle * direction)[None])[0]:
            low = middle
        else:
            high = middle
    return float(low)


def site_truth(patient: Patient, place: Place) -> dict[str, Any]:
    """The measures of a site, under the names that `findings.json` uses."""
    scene = patient.scene
    along = stretches(scene, place.crest, place.axis, 30.0)
    inner = [piece for piece in along[1:] if piece.material in SHELL]
    crestal = along[0].end if along[0].material == Material.CORTEX else None
    levels = [_level(scene, place, depth) for depth in LEVELS_MM]
    by_level = {
        name: [{"depth_mm": depth, "value": level[name]} for depth, level in zip(LEVELS_MM, levels, strict=True)]
        for name in ("ridge_width", "buccal_reach", "lingual_reach", "buccal_plate", "lingual_plate")
    }
    return {
        "crest_mm": rounded(place.crest),
        "axis": rounded(place.axis, 6),
        "buccal": rounded(place.buccal, 6),
        "distal": rounded(place.distal, 6),
        "crestal_cortex": {"value": rounded(crestal), "unit": "mm"},
        "second_cortex_depth": {"value": rounded(inner[0].start) if inner else None, "unit": "mm"},
        "materials_along_axis": [
            {"material": p.material.name.lower(), "from_mm": rounded(p.start), "to_mm": rounded(p.end)} for p in along
        ],
        **by_level,
        "mean_hu": {"value": rounded(_mean_hu(patient, place), 1), "unit": "HU"},
        "soft_tissue_mm": rounded(stretches(scene, place.crest - 1e-6 * place.axis, -place.axis, 8.0)[0].end),
    }


def _level(scene: Scene, place: Place, depth: float) -> dict[str, float | None]:
    """Ridge width at a depth, its two parts and the two plates; all None where the axis is in a cavity or outside."""
    here = place.crest + depth * place.axis
    if scene.material(here[None])[0] not in BONE:
        return dict.fromkeys(("ridge_width", "buccal_reach", "lingual_reach", "buccal_plate", "lingual_plate"))
    buccal, lingual = (outline_distance(scene, here, sign * place.buccal) for sign in (1, -1))
    return {
        "ridge_width": None if buccal is None or lingual is None else rounded(buccal + lingual),
        "buccal_reach": rounded(buccal),
        "lingual_reach": rounded(lingual),
        "buccal_plate": _plate(scene, here, place.buccal, buccal),
        "lingual_plate": _plate(scene, here, -place.buccal, lingual),
    }


def _plate(scene: Scene, here: Array, direction: Array, reach: float | None) -> float | None:
    """Cortex from the outer surface inwards; None where it fills the whole way to the axis."""
    if reach is None:
        return None
    first = stretches(scene, here + (reach - 1e-6) * direction, -direction, reach)[0]
    return None if first.end >= reach or first.material not in SHELL else rounded(first.end)


def _mean_hu(patient: Patient, place: Place) -> float:
    """Mean HU of the standard cylinder, from 0.05 mm samples; the trabecular pattern has mean 0."""
    r = np.arange(-CYLINDER_RADIUS_MM, CYLINDER_RADIUS_MM, 0.05) + 0.025
    z = np.arange(0, CYLINDER_LENGTH_MM, 0.05) + 0.025
    b, m = np.meshgrid(r, r)
    disc = np.stack([b, m], axis=-1)[np.hypot(b, m) < CYLINDER_RADIUS_MM]
    table = np.array([patient.hu[material] for material in Material])
    total = 0.0
    for depth in z:
        points = place.crest + depth * place.axis + disc @ np.stack([place.buccal, place.distal])
        total += float(table[patient.scene.material(points)].mean())
    return total / len(z)


def body_points(place: Place, platform_mm: float, z_mm: Array, r_mm: Array) -> Array:
    """Dense points (N, 3) on the side and the end of a body turned around the site's axis."""
    z = np.unique(np.concatenate([z_mm, np.arange(z_mm[0], z_mm[-1], 0.05)]))
    r = np.interp(z, z_mm, r_mm)
    end = np.linspace(0, r_mm[-1], 20)
    z, r = np.concatenate([z, np.full(len(end), z_mm[-1])]), np.concatenate([r, end])
    turn = np.radians(np.arange(0, 360, 2.0))
    around = np.cos(turn)[:, None] * place.buccal + np.sin(turn)[:, None] * place.distal
    axial = place.crest + (platform_mm + z)[:, None] * place.axis
    return np.asarray((axial[:, None] + r[:, None, None] * around).reshape(-1, 3))


def to_canal(scene: Scene, points: Array) -> tuple[float, float]:
    """Least distance to the lumen and to its wall."""
    if scene.canal is None:
        raise ValueError("this scene has no canal")
    away = float(scene.canal.distance(scene.to_scene(points)).min())
    return away - scene.canal.lumen, away - scene.canal.lumen - scene.canal.wall


def to_sinus(scene: Scene, points: Array) -> float:
    """Least distance to the air of the sinus; negative: this deep inside."""
    if scene.sinus is None:
        raise ValueError("this scene has no sinus")
    own = scene.to_scene(points)
    away = scene.sinus.distance(own)
    return float(away.min())


def to_turned(points: Array, top: Array, axis: Array, z_mm: Array, r_mm: Array) -> float:
    """Least distance from points (N, 3) outside it to a body of revolution with flat ends.

    The body's outline is (z, r) along the unit vector `axis` from `top`; in the half plane of each point the nearest
    place lies on one of the outline's stretches.
    """
    z = (points - top) @ axis
    r = np.linalg.norm(points - top - z[:, None] * axis, axis=1)
    own = np.column_stack([z, r])
    corners = np.array([(z_mm[0], 0.0), *zip(z_mm, r_mm, strict=True), (z_mm[-1], 0.0)])
    best = np.inf
    for a, b in pairwise(corners):
        if (a == b).all():
            continue
        t = np.clip(((own - a) @ (b - a)) / ((b - a) @ (b - a)), 0, 1)
        best = min(best, float(np.linalg.norm(own - a - t[:, None] * (b - a), axis=1).min()))
    return best


def to_root(tooth: Tooth, own_points: Array) -> float:
    """Least distance from points outside it (scene coordinates) to the root without its ligament."""
    length = float(np.linalg.norm(tooth.tip - tooth.neck))
    outline = np.array([0.0, length]), np.array([tooth.neck_radius, tooth.tip_radius])
    return to_turned(own_points, tooth.neck, (tooth.tip - tooth.neck) / length, *outline)


def rounded(value: Any, digits: int = 4) -> Any:
    """A number, a list of them or None, to a tenth of a micrometre."""
    if value is None:
        return None
    return [round(float(v), digits) for v in value] if np.ndim(value) else round(float(value), digits)
