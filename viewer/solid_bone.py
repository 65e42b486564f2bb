"""The bone of the 3D scene: one surface for each jaw, so that no seam between sites looks like a gap in the bone."""

from collections.abc import Sequence

import numpy as np

from siteplan.bone.levels import grey_levels
from siteplan.bone.sample import sample_block
from siteplan.case import SiteEntry
from siteplan.frame import SiteFrame
from siteplan.report.meshes import Mesh, bone_mesh
from siteplan.scan import Scan

BONE, BONE_OPACITY = "#d9cdb8", 0.5
CUT_OPACITY = 0.85
"""Of the bone that stays behind a cut: nothing lies behind it that must be seen."""
REACH_MM = 16.0
DEPTH_RANGE_MM = (-7.0, 24.0)
SPACING_MM = 0.5
CUT_HALF_MM = 7.0
"""Half length along the arch of what is taken away at the site (own choice)."""


def jaw_bones(scan: Scan, entries: Sequence[SiteEntry], cut_at: int | None) -> list[Mesh]:
    """The bone around the sites of each jaw; `cut_at` names the tooth at which its cheek side is taken away.

    Raises:
        GeometryError: no part of a jaw's box lies inside the scan.
    """
    levels = grey_levels(scan)
    meshes = []
    for jaw in sorted({entry.jaw for entry in entries}):
        sites = [entry for entry in entries if entry.jaw == jaw]
        frame, depth, buccal, distal = _box(sites)
        block = sample_block(
            scan,
            frame,
            depth_range_mm=depth,
            buccal_reach_mm=buccal,
            distal_reach_mm=distal,
            spacing_mm=SPACING_MM,
            smooth=False,
        )
        bone = bone_mesh(block, levels.bone_floor, levels.soft - 0.5 * levels.step, BONE, BONE_OPACITY)
        if bone is None:
            continue
        cut = next((entry for entry in sites if entry.tooth == cut_at), None)
        meshes += [bone] if cut is None else _cut(bone, cut)
    return meshes


def _box(sites: Sequence[SiteEntry]) -> tuple[SiteFrame, tuple[float, float], float, float]:
    """A frame like that of the middle site, and how far a box in it must reach to hold the bone of all sites (mm)."""
    crests = np.array([site.crest_mm for site in sites])
    origin = crests.mean(axis=0)
    middle = sites[int(np.argmin(np.linalg.norm(crests - origin, axis=1)))].frame()
    frame = SiteFrame(origin, middle.axis, middle.buccal, middle.distal)
    local = frame.from_lps(crests)
    depth = (float(local[:, 0].min()) + DEPTH_RANGE_MM[0], float(local[:, 0].max()) + DEPTH_RANGE_MM[1])
    aside = np.abs(local[:, 1:]).max(axis=0) + REACH_MM
    return frame, depth, float(aside[0]), float(aside[1])


def _cut(bone: Mesh, entry: SiteEntry) -> list[Mesh]:
    """The surface without the cheek side of a site; what then shows inside the site is drawn denser."""
    local = entry.frame().from_lps(bone.points_lps_mm)[bone.triangles]
    here = (np.abs(local[..., 2]) <= CUT_HALF_MM).all(axis=1)
    cheek = (local[..., 1] >= 0).any(axis=1)
    rest = Mesh(bone.points_lps_mm, bone.triangles[~here], bone.colour, bone.opacity)
    inner = Mesh(bone.points_lps_mm, bone.triangles[here & ~cheek], bone.colour, CUT_OPACITY)
    return [rest, inner]
