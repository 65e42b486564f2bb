"""Sections of a site to leaf through: beside the axis, around it, and the 3D picture turned, each with its outlines."""

import base64
from collections.abc import Iterator
from dataclasses import dataclass, replace
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from siteplan.bone.sample import block_spacing, sample_block
from siteplan.errors import GeometryError
from siteplan.frame import SiteFrame
from siteplan.report import palette, vtk_gateway
from siteplan.report.cuts import Bounds, Outline, cut_shape, cut_solid, height_over_plane
from siteplan.report.palette import Line
from siteplan.report.plane import Plane, Section, across_plane, block_section, letters
from siteplan.report.scene import GreyRange, ShownFixture, ShownStructure, SiteScene
from siteplan.report.solid_figure import camera_of, site_meshes
from siteplan.report.vtk_gateway import Camera
from siteplan.scan.volume import Scan

BESIDE_MM = 8
"""Sections lie each millimetre up to this far mesially and distally of the axis."""
AROUND_DEG = 10
TURN_DEG = 15
_HALF_MM, _ABOVE_MM = 13.0, 7.0
_PIXELS_PER_MM = 9
_JPEG_QUALITY = 82
_SOLID_PIXELS = (440, 400)
_MOST_POINTS = 140
"""Points of one outline in the page; more cannot be seen at this size."""


@dataclass(frozen=True)
class Stroke:
    """One drawn line: which switch shows it, its path in millimetres (y downwards), its looks."""

    layer: str
    path: str
    line: Line


@dataclass(frozen=True)
class Frame:
    """One picture of a stack: grey values as a data address, lines over it, words for its place and its two sides."""

    src: str
    place: str
    left: str = ""
    right: str = ""
    strokes: tuple[Stroke, ...] = ()
    marks: tuple[tuple[float, float, str, str], ...] = ()
    width_px: int = 0
    height_px: int = 0


def view_box(scene: SiteScene) -> Bounds:
    """Left, right, bottom, top (mm, head up) of every section of a site."""
    bottom = float(np.clip(scene.deepest_mm + 3.0, 16.0, 34.0))
    low, high = (-_ABOVE_MM, bottom) if scene.upper else (-bottom, _ABOVE_MM)
    return -_HALF_MM, _HALF_MM, low, high


def beside_frames(scan: Scan, scene: SiteScene, grey: GreyRange) -> list[Frame]:
    """Buccolingual sections next to each other, mesial ones first."""
    out = []
    for offset in range(-BESIDE_MM, BESIDE_MM + 1):
        origin = scene.frame.to_lps(0.0, 0.0, float(offset))
        frame = replace(scene.frame, origin_lps_mm=origin)
        side = "distal" if offset > 0 else "mesial"
        place = "through the axis" if offset == 0 else f"{abs(offset)} mm {side} of the axis"
        out.append(_frame(scan, scene, frame, grey, place))
    return out


def around_frames(scan: Scan, scene: SiteScene, grey: GreyRange) -> list[Frame]:
    """Sections through the axis, turned around it; the first is the buccolingual one."""
    base = scene.frame
    out = []
    for angle in range(0, 180, AROUND_DEG):
        turn = np.deg2rad(angle)
        buccal = np.cos(turn) * base.buccal + np.sin(turn) * base.distal
        distal = np.cos(turn) * base.distal - np.sin(turn) * base.buccal
        frame = SiteFrame(base.origin_lps_mm, base.axis, buccal, distal)
        words = {0: " (buccopalatal)" if scene.upper else " (buccolingual)", 90: " (mesiodistal)"}.get(angle, "")
        out.append(_frame(scan, scene, frame, grey, f"turned {angle}° from buccal towards distal{words}"))
    return out


def turning_frames(scan: Scan, scene: SiteScene) -> list[Frame]:
    """The 3D picture from all sides; empty where this machine cannot draw it."""
    if not vtk_gateway.trial().works:
        return []
    try:
        meshes = site_meshes(scan, scene)
    except GeometryError:
        return []
    start = camera_of(scene.frame, max(scene.deepest_mm, 14.0))
    head = np.array([0.0, 0.0, 1.0])
    angles = range(0, 360, TURN_DEG)
    cameras = [replace(start, toward=_turned(start.toward, head, a), up=_turned(start.up, head, a)) for a in angles]
    pictures = vtk_gateway.render_all(meshes, cameras, *_SOLID_PIXELS)
    return [_turned_frame(camera, p) for camera, p in zip(cameras, pictures, strict=True)]


def _turned_frame(camera: Camera, picture: NDArray[np.uint8]) -> Frame:
    wide, tall = _SOLID_PIXELS
    return Frame(_jpeg(picture), f"seen from {_level(camera.toward)}", width_px=wide, height_px=tall)


def _level(toward: NDArray[np.float64]) -> str:
    """The patient's letters for a direction, up and down left aside."""
    flat = toward * np.array([1.0, 1.0, 0.0])
    return letters(flat / max(float(np.linalg.norm(flat)), 1e-9))


def _turned(vector: NDArray[np.float64], about: NDArray[np.float64], angle_deg: float) -> NDArray[np.float64]:
    """Rodrigues' rotation formula."""
    a = np.deg2rad(angle_deg)
    along = np.cross(about, vector) * np.sin(a) + about * (about @ vector) * (1 - np.cos(a))
    return np.asarray(vector * np.cos(a) + along)


def _frame(scan: Scan, scene: SiteScene, frame: SiteFrame, grey: GreyRange, place: str) -> Frame:
    bounds = view_box(scene)
    plane = across_plane(frame)
    depth = (-bounds[3], -bounds[2]) if not scene.upper else (bounds[2], bounds[3])
    try:
        block = sample_block(
            scan,
            frame,
            depth_range_mm=depth,
            buccal_reach_mm=_HALF_MM,
            distal_reach_mm=0.0,
            spacing_mm=min(block_spacing(scan), 0.25),
        )
        src = _grey_jpeg(block_section(block, plane), bounds, grey)
    except GeometryError:
        src = ""
    cut = _cuts(plane, scene, bounds)
    return Frame(
        src,
        place,
        _side(-plane.right, frame, scene),
        _side(plane.right, frame, scene),
        tuple(_strokes(plane, scene, bounds, cut)),
        tuple(_marks(cut, bounds)),
        *_size_px(bounds),
    )


def _side(way: NDArray[np.float64], frame: SiteFrame, scene: SiteScene) -> str:
    """The trade's word for a side where one clearly holds, then the patient's letters."""
    buccal, distal = scene.frame.buccal, scene.frame.distal
    names = (("buccal", buccal), (scene.inner_side, -buccal), ("distal", distal), ("mesial", -distal))
    word = max(names, key=lambda pair: float(pair[1] @ way))
    clear = float(word[1] @ way) > np.cos(np.deg2rad(30.0))
    return f"{word[0]} · {letters(way)}" if clear else letters(way)


def _strokes(
    plane: Plane, scene: SiteScene, bounds: Bounds, cut: list[tuple[ShownStructure, list[Outline]]]
) -> Iterator[Stroke]:
    fixtures: list[ShownFixture] = [*((scene.fixture,) if scene.fixture else ()), *scene.others]
    for fixture in fixtures:
        pairs = ((fixture.body, palette.FIXTURE_BODY), (fixture.above, palette.FIXTURE_BODY))
        for solid, line in (*pairs, (fixture.core, palette.FIXTURE_CORE)):
            if solid is not None:
                outlines = cut_solid(solid, fixture.pose, plane, bounds)
                yield from (Stroke("fixture", _path(outline), line) for outline in outlines)
    for shown, outlines in cut:
        shape, line = shown.structure.shape, palette.LINE_OF_KIND[shown.structure.kind.value]
        yield from (Stroke("structures", _path(outline), line) for outline in outlines)
        if shown.margin_mm and abs(height_over_plane(shape, plane)) <= shown.margin_mm:
            fine = Line(line.colour, palette.Dash.FINE, 0.7, "")
            for outline in cut_shape(shape, plane, bounds, shown.line_mm):
                yield Stroke("margins", _path(outline), fine)


def _cuts(plane: Plane, scene: SiteScene, bounds: Bounds) -> list[tuple[ShownStructure, list[Outline]]]:
    """Each structure with its outlines in the plane."""
    return [
        (s, cut_shape(s.structure.shape, plane, bounds) if height_over_plane(s.structure.shape, plane) == 0 else [])
        for s in scene.structures
    ]


def _marks(cut: list[tuple[ShownStructure, list[Outline]]], bounds: Bounds) -> Iterator[tuple[float, float, str, str]]:
    """Letters of structures beside their outlines: x, y (downwards), letter, colour."""
    for shown, outlines in cut:
        points = np.concatenate(outlines) if outlines else np.empty((0, 2))
        inside = points[(np.abs(points[:, 0]) < _HALF_MM - 1.5) & (points[:, 1] > bounds[2] + 1)]
        inside = inside[inside[:, 1] < bounds[3] - 1]
        if len(inside):
            u, v = inside[np.argmax(inside[:, 0])]
            yield float(u) + 0.5, float(-v) + 0.5, shown.letter, palette.LINE_OF_KIND[shown.structure.kind.value].colour


def _path(outline: Outline) -> str:
    step = max(1, len(outline) // _MOST_POINTS)
    kept = np.vstack([outline[:-1:step], outline[-1:]]) if len(outline) > 2 else outline
    return "M" + "L".join(f"{u:.2f} {-v:.2f}" for u, v in kept)


def _grey_jpeg(section: Section, bounds: Bounds, grey: GreyRange) -> str:
    """The section cropped to the bounds, outside the scan in a flat dark blue-grey that is no grey value."""
    scaled = np.clip((section.grey - grey.low) / (grey.high - grey.low), 0, 1) * 255
    outside = ~np.isfinite(scaled)
    flat = np.where(outside, 0, scaled).astype(np.uint8)
    picture = np.stack([flat] * 3, axis=-1)
    picture[outside] = (32, 44, 56)
    image = Image.fromarray(picture[::-1])
    left, right, bottom, top = section.extent_mm
    wide, tall = section.grey.shape[1], section.grey.shape[0]
    box = (
        (bounds[0] - left) / (right - left) * wide,
        (top - bounds[3]) / (top - bottom) * tall,
        (bounds[1] - left) / (right - left) * wide,
        (top - bounds[2]) / (top - bottom) * tall,
    )
    size = _size_px(bounds)
    held = (max(box[0], 0), max(box[1], 0), min(box[2], wide), min(box[3], tall))
    return _jpeg(np.asarray(image.resize(size, Image.Resampling.BICUBIC, box=held)))


def _size_px(bounds: Bounds) -> tuple[int, int]:
    return round((bounds[1] - bounds[0]) * _PIXELS_PER_MM), round((bounds[3] - bounds[2]) * _PIXELS_PER_MM)


def _jpeg(picture: NDArray[np.uint8]) -> str:
    stream = BytesIO()
    Image.fromarray(picture).save(stream, format="JPEG", quality=_JPEG_QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(stream.getvalue()).decode()
