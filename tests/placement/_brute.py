"""Slow, plain answers to compare with: dense samples of surfaces, distances without any cleverness."""

import numpy as np

from siteplan.anatomy.structure import Cone, Surface, Tube
from siteplan.fixture import Pose, Solid


def frame_of(axis):
    helper = np.array([1.0, 0, 0]) if abs(axis[0]) < 0.7 else np.array([0, 1.0, 0])
    e1 = np.cross(axis, helper)
    e1 /= np.linalg.norm(e1)
    return e1, np.cross(axis, e1)


def surface_samples(solid: Solid, pose: Pose, along: int = 60, around: int = 180) -> np.ndarray:
    """Points on the closed surface: each side of the outline turned around the axis, end discs included."""
    z = np.concatenate([[solid.z_mm[0]], solid.z_mm, [solid.z_mm[-1]]])
    r = np.concatenate([[0.0], solid.r_mm, [0.0]])
    share = np.linspace(0, 1, along)[None, :]
    zs = (z[:-1, None] + share * np.diff(z)[:, None]).ravel()
    rs = (r[:-1, None] + share * np.diff(r)[:, None]).ravel()
    angle = np.linspace(0, 2 * np.pi, around, endpoint=False)
    e1, e2 = frame_of(pose.axis)
    ring = np.cos(angle)[:, None] * e1 + np.sin(angle)[:, None] * e2
    points = pose.platform_lps_mm + zs[:, None, None] * pose.axis + rs[:, None, None] * ring[None]
    return points.reshape(-1, 3)


def tube_samples(tube: Tube, per_step: int = 60) -> tuple[np.ndarray, np.ndarray]:
    """Centre points and radii along the polyline."""
    share = np.linspace(0, 1, per_step)[None, :, None]
    a, b = tube.points_lps_mm[:-1, None], tube.points_lps_mm[1:, None]
    radius = tube.radius_mm[:-1, None] + share[..., 0] * np.diff(tube.radius_mm)[:, None]
    return (a + share * (b - a)).reshape(-1, 3), radius.ravel()


def random_pose(rng: np.random.Generator, spread: float = 2.0) -> Pose:
    axis = rng.normal(size=3)
    return Pose(rng.normal(0, spread, 3), axis / np.linalg.norm(axis))


def random_cone(rng: np.random.Generator, spread: float = 5.0) -> Cone:
    base, step = rng.normal(0, spread, 3), rng.normal(size=3)
    tip = base + step / np.linalg.norm(step) * rng.uniform(5, 14)
    return Cone(base, tip, rng.uniform(1.5, 4), rng.uniform(0.0, 1.5))


def sheet(height, half: float = 10.0, count: int = 41) -> Surface:
    """An open surface z = height(x, y) over a square; its far side is +z."""
    g = np.linspace(-half, half, count)
    x, y = np.meshgrid(g, g, indexing="ij")
    points = np.stack([x, y, height(x, y)], axis=-1).reshape(-1, 3)
    n = np.arange(count * count).reshape(count, count)
    lower = np.stack([n[:-1, :-1], n[1:, :-1], n[1:, 1:]], axis=-1).reshape(-1, 3)
    upper = np.stack([n[:-1, :-1], n[1:, 1:], n[:-1, 1:]], axis=-1).reshape(-1, 3)
    return Surface(points, np.concatenate([lower, upper]).astype(np.int64), np.array([0.0, 0.0, 1.0]))
