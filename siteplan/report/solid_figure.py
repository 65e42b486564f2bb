"""The 3D picture of a site: bone seen through, fixtures and structures solid."""

import numpy as np

from siteplan.bone.levels import grey_levels
from siteplan.bone.sample import sample_block
from siteplan.frame import SiteFrame
from siteplan.report import palette, vtk_gateway
from siteplan.report.canvas import Sheet
from siteplan.report.meshes import Mesh, bone_mesh, shape_mesh, solid_mesh
from siteplan.report.scene import SiteScene
from siteplan.report.section_figure import scale_bar
from siteplan.report.vtk_gateway import Camera
from siteplan.scan.volume import Scan

WIDTH_MM, _PICTURE_MM = 88.0, 66.0
_PIXELS_PER_MM = 12
_BUCCAL_REACH_MM = 22.0
"""Far enough that a curved arch is not cut on its side within the picture (own choice)."""
_SPACING_MM = 0.4
_BONE, _BONE_OPACITY = "#d9cdb8", 0.42
_ABOVE_DEG = 22.0
"""The viewer stands this far above (towards the crown) of the cheek's straight view (own choice)."""


def _half_width_mm(scene: SiteScene) -> float:
    """Half of what the picture shows along the arch: bone that ends inside it would look like bone that is missing."""
    return _half_height_mm(max(scene.deepest_mm, 14.0)) * (WIDTH_MM - 2.0) / _PICTURE_MM


def _half_height_mm(deepest_mm: float) -> float:
    return deepest_mm / 2 + 7.5


def site_meshes(scan: Scan, scene: SiteScene) -> list[Mesh]:
    """Bone around the site, fixtures and structures."""
    block = sample_block(
        scan,
        scene.frame,
        depth_range_mm=(-6.0, max(scene.deepest_mm + 4.0, 18.0)),
        buccal_reach_mm=_BUCCAL_REACH_MM,
        distal_reach_mm=_half_width_mm(scene) + 1.0,
        spacing_mm=_SPACING_MM,
        smooth=False,
    )
    levels = grey_levels(scan)
    bone = bone_mesh(block, levels.bone_floor, levels.soft - 0.5 * levels.step, _BONE, _BONE_OPACITY)
    meshes = [] if bone is None else [bone]
    for fixture in (*((scene.fixture,) if scene.fixture else ()), *scene.others):
        solids = [solid for solid in (fixture.body, fixture.above) if solid is not None]
        meshes += [solid_mesh(solid, fixture.pose, palette.FIXTURE) for solid in solids]
    for shown in scene.structures:
        line = palette.LINE_OF_KIND[shown.structure.kind.value]
        meshes.append(shape_mesh(shown.structure.shape, line.colour, 0.95))
    return meshes


def camera_of(frame: SiteFrame, deepest_mm: float) -> Camera:
    """The view from the cheek, a little from the crown's side, the patient's head up."""
    tilt = np.deg2rad(_ABOVE_DEG)
    toward = np.cos(tilt) * frame.buccal - np.sin(tilt) * frame.axis
    head = frame.axis if frame.axis[2] > 0 else -frame.axis
    up = head - (head @ toward) * toward
    return Camera(
        frame.to_lps(deepest_mm / 2 - 1.5, 0, 0), toward, up / np.linalg.norm(up), _half_height_mm(deepest_mm)
    )


def solid_figure(scan: Scan, scene: SiteScene) -> Sheet:
    """Draw the 3D picture. Call only after `vtk_gateway.trial().works`."""
    camera = camera_of(scene.frame, max(scene.deepest_mm, 14.0))
    wide = WIDTH_MM - 2.0
    picture = vtk_gateway.render(
        site_meshes(scan, scene), camera, int(wide * _PIXELS_PER_MM), int(_PICTURE_MM * _PIXELS_PER_MM)
    )
    sheet = Sheet(WIDTH_MM, _PICTURE_MM + 16)
    axes = sheet.panel((1, 8, wide, _PICTURE_MM), (0, wide, 0, _PICTURE_MM))
    axes.imshow(picture, extent=(0, wide, 0, _PICTURE_MM), aspect="auto", interpolation="bilinear")
    sheet.text(1, _PICTURE_MM + 10.5, f"{scene.tooth} · Site in 3D", size=8, weight="bold")
    sheet.text(
        WIDTH_MM - 1, _PICTURE_MM + 10.5, "from the cheek, slightly from the crown", ha="right", color=palette.QUIET
    )
    _compass(sheet, camera)
    scale = _PICTURE_MM / (2 * camera.half_height_mm)
    scale_bar(sheet, (1, 3.2), scale, f"not for measuring · {scene.case_words}")
    return sheet


def _compass(sheet: Sheet, camera: Camera) -> None:
    """Three arrows with the patient's letters, as the camera sees them."""
    right = np.cross(camera.up, camera.toward)
    axes = sheet.panel((1, 8, 18, 18), (-9, 9, -9, 9))
    pairs = (((1.0, 0, 0), "L", "R"), ((0, 1.0, 0), "P", "A"), ((0, 0, 1.0), "H", "F"))
    ways = []
    for direction, name, opposite in pairs:
        way = np.array(direction)
        turned = way @ camera.toward < -0.3  # an arrow that points away from the viewer reads badly: show its opposite
        ways.append((-way, opposite) if turned else (way, name))
    for way, name in sorted(ways, key=lambda pair: float(pair[0] @ camera.toward)):
        tip = 5.6 * np.array([way @ right, way @ camera.up])
        looks = {"arrowstyle": "-|>", "color": palette.ACCENT, "lw": 1.0, "shrinkA": 0, "shrinkB": 0}
        axes.annotate("", (float(tip[0]), float(tip[1])), (0, 0), arrowprops=looks)
        spot = tip + 2.0 * tip / max(float(np.linalg.norm(tip)), 1.5)
        axes.text(spot[0], spot[1], name, size=7.5, weight="bold", ha="center", va="center", color=palette.ACCENT)
