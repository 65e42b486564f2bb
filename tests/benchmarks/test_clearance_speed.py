"""Poses per second against a VTK signed-distance query of the same fixture surface and structure in the same run."""

import time

import numpy as np
import pytest

from siteplan.anatomy.structure import Tube
from siteplan.fixture import load_catalogue
from siteplan.placement.clearances import quick_distances
from siteplan.placement.profile import Poses
from siteplan.placement.to_solid import SurfacePoints

RATIO = 200
"""Asked: at least this many times as many poses per second."""


def canal() -> Tube:
    """A canal-like tube of 133 points, as finely sampled as a traced one."""
    t = np.linspace(-1, 1, 133)
    points = np.stack([17 * t, 3 * t**2, 14 + 1.5 * t], axis=1)
    return Tube(points, np.full(len(t), 1.5))


def vtk_distance(tube: Tube):
    """vtkImplicitPolyDataDistance to the tube's surface with 24 sides."""
    core = pytest.importorskip("vtkmodules.vtkFiltersCore")
    from vtkmodules.util.numpy_support import numpy_to_vtk
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData

    points = vtkPoints()
    points.SetData(numpy_to_vtk(tube.points_lps_mm, deep=True))
    line = vtkCellArray()
    line.InsertNextCell(len(tube.points_lps_mm))
    for n in range(len(tube.points_lps_mm)):
        line.InsertCellPoint(n)
    data = vtkPolyData()
    data.SetPoints(points)
    data.SetLines(line)
    wall = core.vtkTubeFilter()
    wall.SetInputData(data)
    wall.SetRadius(float(tube.radius_mm[0]))
    wall.SetNumberOfSides(24)
    wall.CappingOn()
    wall.Update()
    distance = core.vtkImplicitPolyDataDistance()
    distance.SetInput(wall.GetOutput())
    return distance


def test_two_hundred_times_as_many_poses_as_vtk() -> None:
    from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
    from vtkmodules.vtkCommonCore import vtkDoubleArray

    rng = np.random.default_rng(3)
    count = 20_000
    axis = np.array([0, 0, 1.0]) + rng.normal(0, 0.1, (count, 3))
    poses = Poses(rng.normal(0, 1, (count, 3)), axis / np.linalg.norm(axis, axis=1, keepdims=True))
    solid, tube = load_catalogue().get("demo-compressive-4.0x10").body, canal()
    quick_distances(solid, poses, tube)
    seconds = []
    for _ in range(3):
        start = time.perf_counter()
        found = quick_distances(solid, poses, tube)
        seconds.append((time.perf_counter() - start) / count)

    theirs = vtk_distance(tube)
    surface = SurfacePoints(solid, poses)
    side, share, angle = (
        v.ravel()
        for v in np.meshgrid(np.arange(6), np.linspace(0, 1, 12), np.arange(21) * (2 * np.pi / 21), indexing="ij")
    )
    vtk_seconds, gaps = [], []
    for n in range(25):
        points = np.ascontiguousarray(surface(np.stack([share, angle], axis=1), side, np.full(len(side), n)))
        assert 1_400 <= len(points) <= 1_600
        out = vtkDoubleArray()
        start = time.perf_counter()
        theirs.FunctionValue(numpy_to_vtk(points), out)
        least = vtk_to_numpy(out).min()
        vtk_seconds.append(time.perf_counter() - start)
        gaps.append(least - found.value[n])
    # The same quantity: VTK sees sampled points and a tube of flat sides, so it is above the exact one by less than
    # the sampling allows, and never below it by more than the sag of 24 sides, 1.5 (1 - cos(pi / 24)) = 0.013 mm.
    assert min(gaps) >= -2e-3
    assert max(gaps) < 0.1
    ratio = float(np.median(vtk_seconds)) / min(seconds)
    print(f"{1 / min(seconds):.0f} poses/s, VTK {1 / np.median(vtk_seconds):.0f} poses/s, ratio {ratio:.0f}")
    assert ratio >= RATIO
