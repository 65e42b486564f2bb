"""Edges on the axis below the crestal cortex, from fitted layers or by the half-maximum rule."""

from collections.abc import Mapping
from dataclasses import replace
from typing import TypeVar

import numpy as np

from siteplan.bone.block import SiteBlock
from siteplan.bone.canal import fit_canal
from siteplan.bone.canal_spots import dark_spots
from siteplan.bone.floor import Array, Below, Layer, LayerStart, find_layers
from siteplan.bone.floor_fit import fit_layer
from siteplan.bone.levels import GreyLevels
from siteplan.bone.reading import BelowCrest, Edge
from siteplan.bone.section import Section
from siteplan.bone.shell_fit import ShellFit
from siteplan.flags import Flag

_T = TypeVar("_T")
_NONE = Edge(None, None, (Flag.NO_SECOND_CORTEX,))
_SAME_MM = 1.0
"""A canal's lumen and a filled cavity that begin this close to each other are one thing (our own)."""
_WALL_MM = 0.4
"""A plate that begins this much before a canal's wall is not that wall (our own)."""
_OBSCURE_LOG_SD = 0.35
"""Log thickness known no better than this: the scan cannot tell thickness from density."""


def nothing_below(edge: Edge = _NONE) -> BelowCrest:
    """No structure below the crest, for the reason in `edge`."""
    return BelowCrest(edge, edge, edge, _no_canal(edge), _no_canal(edge))


def _no_canal(none: Edge) -> Edge:
    """The same absence, said of a canal."""
    told = (Flag.NO_CANAL_TOLD if flag is Flag.NO_SECOND_CORTEX else flag for flag in none.flags)
    return replace(none, flags=tuple(told))


def fitted_below(
    block: SiteBlock, section: Section, levels: GreyLevels, fit: ShellFit, slice_dir: Array, crest_end_mm: float
) -> BelowCrest:
    """Layers fitted with the cortex level and the blur of the site's shell."""
    parts = fit.layout.slices()
    cortex = float(fit.theta[parts[6]][0])
    cortex_sd = float(np.sqrt(fit.covariance[parts[6], parts[6]][0, 0]))
    along, across = np.exp(fit.theta[parts[7]])
    cortex_sd = float(np.hypot(cortex_sd, 0.04 * (cortex - levels.soft)))
    found: dict[Below, Layer] = {}
    for start in find_layers(block, section, levels, crest_end_mm):
        if start.below in found or (start.below is Below.OUTSIDE and Below.FILLED in found):
            continue
        blur = (float(along), float(across))
        noise = (fit.noise_inside, fit.spread_inside)
        if start.below is Below.CANAL:
            layer = fit_canal(block, section, start, levels, blur, slice_dir, *noise)
        else:
            layer = fit_layer(block, start, levels, (cortex, cortex_sd), blur, slice_dir, *noise)
            if start.below is Below.FILLED and _walls(layer, found.get(Below.CANAL)):
                continue
        # Marrow between two plates is dark too, but a canal's wall cannot lie in the crestal cortex.
        if layer is not None and (start.below is not Below.CANAL or layer.near_mm > crest_end_mm):
            found[start.below] = layer
    if Below.CANAL not in found:
        blur = (float(along), float(across))
        floor = _floor(found)
        for spot in dark_spots(block, section, levels, crest_end_mm, None if floor is None else floor.near_mm):
            start = LayerStart(Below.CANAL, spot.depth_mm, spot.bone, spot.dark)
            noise = (fit.noise_inside, fit.spread_inside)
            at = (spot.depth_mm, spot.buccal_mm)
            layer = fit_canal(block, section, start, levels, blur, slice_dir, *noise, centre=at)
            if layer is not None and layer.near_mm > crest_end_mm:
                found[Below.CANAL] = layer
                break
    return _from_layers(found, block)


def _walls(layer: Layer | None, canal: Layer | None) -> bool:
    """Whether the floor of what may be a filled cavity is the wall of a canal that was told."""
    if layer is None or canal is None or not _same(canal.far_mm, layer.far_mm):
        return False
    return layer.near_mm > canal.near_mm - _WALL_MM


def _same(lumen_mm: float | None, filled_mm: float) -> bool:
    """Whether what may be a filled cavity is the lumen of a canal that was told."""
    return lumen_mm is not None and abs(lumen_mm - filled_mm) < _SAME_MM


def _floor(found: Mapping[Below, _T]) -> _T | None:
    """What ends the bone: the floor of a cavity before the far plate."""
    return next((found[kind] for kind in (Below.CAVITY, Below.FILLED, Below.OUTSIDE) if kind in found), None)


def _from_layers(found: dict[Below, Layer], block: SiteBlock) -> BelowCrest:
    canal = found.get(Below.CANAL)
    floor = _floor(found)
    none = _why_none(block)
    wall = lumen = _no_canal(none)
    if canal is not None:
        flags = (Flag.THICKNESS_OR_DENSITY,) if canal.log_t_sd > _OBSCURE_LOG_SD else ()
        wall, lumen = Edge(canal.near_mm, canal.near_sd_mm, flags), Edge(canal.far_mm, canal.far_sd_mm)
    if floor is None:
        return BelowCrest(none, none, none, wall, lumen)
    flags = (Flag.THICKNESS_OR_DENSITY,) if floor.log_t_sd > _OBSCURE_LOG_SD else ()
    if floor.below is Below.FILLED:
        flags = (*flags, Flag.DARK_BEYOND)
    return BelowCrest(
        Edge(floor.near_mm, floor.near_sd_mm, flags),
        Edge(floor.far_mm, floor.far_sd_mm),
        Edge(floor.far_mm - floor.near_mm, floor.thickness_sd_mm, flags),
        wall,
        lumen,
        Below.CAVITY in found,
    )


def _why_none(block: SiteBlock) -> Edge:
    b, m = int(np.argmin(np.abs(block.buccal_mm))), int(np.argmin(np.abs(block.distal_mm)))
    whole = bool(np.isfinite(block.values[block.depth_mm >= 0, b, m]).all())
    return _NONE if whole else Edge(None, None, (Flag.NO_SECOND_CORTEX, Flag.EDGE_OF_VOLUME))


def half_maximum_below(
    block: SiteBlock, section: Section, levels: GreyLevels, line: Array, crest_end_mm: float
) -> BelowCrest:
    """The same by the half-maximum rule on the profile `line` (D,)."""
    none = _why_none(block)
    edges: dict[Below, tuple[Edge, Edge]] = {}
    for start in find_layers(block, section, levels, crest_end_mm):
        if start.below is Below.FILLED and Below.CANAL in edges and _same(edges[Below.CANAL][1].at_mm, start.at_mm):
            continue
        edges.setdefault(start.below, _half_maximum(block.depth_mm, line, start))
    wall, lumen = edges.get(Below.CANAL, (_no_canal(none), _no_canal(none)))
    second, end = _floor(edges) or (none, none)
    if Below.FILLED in edges and Below.CAVITY not in edges:
        second = replace(second, flags=(*second.flags, Flag.DARK_BEYOND))
    thick = none
    if second.at_mm is not None and end.at_mm is not None:
        thick = Edge(end.at_mm - second.at_mm)
    return BelowCrest(second, end, thick, wall, lumen, Below.CAVITY in edges)


def _half_maximum(z: Array, line: Array, start: LayerStart) -> tuple[Edge, Edge]:
    """Upper and lower edge of the layer that ends near `start.at_mm`."""
    zone = np.flatnonzero((z > start.at_mm - 1.6) & (z < start.at_mm + 0.4))
    if len(zone) < 3 or not np.isfinite(line[zone]).all():
        return _NONE, _NONE
    top = int(zone[np.argmax(line[zone])])
    peak = float(line[top])
    far = _cross(z, line, top, (peak + start.beyond) / 2, 1)
    near = _cross(z, line, top, (peak + start.bone) / 2, -1) if peak > start.bone else far
    return near, far


def _cross(z: Array, line: Array, i: int, level: float, step: int) -> Edge:
    while 0 <= i + step < len(line) and np.isfinite(line[i + step]):
        if line[i + step] <= level:
            share = (line[i] - level) / max(float(line[i] - line[i + step]), 1e-9)
            return Edge(float(z[i] + share * (z[i + step] - z[i])))
        i += step
    return _NONE
