"""A triangle mesh that points can be measured to: nearest point, side, rim."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.spatial import cKDTree

from siteplan.anatomy.structure import Surface
from siteplan.errors import GeometryError
from siteplan.placement.profile import Array, Indices, Mask

_NEAR_MM = 1e-9
"""Distances closer than this are equal (double rounding)."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """A mesh with what distances need.

    Attributes:
        points (V, 3), triangles (T, 3), normals (T, 3): unit normals; they point out of the forbidden side.
        edges (E, 2), edges_of_triangle (T, 3), rim (E,): edges that belong to one triangle only.
        rim_points (V,): ends of such edges.
        reach (T,): no point of a triangle is further than this from the nearest of its corners.
        closed: the forbidden side is the inside.
    """

    points: Array
    triangles: Indices
    normals: Array
    edges: Indices
    edges_of_triangle: Indices
    rim: Mask
    rim_points: Mask
    reach: Array
    closed: bool
    tree: cKDTree

    @staticmethod
    def of(surface: Surface) -> "Mesh":
        """The mesh of a surface, made once: a search asks for it hundreds of times, and surfaces never change.

        Raises GeometryError for one without a single triangle that has an area.
        """
        return _made(surface)

    @classmethod
    def made(cls, surface: Surface) -> "Mesh":
        """The mesh, made anew."""
        points = np.asarray(surface.points_lps_mm, dtype=np.float64)
        triangles = np.asarray(surface.triangles, dtype=np.int64)
        a, b, c = (points[triangles[:, n]] for n in range(3))
        normals = np.cross(b - a, c - a)
        size = np.linalg.norm(normals, axis=1)
        good = size > 1e-12
        if not good.any():
            raise GeometryError("surface: it has no triangle with an area.")
        triangles, normals = triangles[good], normals[good] / size[good][:, None]
        a, b, c = a[good], b[good], c[good]
        if surface.closed:
            # The signed volume tells whether the corners run so that normals point outward.
            volume = np.einsum("ij,ij->", a - points.mean(axis=0), np.cross(b - a, c - a))
            normals = normals if volume > 0 else -normals
        else:
            flip = normals @ surface.behind > 0
            normals = np.where(flip[:, None], -normals, normals)
        all_edges = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        edges, index, count = np.unique(all_edges, axis=0, return_inverse=True, return_counts=True)
        sides = np.stack([np.linalg.norm(v, axis=1) for v in (b - a, c - b, a - c)], axis=1)
        # The point furthest from all corners is the centre of the circumcircle, at most longest side / sqrt(3) away,
        # or in an obtuse triangle a point on the longest side, at most half of it away.
        reach = sides.max(axis=1) / np.sqrt(3.0)
        tree = cKDTree((a + b + c) / 3)
        rim = count == 1
        rim_points = np.zeros(len(points), dtype=np.bool_)
        rim_points[edges[rim].ravel()] = True
        of_triangle = index.reshape(-1, 3)
        return cls(points, triangles, normals, edges, of_triangle, rim, rim_points, reach, surface.closed, tree)

    def within(self, foot: Array, triangle: Indices) -> Mask:
        """Whether points (n, 3) in the planes of triangles (n,) lie inside them."""
        u, v, w = self._weights(foot, triangle)
        return (u >= 0) & (v >= 0) & (w >= 0)

    def _weights(self, foot: Array, triangle: Indices) -> tuple[Array, Array, Array]:
        a, b, c = (self.points[self.triangles[triangle, n]] for n in range(3))
        ab, ac, ap = b - a, c - a, foot - a
        d00, d01, d11, d20, d21 = (
            np.einsum("ij,ij->i", v, w) for v, w in ((ab, ab), (ab, ac), (ac, ac), (ap, ab), (ap, ac))
        )
        under = d00 * d11 - d01 * d01
        v, w = (d11 * d20 - d01 * d21) / under, (d00 * d21 - d01 * d20) / under
        return 1.0 - v - w, v, w

    def nearest(self, points: Array) -> Array:
        """The nearest mesh point (n, 3) of each point."""
        return self._search(points)[1]

    def signed(self, points: Array) -> Array:
        """Distance (n,) to the mesh, below zero behind it; past the rim of an open mesh always above zero."""
        distance, _, behind = self._search(points)
        return np.where(behind, -distance, distance)

    def rough(self, points: Array) -> Array:
        """Distance (n,) to the nearest of the few triangles whose centres are nearest: quick, never too near.

        The side is not to be trusted: the nearest triangle of all need not be one of the few, and past a rim they would
        say behind where it says nothing. `signed` tells.
        """
        count = min(_ROUGH_NEIGHBOURS, len(self.triangles))
        _, triangle = self.tree.query(points, k=count)
        owner = np.repeat(np.arange(len(points)), count)
        distance, _, behind = self._nearest_of(points, owner, np.reshape(triangle, -1))
        signed: Array = np.where(behind, -distance, distance)
        return signed

    def behind(self, points: Array) -> Mask:
        """Whether points lie on the forbidden side."""
        return self._search(points)[2]

    def _search(self, points: Array) -> tuple[Array, Array, Mask]:
        """Distance, nearest point and side of points (n, 3)."""
        distance, near, behind = np.empty(len(points)), np.empty((len(points), 3)), np.zeros(len(points), np.bool_)
        # No point of a triangle is further from its centre than two thirds of its longest side (reach * 2 / sqrt(3)).
        spread = float(self.reach.max()) * 2.0 / np.sqrt(3.0)
        _, nearest_centre = self.tree.query(points)
        first, _ = self._closest(points, nearest_centre)
        upper = np.linalg.norm(points - first, axis=1)
        for n in range(0, len(points), _POINTS_AT_ONCE):
            rows = slice(n, min(n + _POINTS_AT_ONCE, len(points)))
            lists = self.tree.query_ball_point(points[rows], upper[rows] + spread + _NEAR_MM)
            counts = np.array([len(one) for one in lists])
            owner = np.repeat(np.arange(len(lists)), counts)
            triangle = np.concatenate([np.asarray(one, dtype=np.int64) for one in lists])
            distance[rows], near[rows], behind[rows] = self._nearest_of(points[rows], owner, triangle)
        return distance, near, behind

    def _nearest_of(self, points: Array, owner: Indices, triangle: Indices) -> tuple[Array, Array, Mask]:
        foot, on_rim = self._closest(points[owner], triangle)
        offset = points[owner] - foot
        square = np.einsum("ij,ij->i", offset, offset)
        lean = np.einsum("ij,ij->i", offset, self.normals[triangle])
        order = np.lexsort((square, owner))
        _, first = np.unique(owner[order], return_index=True)
        rows = order[first]
        distance = np.sqrt(square[rows])
        # Where several triangles share the nearest point, the one whose plane the point leans away from most decides.
        tied = np.sqrt(square) <= distance[owner] + _NEAR_MM
        strongest = np.zeros(len(points))
        lean_tied, owner_tied = lean[tied], owner[tied]
        by_size = np.argsort(np.abs(lean_tied), kind="stable")
        strongest[owner_tied[by_size]] = lean_tied[by_size]
        rim = np.zeros(len(points), dtype=np.bool_)
        np.logical_or.at(rim, owner_tied, on_rim[tied])
        behind = strongest < 0
        return distance, foot[rows], behind if self.closed else behind & ~rim

    def _closest(self, points: Array, triangle: Indices) -> tuple[Array, Mask]:
        """The nearest point of one triangle for each point, and whether it lies on the mesh's rim."""
        corner = self.points[self.triangles[triangle, 0]]
        normal = self.normals[triangle]
        foot = points - np.einsum("ij,ij->i", points - corner, normal)[:, None] * normal
        inside = self.within(foot, triangle)
        best = np.where(inside, 0.0, np.inf)
        result, on_rim = foot.copy(), np.zeros(len(points), dtype=np.bool_)
        for n in range(3):
            edge = self.edges_of_triangle[triangle, n]
            a, b = self.points[self.edges[edge, 0]], self.points[self.edges[edge, 1]]
            step = b - a
            t = np.clip(np.einsum("ij,ij->i", points - a, step) / np.einsum("ij,ij->i", step, step), 0.0, 1.0)
            on_edge = a + t[:, None] * step
            square = ((points - on_edge) ** 2).sum(axis=1)
            closer = ~inside & (square < best)
            best = np.where(closer, square, best)
            result = np.where(closer[:, None], on_edge, result)
            # A corner belongs to the rim whichever of its edges it was reached by.
            corner_of = np.where(t <= 0, self.edges[edge, 0], self.edges[edge, 1])
            at_corner = ((t <= 0) | (t >= 1)) & self.rim_points[corner_of]
            on_rim = np.where(closer, self.rim[edge] | at_corner, on_rim)
        return result, on_rim


@lru_cache(maxsize=8)
def _made(surface: Surface) -> Mesh:
    return Mesh.made(surface)


_ROUGH_NEIGHBOURS = 8
"""Triangles that a rough distance looks at (our own choice)."""

_POINTS_AT_ONCE = 20_000
"""Points that are searched together (memory)."""
