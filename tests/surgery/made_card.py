"""Cards for tests: one site in free space, a straight canal under it, classes of bone at will."""

import numpy as np

from siteplan.anatomy import Kind, Structure, Tube
from siteplan.bone import DensityClass
from siteplan.fixture import Pose, load_catalogue
from siteplan.frame import site_frame
from siteplan.measures import Measure
from siteplan.placement import load_margins
from siteplan.surgery import load_kit, load_protocol, prepare
from siteplan.surgery.kit import Purpose

FRAME = site_frame((3.0, -20.0, 5.0), (0.05, -0.1, -1.0), (1.0, 0.0, 0.0), 36)
CATALOGUE, KIT, PROTOCOL, MARGINS = load_catalogue(), load_kit(), load_protocol(), load_margins()
CORTEX = Measure(1.4, "mm", 1.0, 1.9)
ORDER = list(Purpose)


def classes(**shares):
    return DensityClass("five-class", max(shares, key=shares.get), shares, True, "", "")


def canal(roof_mm, radius_mm=1.5, buccal_mm=0.0):
    """A straight canal across the axis, its roof `roof_mm` below the bone entry."""
    ends = [FRAME.to_lps(roof_mm + radius_mm, buccal_mm, distal) for distal in (-15.0, 15.0)]
    return Structure(Kind.CANAL, "canal", Tube(np.array(ends), np.full(2, radius_mm)))


def card(name, density=None, jaw="lower", platform_mm=0.0, approach="flap", gum=None, structures=(), **more):
    given = {"kit": KIT, "protocol": PROTOCOL, "cortex": CORTEX} | more
    fixture = name if not isinstance(name, str) else CATALOGUE.get(name)
    pose = Pose(FRAME.to_lps(platform_mm, 0.0, 0.0), FRAME.axis)
    return prepare(
        fixture, pose, FRAME, approach=approach, soft_tissue_mm=gum, density=density, jaw=jaw,
        structures=list(structures), margins=MARGINS, **given,
    )  # fmt: skip


def names(steps):
    return [step.drill.name for step in steps]
