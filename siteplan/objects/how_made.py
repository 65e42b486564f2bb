"""How a structure came about, as segmentations say it: by hand, or traced by the program and confirmed or not."""

from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from siteplan.anatomy import MadeBy, Structure

_NAMES = {
    MadeBy.DRAWN: "drawn",
    MadeBy.CONFIRMED: "traced by the program, confirmed by a person",
    MadeBy.FOUND: "traced by the program, not confirmed by a person",
}
"""Algorithm Name (LO: 64 characters, PS3.5 section 6.2)."""


def algorithm_type(structure: Structure) -> str:
    """Segment Algorithm Type (PS3.3 C.8.20.2): a person's points, or a trace that began with some."""
    return "MANUAL" if structure.made_by is MadeBy.DRAWN else "SEMIAUTOMATIC"


def algorithm_name(structure: Structure) -> str:
    """What made it; a reader sees there that nobody has confirmed it."""
    return _NAMES[structure.made_by]


def algorithm_family(structure: Structure) -> Code:
    """Of CID 7162: the finders fit blurred edges between tissues."""
    by_hand: Code = codes.cid7162.ManualProcessing
    traced: Code = codes.cid7162.EdgeDetection
    return by_hand if structure.made_by is MadeBy.DRAWN else traced
