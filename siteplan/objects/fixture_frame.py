"""A fixture in a frame of its own, and where that frame lies in the patient.

The fixture's frame: origin on the axis at the platform, z towards the apex, x towards cheek or lip, y so that the frame
is right-handed; millimetres.
"""

import numpy as np
from numpy.typing import NDArray

from siteplan.fixture import Fixture, Pose, Solid
from siteplan.frame import Vector, unit
from siteplan.report.closed_mesh import ClosedMesh, revolved

_OWN = Pose(np.zeros(3), np.array([0.0, 0.0, 1.0]))


def fixture_to_patient(pose: Pose, buccal: Vector) -> NDArray[np.float64]:
    """(4, 4) matrix that takes (x, y, z, 1) of the fixture's frame to LPS mm: turning and moving only.

    Args:
        buccal: (3,) direction in LPS that is not parallel to the pose's axis.

    Raises:
        GeometryError: it is parallel.
    """
    z = unit(pose.axis, "axis")
    x = unit(buccal - (buccal @ z) * z, "buccal")
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([x, np.cross(z, x), z], axis=1)
    matrix[:3, 3] = pose.platform_lps_mm
    return matrix


def whole_outline(fixture: Fixture) -> Solid:
    """Abutment, gum passage and body as one outline, z below 0 above the platform."""
    z = np.concatenate([fixture.above.z_mm, fixture.body.z_mm])
    r = np.concatenate([fixture.above.r_mm, fixture.body.r_mm])
    new = np.concatenate([[True], (np.diff(z) != 0) | (np.diff(r) != 0)])
    return Solid(z[new], r[new])


def fixture_mesh(fixture: Fixture) -> ClosedMesh:
    """Closed surface of the whole fixture in its own frame. Threads are shown by their envelope."""
    return revolved(whole_outline(fixture), _OWN)


def stl_bytes(mesh: ClosedMesh) -> bytes:
    """Binary STL, millimetres, corners counter-clockwise seen from outside."""
    import trimesh

    out: bytes = trimesh.Trimesh(mesh.points_lps_mm, mesh.triangles, process=False).export(file_type="stl")
    return out
