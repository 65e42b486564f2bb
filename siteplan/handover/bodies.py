"""What is handed over as meshes: each fixture, what stands above it, each structure, the bone around the sites."""

from dataclasses import dataclass

import numpy as np

from siteplan.anatomy import Surface
from siteplan.findings import Findings, PlacedFixture
from siteplan.handover.bone_surface import METHOD, bone_surface
from siteplan.report import palette
from siteplan.report.closed_mesh import ClosedMesh, closed_shape, revolved
from siteplan.report.identity import Identity
from siteplan.report.naming import Naming
from siteplan.scan.volume import Scan

BONE_COLOUR, BONE_OPACITY = "#d9cdb8", 0.45


@dataclass(frozen=True, eq=False)
class Body:
    """One thing in space.

    Attributes:
        name: for files and scenes: tooth by ISO 3950 or letter and kind; never what a person typed.
        what: one sentence about it.
        closed: it encloses a volume, so that it can be printed or subtracted.
    """

    name: str
    what: str
    mesh: ClosedMesh
    colour: str
    opacity: float = 1.0
    closed: bool = True


def bodies_of(findings: Findings, scan: Scan) -> list[Body]:
    """All bodies of a case, in the order of its sites and structures, bone last."""
    out = [body for site in findings.sites for body in _fixture_bodies(site.entry.tooth, site.placed)]
    naming = Naming.of(findings.structures, Identity.NONE)
    for structure in findings.structures:
        words = naming.name(structure.name)
        closed = not isinstance(structure.shape, Surface) or structure.shape.closed
        name = f"structure-{naming.letter(structure.name)}-{'-'.join(_plain(structure.kind.value, structure.side))}"
        colour = palette.LINE_OF_KIND[structure.kind.value].colour
        what = f"{words}, {structure.made_by.value}, surface known to {structure.uncertainty_mm:g} mm (one SD)"
        out.append(Body(name, what, closed_shape(structure.shape), colour, 0.95, closed))
    bone = bone_surface(scan, _planned_points(findings))
    if bone is not None:
        out.append(Body("bone-around-sites", f"bone: {METHOD}", bone, BONE_COLOUR, BONE_OPACITY))
    return out


def _fixture_bodies(tooth: int, placed: PlacedFixture | None) -> list[Body]:
    if placed is None:
        return []
    fixture, pose = placed.fixture, placed.pose
    envelope = f"planned fixture at tooth {tooth} (ISO 3950), outer envelope over the thread crests, no thread"
    above = f"gum passage and abutment of the fixture at tooth {tooth} (ISO 3950)"
    return [
        Body(f"site-{tooth}-fixture", envelope, revolved(fixture.body, pose), palette.FIXTURE),
        Body(f"site-{tooth}-abutment", above, revolved(fixture.above, pose), palette.FIXTURE, 0.9),
    ]


def _plain(kind: str, side: str) -> list[str]:
    return [word for word in (side, *kind.split("-")) if word]


def _planned_points(findings: Findings) -> np.ndarray:
    points = [np.asarray(site.entry.crest_mm, dtype=np.float64) for site in findings.sites]
    points += [site.placed.pose.point(site.placed.fixture.length_mm) for site in findings.sites if site.placed]
    return np.stack(points)
