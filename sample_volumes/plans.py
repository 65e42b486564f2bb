"""Sites, fixtures and structures of the sample cases, found from the shapes and the catalogue, never set by hand."""

from typing import Any

import numpy as np

from sample_volumes.anatomy import Material
from sample_volumes.patients import Patient, SiteWish
from sample_volumes.shapes import Array
from sample_volumes.truths import (
    Place,
    body_points,
    outline_distance,
    rounded,
    site_truth,
    stretches,
    to_canal,
    to_root,
    to_sinus,
    to_turned,
)
from siteplan.fixture import Fixture, load_catalogue

KEEP_MM = 2.5
"""A fixture that keeps the margin ends at least this far from canal or sinus: the usual 2 mm and a little more."""
BREAK_MM = (0.3, 1.7)
"""A fixture that breaks the margin, yet touches nothing."""
ENGAGE_MM = 0.25
"""A fixture that engages the floor plate ends this far short of the air."""
CANAL, FORAMEN, SINUS = "mandibular canal", "mental foramen", "sinus floor"
_DRAWN_SD_MM = 0.3
_MIDDLE_LINE = ((2.0, 0.0), (9.0, 0.25))
"""Depth below the crest line and shift along the arch of the two points that give an axis its direction."""
_ROUNDS = 25
"""Each round moves the axis sideways towards the middle; it settles to a micrometre."""


class NoFixtureFits(ValueError):
    """The catalogue holds nothing that the sample's wish can be met with."""


def place_of(patient: Patient, s: float) -> Place:
    """Axis along the middle line of the ridge, moved sideways until as much bone lies buccally as lingually at 1 mm."""
    scene, arch = patient.scene, patient.scene.arch
    out = scene.direction_to_lps(arch.to_scene(s, 1, 0) - arch.to_scene(s, 0, 0))
    back = arch.to_scene(s + 1e-4, 0, 0) - arch.to_scene(s, 0, 0)
    back = scene.direction_to_lps(back / np.linalg.norm(back))
    crest = float(scene.ridge.crest_depth(np.array(s)))
    ends = [(s + lean, float(scene.ridge.centre_u(np.array(crest + z))), crest + z) for z, lean in _MIDDLE_LINE]
    shallow, deep = (scene.to_lps(arch.to_scene(*end)) for end in ends)
    place = _at(patient, shallow, deep, out, back)
    for _ in range(_ROUNDS):
        here = place.crest + 1.0 * place.axis
        buccal, lingual = (outline_distance(scene, here, sign * place.buccal) for sign in (1, -1))
        if buccal is None or lingual is None:
            raise ValueError(f"no ridge at s = {s}")
        shift = (buccal - lingual) / 4 * place.buccal  # half of the way, so that it settles
        place = _at(patient, here + shift, here + shift + 8 * place.axis, out, back)
    return place


def _at(patient: Patient, shallow: Array, deep: Array, out: Array, back: Array) -> Place:
    """The place whose axis runs through two points; its crest point lies where the axis meets the outer surface."""
    axis = (deep - shallow) / np.linalg.norm(deep - shallow)
    buccal = out - (out @ axis) * axis
    buccal /= np.linalg.norm(buccal)
    distal = back - (back @ axis) * axis - (back @ buccal) * buccal
    up = outline_distance(patient.scene, deep, -axis, 20.0)
    if up is None:
        raise ValueError("no bone surface above the site")
    return Place(deep - up * axis, axis, buccal, distal / np.linalg.norm(distal))


def build(patient: Patient, voxel_mm: float) -> tuple[dict[str, Any], dict[str, Any]]:
    """The case file and the truths of a patient."""
    places = [place_of(patient, wish.s) for wish in patient.sites]
    chosen = [_choose(patient, wish, place) for wish, place in zip(patient.sites, places, strict=True)]
    bodies = [_points(place, platform, fixture) for place, (fixture, platform) in zip(places, chosen, strict=True)]
    sites, truths = [], []
    for n, (wish, place, (fixture, platform)) in enumerate(zip(patient.sites, places, chosen, strict=True)):
        truth = site_truth(patient, place)
        sites.append(_site(patient, wish, place, fixture, platform, truth["soft_tissue_mm"]))
        others = {
            f"fixture {patient.sites[m].tooth}": _between(bodies[n], places[m], *chosen[m])
            for m in range(len(bodies))
            if m != n
        }
        truth |= {
            "tooth": wish.tooth,
            "fixture": fixture.name,
            "platform_depth_mm": platform,
            "clearances": _clearances(patient, bodies[n], others),
            "bone_outside_fixture": _cover(patient, place, platform, fixture),
        }
        truths.append(truth)
    return _case(patient, sites), _truth(patient, truths, voxel_mm)


def _choose(patient: Patient, wish: SiteWish, place: Place) -> tuple[Fixture, float]:
    """The fixture whose length does what the wish says, and its platform depth."""
    fits = [f for f in load_catalogue().fixtures if f.design == wish.design and f.outer_diameter_mm == wish.diameter]
    fits.sort(key=lambda fixture: fixture.length_mm)
    if wish.aim == "engages":
        air = next(
            p.start for p in stretches(patient.scene, place.crest, place.axis, 30.0) if p.material == Material.CAVITY
        )
        depths = [(f, round(air - ENGAGE_MM - f.length_mm, 2)) for f in fits]
        good = [(f, depth) for f, depth in depths if 0 <= depth <= 1.0]
    else:
        gaps = [(f, _gap(patient, _points(place, 0.0, f))) for f in fits]
        keeps = [(f, 0.0) for f, gap in gaps if gap >= KEEP_MM][-1:]
        breaks = [(f, 0.0) for f, gap in gaps if BREAK_MM[0] <= gap <= BREAK_MM[1]][:1]
        good = keeps if wish.aim == "keeps" else breaks
    if not good:
        raise NoFixtureFits(f"tooth {wish.tooth}: no {wish.design} of {wish.diameter} mm {wish.aim}.")
    return good[0]


def _gap(patient: Patient, points: Array) -> float:
    """Distance to what ends the bone below."""
    return to_canal(patient.scene, points)[0] if patient.scene.canal is not None else to_sinus(patient.scene, points)


def _points(place: Place, platform: float, fixture: Fixture) -> Array:
    return body_points(place, platform, fixture.body.z_mm, fixture.body.r_mm)


def _between(body: Array, place: Place, fixture: Fixture, platform: float) -> float:
    """Least distance from the points of one body to another fixture's."""
    top = place.crest + platform * place.axis
    return to_turned(body, top, place.axis, fixture.body.z_mm, fixture.body.r_mm)


def _clearances(patient: Patient, body: Array, others: dict[str, float]) -> list[dict[str, Any]]:
    """Least distances under the names that the case gives to the structures."""
    scene = patient.scene
    out = [(f"root of {patient.tooth_name}", to_root(scene.tooth, scene.to_scene(body)))]
    if scene.canal is not None:
        lumen, wall = to_canal(scene, body)
        out += [(CANAL, lumen), (f"{CANAL}, wall", wall)]
        foramen = np.linalg.norm(body - _foramen(patient), axis=1).min() - scene.canal.lumen
        out.append((FORAMEN, float(foramen)))
    if scene.sinus is not None:
        out.append((SINUS, to_sinus(scene, body)))
    out += others.items()
    return [{"structure": name, "value": rounded(value, 3)} for name, value in out]


def _cover(patient: Patient, place: Place, platform: float, fixture: Fixture) -> list[dict[str, Any]]:
    """Bone outside the body along +-buccal, every millimetre below the platform."""
    out = []
    for z in np.arange(1.0, fixture.length_mm, 1.0):
        here = place.crest + (platform + z) * place.axis
        radius = float(np.interp(z, fixture.body.z_mm, fixture.body.r_mm))
        sides = [outline_distance(patient.scene, here, sign * place.buccal) for sign in (1, -1)]
        left = [None if side is None else rounded(side - radius) for side in sides]
        out.append({"depth_mm": rounded(platform + z), "buccal": left[0], "lingual": left[1]})
    return out


def _site(
    patient: Patient, wish: SiteWish, place: Place, fixture: Fixture, platform: float, gum: float
) -> dict[str, Any]:
    site = {
        "tooth": wish.tooth,
        "side": patient.side,
        "crest_mm": rounded(place.crest),
        "axis": rounded(place.axis, 6),
        "buccal": rounded(place.buccal, 6),
        "fixture": fixture.name,
        "platform_depth_mm": platform,
        "approach": wish.approach,
        "soft_tissue_mm": round(gum, 1),
        "notes": wish.notes,
    }
    return site | ({"planned_contacts": [SINUS]} if wish.aim == "engages" else {})


def _foramen(patient: Patient) -> Array:
    """Where the canal's middle leaves the bone."""
    if patient.scene.canal is None:
        raise ValueError("this scene has no canal")
    line = patient.scene.to_lps(patient.scene.canal.line)
    return np.asarray(line[np.argmax(patient.scene.in_bone_outline(line))])


def structures(patient: Patient) -> list[dict[str, Any]]:
    """What a person would have drawn, here on the very shapes."""
    scene = patient.scene
    common = {"side": patient.side, "made_by": "drawn", "uncertainty_mm": _DRAWN_SD_MM}
    neck, tip = scene.to_lps(scene.tooth.neck), scene.to_lps(scene.tooth.tip)
    cone = {
        "base_mm": rounded(neck),
        "tip_mm": rounded(tip),
        "base_radius_mm": scene.tooth.neck_radius,
        "tip_radius_mm": scene.tooth.tip_radius,
    }
    out: list[dict[str, Any]] = [{"kind": "root", "name": f"root of {patient.tooth_name}", **common, "cone": cone}]
    if scene.canal is not None:
        line = scene.to_lps(scene.canal.line)
        line = line[scene.in_bone_outline(line)][::50]
        tube = {"points_mm": [rounded(p, 3) for p in line], "radius_mm": scene.canal.lumen}
        ball = {"points_mm": [rounded(_foramen(patient), 3)], "radius_mm": scene.canal.lumen}
        out += [
            {"kind": "canal", "name": CANAL, **common, **tube},
            {"kind": "mental-foramen", "name": FORAMEN, **common, **ball},
        ]
    if scene.sinus is not None:
        out.append({"kind": "sinus-floor", "name": SINUS, **common, "surface": _floor(patient)})
    return out


def _floor(patient: Patient) -> dict[str, Any]:
    """The bony floor at its air side, as a net of points 0.7 mm apart; triangles are left to the reader."""
    sinus = patient.scene.sinus
    if sinus is None:
        raise ValueError("this scene has no sinus")
    a, b, c = sinus.axes
    u, s = np.meshgrid(np.arange(-4.9, 5.0, 0.7), np.arange(-13.3, 9.2, 0.7), indexing="ij")
    under = 1 - (u / a) ** 2 - (s / b) ** 2
    keep = under > 0.12
    local = np.stack([u[keep], s[keep], -c * np.sqrt(under[keep])], axis=1)
    points = patient.scene.to_lps(sinus.centre + local @ sinus.turn.T)
    into = patient.scene.direction_to_lps(sinus.turn[:, 2])
    return {"points_mm": [rounded(p, 3) for p in points], "behind": rounded(into, 6)}


def _case(patient: Patient, sites: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "schema": "siteplan-case/1",
        "units": "mm",
        "title": patient.title,
        "patient_label": patient.label,
        "series": "series",
        "sites": sites,
        "structures": structures(patient),
        "calibration": {
            "slope": patient.slope,
            "intercept": patient.intercept,
            "source": "set by the script that made this sample",
            "device": "none; invented",
        },
        "notes": patient.notes,
    }


def _truth(patient: Patient, sites: list[dict[str, Any]], voxel_mm: float) -> dict[str, Any]:
    scene = patient.scene
    truth: dict[str, Any] = {
        "about": "Exact values of the shapes that this invented patient is made of; lengths mm, positions LPS mm.",
        "voxel_mm": voxel_mm,
        "grey": {"slope": patient.slope, "intercept": patient.intercept, "noise_sd": patient.noise_sd},
        "blur_sigma_mm": patient.blur_sigma,
        "hu": {material.name.lower(): value for material, value in patient.hu.items()},
        "cancellous_texture_sd_hu": patient.texture_sd,
        "root": structures(patient)[0]["cone"],
        "sites": sites,
    }
    if scene.canal is not None:
        line = scene.to_lps(scene.canal.line)
        line = line[scene.in_bone_outline(line)][::25]
        truth["canal"] = {
            "centreline_mm": [rounded(p) for p in line],
            "lumen_radius_mm": scene.canal.lumen,
            "wall_mm": scene.canal.wall,
            "foramen_mm": rounded(_foramen(patient)),
        }
    if scene.sinus is not None:
        truth["sinus"] = {
            "centre_mm": rounded(scene.to_lps(scene.sinus.centre)),
            "semi_axes_mm": list(scene.sinus.axes),
            "axes": [rounded(scene.direction_to_lps(column), 6) for column in scene.sinus.turn.T],
            "floor_plate_mm": scene.sinus.plate,
        }
    return truth
