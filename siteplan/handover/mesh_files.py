"""Mesh files: binary STL and OBJ, one for each body, and one GLB scene with all of them.

STL and OBJ hold patient coordinates (DICOM LPS) in millimetres; neither format can say so in a field, so their header
and comments do. glTF 2.0 (section 3.4) fixes metres, +Y up, +Z forward and -X to the right, so the one root node of the
scene carries the matrix that takes LPS millimetres there; its meshes keep patient coordinates.
"""

from pathlib import Path
from typing import Any

import numpy as np

from siteplan import __version__
from siteplan.handover.bodies import Body
from siteplan.report.closed_mesh import ClosedMesh

FRAME_WORDS = "DICOM patient coordinates (LPS: x to the left, y to the back, z to the head), millimetres"
CAUTION = "a plan by software, not a device: check every length in the program that you use it in"
ROOT = "patient-lps-mm"

LPS_MM_TO_GLTF = 0.001 * np.array([[1.0, 0, 0, 0], [0, 0, 1.0, 0], [0, -1.0, 0, 0], [0, 0, 0, 1000.0]])
"""x stays (glTF's -X is the right), z (head) becomes y (up), -y (front) becomes z (forward); 0.001 m in a mm."""


def stl_bytes(body: Body) -> bytes:
    """One body as binary STL; normals from the triangles, coordinates rounded to float32."""
    points, triangles = _single(body.mesh), body.mesh.triangles
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("unused", "<u2")])
    rows = np.zeros(len(triangles), dtype=record)
    rows["corners"] = points[triangles]
    normal = np.cross(*(points[triangles[:, n]].astype(np.float64) - points[triangles[:, 0]] for n in (1, 2)))
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    rows["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    header = f"binary STL; unit mm; frame DICOM patient LPS; {body.name}".encode("ascii")[:80].ljust(80)
    return header + len(triangles).to_bytes(4, "little") + rows.tobytes()


def obj_bytes(body: Body) -> bytes:
    """One body as OBJ text with six decimals (a nanometre)."""
    head = [f"# {body.name}: {body.what}", f"# {FRAME_WORDS}", f"# made by siteplan {__version__}; {CAUTION}"]
    points = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in body.mesh.points_lps_mm]
    faces = [f"f {a} {b} {c}" for a, b, c in body.mesh.triangles + 1]
    return "\n".join([*head, f"o {body.name}", *points, *faces, ""]).encode("ascii", "replace")


def glb_bytes(bodies: list[Body]) -> bytes:
    """All bodies in one GLB scene, each a node of its name under the root that carries the change of frame."""
    import trimesh

    scene = trimesh.Scene(base_frame="world")
    scene.graph.update(frame_from="world", frame_to=ROOT, matrix=LPS_MM_TO_GLTF)
    for body in bodies:
        mesh = trimesh.Trimesh(_single(body.mesh), body.mesh.triangles, process=False)
        mesh.visual = trimesh.visual.TextureVisuals(material=_material(body))
        mesh.metadata = {}
        scene.add_geometry(mesh, node_name=body.name, geom_name=body.name, parent_node_name=ROOT)
    what = {body.name: body.what for body in bodies}
    raw = trimesh.exchange.gltf.export_glb(scene, include_normals=False, tree_postprocessor=lambda t: _told(t, what))
    return bytes(raw)


def write_meshes(bodies: list[Body], kind: str) -> dict[str, bytes]:
    """Files by name for "stl", "obj" or "glb"."""
    if kind == "glb":
        return {"plan.glb": glb_bytes(bodies)}
    make = {"stl": stl_bytes, "obj": obj_bytes}[kind]
    return {str(Path(kind) / f"{body.name}.{kind}"): make(body) for body in bodies}


def _single(mesh: ClosedMesh) -> np.ndarray:
    return mesh.points_lps_mm.astype(np.float32)


def _material(body: Body) -> Any:
    from trimesh.visual.material import PBRMaterial

    colour = [int(body.colour[at : at + 2], 16) for at in (1, 3, 5)] + [round(255 * body.opacity)]
    return PBRMaterial(
        name=body.name,
        baseColorFactor=colour,
        alphaMode="OPAQUE" if body.opacity >= 1 else "BLEND",
        metallicFactor=0.0,
        roughnessFactor=0.7,
        doubleSided=not body.closed,
    )


def _told(tree: dict[str, Any], what: dict[str, str]) -> None:
    """Put frame, unit and words where glTF has a place for them: `extras` of the asset and of each node."""
    tree["asset"]["generator"] = f"siteplan {__version__}"
    tree["asset"]["extras"] = {
        "frame_of_meshes": FRAME_WORDS,
        "frame_of_scene": "glTF 2.0: metres, +Y to the head, +Z to the front, -X to the patient's right",
        "caution": CAUTION,
    }
    for node in tree["nodes"]:
        node.pop("extras", None)
        if node.get("name") in what:
            node["extras"] = {"what": what[node["name"]]}
