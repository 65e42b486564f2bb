"""One invented jaw: which material lies at a point, in patient coordinates (LPS, mm)."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from sample_volumes.shapes import Arch, Array, Cavity, Pipe, Ridge, Tooth


class Material(IntEnum):
    """What a point is made of."""

    AIR = 0
    SOFT_TISSUE = 1
    CORTEX = 2
    CANCELLOUS = 3
    CANAL_WALL = 4
    CANAL_LUMEN = 5
    DENTINE = 6
    ENAMEL = 7
    PULP = 8
    LIGAMENT = 9
    FLOOR_PLATE = 10
    CAVITY = 11


BONE = (Material.CORTEX, Material.CANCELLOUS, Material.CANAL_WALL, Material.CANAL_LUMEN, Material.FLOOR_PLATE)
SHELL = (Material.CORTEX, Material.FLOOR_PLATE)


@dataclass(frozen=True, eq=False)
class Scene:
    """An invented jaw, turned against the voxel grid.

    `turn` and `pivot`: LPS = turn @ (scene - pivot) + pivot.
    """

    arch: Arch
    ridge: Ridge
    tooth: Tooth
    canal: Pipe | None
    sinus: Cavity | None
    gum: float
    """Soft tissue over the crest."""
    fold_depth: float
    """Beyond this depth the cheek and the floor of the mouth lie against the bone."""
    turn: Array
    pivot: Array

    def to_lps(self, scene_points: Array) -> Array:
        """Patient points of scene points (..., 3)."""
        return np.asarray((scene_points - self.pivot) @ self.turn.T + self.pivot)

    def to_scene(self, lps: Array) -> Array:
        """Scene points of patient points (..., 3)."""
        return np.asarray((lps - self.pivot) @ self.turn + self.pivot)

    def direction_to_lps(self, direction: Array) -> Array:
        """A direction (3,) of the scene in patient coordinates."""
        return np.asarray(self.turn @ direction)

    def material(self, lps: Array) -> NDArray[np.uint8]:
        """(N,) material codes of patient points (N, 3). Later lines lie over earlier ones."""
        points = self.to_scene(lps)
        s, u, d = self.arch.from_scene(points)
        out = np.full(len(points), Material.AIR, np.uint8)
        out[(self.ridge.outside(s, u, d, self.gum) < 1) | (d > self.fold_depth)] = Material.SOFT_TISSUE
        bone = self.ridge.outside(s, u, d) < 1
        out[bone] = Material.CORTEX
        out[bone & (self.ridge.marrow(s, u, d) < 1)] = Material.CANCELLOUS
        if self.sinus is not None:
            out[self.sinus.level(points, self.sinus.plate) < 1] = Material.FLOOR_PLATE
        self._tooth_into(out, points, bone)
        if self.canal is not None:
            away = self.canal.distance(points, self.canal.lumen + self.canal.wall)
            inside = bone & (away < self.canal.lumen + self.canal.wall)
            out[inside] = Material.CANAL_WALL
            out[bone & (away < self.canal.lumen)] = Material.CANAL_LUMEN
        if self.sinus is not None:
            out[self.sinus.level(points) < 1] = Material.CAVITY
        return out

    def _tooth_into(self, out: NDArray[np.uint8], points: Array, bone: NDArray[np.bool_]) -> None:
        tooth = self.tooth
        around = tooth.ligament + tooth.socket_wall
        out[bone & (tooth.root_level(points, around) < 0)] = Material.CORTEX
        out[tooth.root_level(points, tooth.ligament) < 0] = Material.LIGAMENT
        out[tooth.crown_level(points) < 1] = Material.ENAMEL
        out[(tooth.crown_level(points, tooth.enamel) < 1) | (tooth.root_level(points) < 0)] = Material.DENTINE
        out[tooth.pulp(points)] = Material.PULP

    def in_bone_outline(self, lps: Array) -> NDArray[np.bool_]:
        """Whether points (N, 3) lie inside the outer surface of the bone, cavities and roots included."""
        points = self.to_scene(lps)
        inside = self.ridge.outside(*self.arch.from_scene(points)) < 1
        if self.sinus is not None:
            inside |= self.sinus.level(points, self.sinus.plate) < 1
        return np.asarray(inside)
