"""The two invented patients: their shapes, tissues and scans. Every number here is invented."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from sample_volumes.anatomy import Material, Scene
from sample_volumes.shapes import Arch, Array, Cavity, Pipe, Ridge, Tooth


@dataclass(frozen=True)
class SiteWish:
    """A site by its place on the arch; `plans.py` finds crest, axis and fixture from the geometry."""

    tooth: int
    s: float
    design: str
    diameter: float
    aim: str
    """"keeps", "breaks" or "engages": what the fixture's length is chosen for."""
    approach: str
    notes: str


@dataclass(frozen=True, eq=False)
class Patient:
    """All that a sample is made from."""

    folder: str
    title: str
    label: str
    name: str
    identifier: str
    side: str
    scene: Scene
    hu: dict[Material, float]
    texture_sd: float
    slope: float
    intercept: float
    noise_sd: float
    seed: int
    corner: tuple[float, float, float]
    """LPS mm of the first voxel's outer corner."""
    size: tuple[float, float, float]
    """Extent of the field along x, y, z."""
    sites: tuple[SiteWish, ...]
    notes: str
    tooth_name: str
    blur_sigma: float = 0.19
    extra: dict[str, object] = field(default_factory=dict)


def _turn(*degrees: float) -> Array:
    """Rotation about x, then y, then z."""
    out = np.eye(3)
    for axis, angle in enumerate(np.radians(degrees)):
        step = np.eye(3)
        a, b = (axis + 1) % 3, (axis + 2) % 3
        step[a, a] = step[b, b] = np.cos(angle)
        step[b, a], step[a, b] = np.sin(angle), -np.sin(angle)
        out = step @ out
    return out


def _smooth(x: Array) -> Array:
    x = np.clip(x, 0, 1)
    return np.asarray(x * x * (3 - 2 * x))


def _tooth(arch: Arch, ridge: Ridge, length: float) -> Tooth:
    """The tooth at s = 0, upright in the ridge."""
    neck, tip = arch.to_scene(0, ridge.centre_u(np.array(-1.0)), -1.0), arch.to_scene(0.5, ridge.lean * length, length)
    return Tooth(
        neck=neck,
        tip=tip,
        neck_radius=2.6,
        tip_radius=0.9,
        ligament=0.25,
        socket_wall=0.45,
        pulp_radius=0.45,
        crown_centre=arch.to_scene(-0.2, -0.4, -5.0),
        crown_axes=(3.6, 3.5, 4.6),
        enamel=0.9,
    )


_LOWER_HU = {
    Material.AIR: -1000.0,
    Material.SOFT_TISSUE: 45.0,
    Material.CORTEX: 1520.0,
    Material.CANCELLOUS: 540.0,
    Material.CANAL_WALL: 950.0,
    Material.CANAL_LUMEN: 40.0,
    Material.DENTINE: 1650.0,
    Material.ENAMEL: 2500.0,
    Material.PULP: 50.0,
    Material.LIGAMENT: 80.0,
    Material.FLOOR_PLATE: 1520.0,
    Material.CAVITY: -1000.0,
}
_UPPER_HU = {**_LOWER_HU, Material.CORTEX: 1180.0, Material.CANCELLOUS: 255.0, Material.FLOOR_PLATE: 1100.0}


def lower() -> Patient:
    """Left lower jaw behind a first premolar: canal, mental foramen, three sites."""
    arch = Arch(radius=41.0, centre=(-1.5, 4.0, -40.0), start_deg=52.0, left=True, upper=False)
    ridge = Ridge(
        half_width=6.5,
        height=27.0,
        exponent=3.8,
        lean=0.10,
        crest_share=0.86,
        taper_depth=9.0,
        crest_cortex=1.9,
        buccal_cortex=2.0,
        lingual_cortex=1.6,
        far_cortex=3.0,
        wave=0.18,
        dip=0.35,
        swell=0.07,
    )
    s = np.arange(3.0, 40.0, 0.01)
    out = 1 - _smooth((s - 3.0) / 6.0)
    depth = 15.6 - 0.07 * np.maximum(s - 9.0, 0) - 2.2 * out
    line = arch.to_scene(s, ridge.centre_u(depth) - 0.9 + 8.0 * out, depth)
    scene = Scene(
        arch=arch,
        ridge=ridge,
        tooth=_tooth(arch, ridge, 12.5),
        canal=Pipe(line, lumen=1.4, wall=0.5),
        sinus=None,
        gum=2.2,
        fold_depth=8.0,
        turn=_turn(3.0, -2.5, 4.0),
        pivot=arch.to_scene(14.0, 0, 12.0),
    )
    return Patient(
        folder="lower_jaw",
        title="Sample: left lower jaw, three sites",
        label="Invented patient, lower jaw",
        name="INVENTED^OTTO",
        identifier="SAMPLE-LOWER",
        side="left",
        scene=scene,
        hu=_LOWER_HU,
        texture_sd=110.0,
        slope=0.86,
        intercept=75.0,
        noise_sd=45.0,
        seed=35,
        corner=(24.0, -26.0, -70.0),
        size=(26.0, 37.0, 36.0),
        sites=(
            SiteWish(35, 7.6, "two-piece", 3.5, "keeps", "flap", "Keeps the margins to the canal and the root."),
            SiteWish(36, 16.4, "one-piece compressive", 4.0, "keeps", "flapless", "Keeps the margin to the canal."),
            SiteWish(37, 26.0, "one-piece compressive", 4.0, "breaks", "flapless", "Too long on purpose."),
        ),
        notes="An invented patient made by a script. At 37 the fixture is too long on purpose.",
        tooth_name="34",
    )


def upper() -> Patient:
    """Right upper jaw behind a first premolar: sinus with its floor plate, two sites."""
    arch = Arch(radius=38.0, centre=(1.0, 3.0, 6.0), start_deg=50.0, left=False, upper=True)
    ridge = Ridge(
        half_width=6.6,
        height=44.0,
        exponent=3.4,
        lean=0.06,
        crest_share=0.92,
        taper_depth=8.0,
        crest_cortex=0.9,
        buccal_cortex=1.1,
        lingual_cortex=0.9,
        far_cortex=1.0,
        wave=0.12,
        dip=0.25,
        swell=0.06,
    )
    turn_local = _arch_axes(arch, 19.0)
    sinus = Cavity(centre=arch.to_scene(19.0, 0.6, 21.8), axes=(7.0, 15.5, 11.5), turn=turn_local, plate=1.3)
    scene = Scene(
        arch=arch,
        ridge=ridge,
        tooth=_tooth(arch, ridge, 12.0),
        canal=None,
        sinus=sinus,
        gum=2.8,
        fold_depth=9.0,
        turn=_turn(-4.0, 2.0, -3.0),
        pivot=arch.to_scene(11.0, 0, 9.0),
    )
    return Patient(
        folder="upper_jaw",
        title="Sample: right upper jaw, two sites",
        label="Invented patient, upper jaw",
        name="INVENTED^UNA",
        identifier="SAMPLE-UPPER",
        side="right",
        scene=scene,
        hu=_UPPER_HU,
        texture_sd=70.0,
        slope=0.93,
        intercept=-40.0,
        noise_sd=45.0,
        seed=15,
        corner=(-51.0, -26.0, -1.0),
        size=(27.0, 34.0, 33.0),
        sites=(
            SiteWish(15, 7.4, "one-piece compressive", 3.5, "keeps", "flapless", "Keeps the margin to the sinus."),
            SiteWish(16, 16.6, "one-piece basal", 4.5, "engages", "flap", "Ends in the floor plate of the sinus."),
        ),
        notes="An invented patient made by a script. At 16 the fixture is meant to anchor in the sinus floor plate.",
        tooth_name="14",
    )


def _arch_axes(arch: Arch, s: float) -> Array:
    """Columns: outwards, backwards along the arch, into the bone at `s`."""
    here = arch.to_scene(s, 0, 0)
    columns = [arch.to_scene(s, 1, 0) - here, arch.to_scene(s + 1e-4, 0, 0) - here, arch.to_scene(s, 0, 1) - here]
    return np.stack([column / np.linalg.norm(column) for column in columns], axis=1)


PATIENTS: dict[str, Callable[[], Patient]] = {"lower_jaw": lower, "upper_jaw": upper}
