"""The only door to VTK, and the trial whether this machine can draw in 3D at all.

VTK is imported module by module, and only after a child process has drawn one small picture: on a machine without
OpenGL VTK 9.7 ends its process at the first render, which no `except` can catch.
"""

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.report.meshes import Mesh

TRIAL_SECONDS = 60
"""A trial that takes longer is taken as failed; software rendering needs about one second."""

TRIAL_CODE = """
from vtkmodules.vtkCommonCore import vtkLogger
vtkLogger.SetStderrVerbosity(vtkLogger.VERBOSITY_OFF)
import vtkmodules.vtkRenderingOpenGL2
from vtkmodules.vtkRenderingCore import vtkRenderWindow, vtkRenderer
window = vtkRenderWindow()
window.SetOffScreenRendering(1)
window.SetSize(16, 16)
window.AddRenderer(vtkRenderer())
window.Render()
print("drawn")
"""


@dataclass(frozen=True, slots=True)
class Trial:
    """Whether 3D pictures can be made here, and if not, one sentence that says why."""

    works: bool
    why: str = ""


@dataclass(frozen=True, eq=False)
class Camera:
    """A parallel view: no perspective, so equal lengths look equal.

    target_lps_mm: (3,) middle of the picture. toward: (3,) unit vector from there to the viewer. up: (3,) unit vector.
    half_height_mm: half of what the picture's height covers.
    """

    target_lps_mm: NDArray[np.float64]
    toward: NDArray[np.float64]
    up: NDArray[np.float64]
    half_height_mm: float


@cache
def trial() -> Trial:
    """Draw a small picture in a child process, once per process."""
    try:
        done = subprocess.run(
            [sys.executable, "-c", TRIAL_CODE], capture_output=True, text=True, timeout=TRIAL_SECONDS, check=False
        )
    except subprocess.TimeoutExpired:
        return Trial(False, f"The 3D picture is missing: a trial drawing did not finish within {TRIAL_SECONDS} s.")
    except OSError:
        return Trial(False, "The 3D picture is missing: no second process could be started to try the drawing.")
    if done.returncode == 0 and "drawn" in done.stdout:
        return Trial(True)
    if "ModuleNotFoundError" in done.stderr:
        return Trial(False, "The 3D picture is missing: the VTK library is not installed on this machine.")
    return Trial(False, "The 3D picture is missing: this machine offers no OpenGL for VTK to draw with.")


def render(meshes: list[Mesh], camera: Camera, width_px: int, height_px: int) -> NDArray[np.uint8]:
    """Picture (H, W, 3) of the meshes on white. Call only after `trial().works`."""
    return next(render_all(meshes, [camera], width_px, height_px))


def render_all(meshes: list[Mesh], cameras: list[Camera], width_px: int, height_px: int) -> Iterator[NDArray[np.uint8]]:
    """One picture (H, W, 3) for each camera, of the same meshes. Call only after `trial().works`."""
    stage = Stage(meshes)
    try:
        for camera in cameras:
            yield stage.picture(camera, width_px, height_px)
    finally:
        stage.close()


class Stage:
    """Meshes set up to be drawn from any side, which is most of the work of a picture.

    Make it only after `trial().works`; use and close it in the thread that made it, because OpenGL belongs to a thread.
    """

    def __init__(self, meshes: list[Mesh]) -> None:
        from vtkmodules.vtkCommonCore import vtkLogger

        vtkLogger.SetStderrVerbosity(vtkLogger.VERBOSITY_OFF)
        from vtkmodules.vtkRenderingCore import vtkRenderer, vtkRenderWindow

        import_module("vtkmodules.vtkRenderingOpenGL2")  # the drawing classes register themselves on import
        self._renderer = vtkRenderer()
        self._renderer.SetBackground(1.0, 1.0, 1.0)
        solid, self._glassy = (_joined([m for m in meshes if (m.opacity < 1.0) == clear]) for clear in (False, True))
        for body in (solid, self._glassy):
            if body is not None:
                self._renderer.AddActor(body.actor)
        self._window = vtkRenderWindow()
        self._window.SetOffScreenRendering(1)
        self._window.SetMultiSamples(0)
        if hasattr(self._renderer, "SetUseOIT"):
            self._renderer.SetUseOIT(False)  # blended as it comes, see `_Body`
        self._renderer.UseFXAAOn()
        self._window.AddRenderer(self._renderer)

    def picture(self, camera: Camera, width_px: int, height_px: int) -> NDArray[np.uint8]:
        """(H, W, 3) on white."""
        from vtkmodules.util.numpy_support import vtk_to_numpy
        from vtkmodules.vtkRenderingCore import vtkWindowToImageFilter

        self._window.SetSize(width_px, height_px)
        _aim(self._renderer.GetActiveCamera(), camera)
        if self._glassy is not None:
            self._glassy.sort(camera.toward)
        self._renderer.ResetCameraClippingRange()
        self._window.Render()
        grab = vtkWindowToImageFilter()
        grab.SetInput(self._window)
        grab.ReadFrontBufferOff()
        grab.Update()
        image = grab.GetOutput()
        columns, rows, _ = image.GetDimensions()
        flat = vtk_to_numpy(image.GetPointData().GetScalars())
        return np.array(flat.reshape(rows, columns, -1)[::-1, :, :3], dtype=np.uint8)

    def close(self) -> None:
        """Give the pictures' memory back."""
        self._window.Finalize()


class _Body:
    """Meshes as one actor. What can be seen through must be drawn from the back to the front: `sort` puts its triangles
    in that order, which in a parallel view is the order of their middles. Peeling the picture layer by layer would do
    without, but takes twice the time and, with an OpenGL in software, 50 MB more at the window's size."""

    def __init__(self, points: NDArray[np.float64], normals: NDArray[np.float64], rgba: NDArray[np.uint8],
                 triangles: NDArray[np.int64]) -> None:  # fmt: skip
        from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
        from vtkmodules.vtkCommonCore import vtkPoints
        from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
        from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper

        self._middles = points[triangles].mean(axis=1)  # (T, 3)
        self._triangles = triangles
        self._cells = vtkCellArray()
        self._to_ids = numpy_to_vtkIdTypeArray
        self._data = vtkPolyData()
        places = vtkPoints()
        places.SetData(numpy_to_vtk(points, deep=1))
        self._data.SetPoints(places)
        self._data.GetPointData().SetNormals(numpy_to_vtk(normals, deep=1))
        self._data.GetPointData().SetScalars(numpy_to_vtk(rgba, deep=1))
        self._set(triangles)
        mapper = vtkPolyDataMapper()
        mapper.SetInputData(self._data)
        self.actor = vtkActor()
        self.actor.SetMapper(mapper)
        self.actor.GetProperty().SetSpecular(0.15)
        if rgba[:, 3].min() < 255:
            self.actor.ForceTranslucentOn()

    def sort(self, toward: NDArray[np.float64]) -> None:
        """From the back to the front for a viewer in this direction (unit vector)."""
        self._set(self._triangles[np.argsort(self._middles @ toward, kind="stable")])

    def _set(self, triangles: NDArray[np.int64]) -> None:
        starts = np.arange(0, 3 * len(triangles) + 1, 3, dtype=np.int64)
        self._cells.SetData(self._to_ids(starts, deep=1), self._to_ids(triangles.ravel(), deep=1))
        self._data.SetPolys(self._cells)
        self._data.Modified()


def _joined(meshes: list[Mesh]) -> _Body | None:
    """The meshes as one body, each with its colour; None where there is none."""
    parts = [(*_smoothed(mesh), mesh) for mesh in meshes if len(mesh.triangles)]
    if not parts:
        return None
    first = np.cumsum([0, *(len(points) for points, *_ in parts)])
    triangles = np.concatenate([part[2] + at for part, at in zip(parts, first[:-1], strict=True)])
    rgba = np.concatenate([np.tile(_rgba(part[3]), (len(part[0]), 1)) for part in parts])
    points, normals = (np.concatenate([part[n] for part in parts]) for n in (0, 1))
    return _Body(points, normals, rgba, triangles)


def _rgba(mesh: Mesh) -> NDArray[np.uint8]:
    red, green, blue = (int(mesh.colour[at : at + 2], 16) for at in (1, 3, 5))
    return np.array([red, green, blue, round(255 * mesh.opacity)], dtype=np.uint8)


def _smoothed(mesh: Mesh) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Points, their normals and triangles; points are doubled along sharp edges, so that these look sharp."""
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkFiltersCore import vtkPolyDataNormals

    points = vtkPoints()
    points.SetData(numpy_to_vtk(np.ascontiguousarray(mesh.points_lps_mm), deep=1))
    cells = vtkCellArray()
    offsets = numpy_to_vtkIdTypeArray(np.arange(0, 3 * len(mesh.triangles) + 1, 3, dtype=np.int64), deep=1)
    cells.SetData(offsets, numpy_to_vtkIdTypeArray(mesh.triangles.ravel().astype(np.int64), deep=1))
    data = vtkPolyData()
    data.SetPoints(points)
    data.SetPolys(cells)
    normals = vtkPolyDataNormals()
    normals.SetInputData(data)
    normals.SetFeatureAngle(40.0)
    normals.ConsistencyOn()
    normals.Update()
    out = normals.GetOutput()
    return (
        np.array(vtk_to_numpy(out.GetPoints().GetData()), dtype=np.float64),
        np.array(vtk_to_numpy(out.GetPointData().GetNormals()), dtype=np.float64),
        np.array(vtk_to_numpy(out.GetPolys().GetConnectivityArray()), dtype=np.int64).reshape(-1, 3),
    )


def _aim(camera: Any, wanted: Camera) -> None:
    target = wanted.target_lps_mm
    eye = target + 200.0 * wanted.toward
    camera.SetParallelProjection(1)
    camera.SetFocalPoint(*target)
    camera.SetPosition(*eye)
    camera.SetViewUp(*wanted.up)
    camera.SetParallelScale(wanted.half_height_mm)
