"""Coded words: those of published vocabularies that were verified, and private ones for the rest.

A code of SNOMED CT (SCT), DICOM (DCM) or UCUM stands here only when pydicom's copy of the standard's context groups
(PS3.16) holds it. What could not be looked up there, the mandibular canal among it, gets a code of our own scheme.
"""

from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from siteplan.anatomy import Kind

PRIVATE_SCHEME = "99SITEPLAN"
"""Coding Scheme Designator; private designators start with 99 (PS3.3 section 8.2)."""
_SHORT_CODE = 16
"""Longest Code Value (SH, PS3.5 section 6.2); longer ones are Long Code Values (PS3.3 table 8.8-1a)."""
_MEANING = 64
"""Longest Code Meaning (LO, PS3.5 section 6.2)."""

ANATOMICAL_STRUCTURE: Code = codes.SCT.AnatomicalStructure
MAXILLARY_SINUS: Code = codes.SCT.MaxillarySinus
JAW_REGION: Code = codes.cid4016.JawRegion
MANDIBLE: Code = codes.cid4016.Mandible
MAXILLA: Code = codes.cid4016.Maxilla

_PLACES = (
    "CentralIncisor",
    "LateralIncisor",
    "Canine",
    "FirstPremolar",
    "SecondPremolar",
    "FirstMolar",
    "SecondMolar",
    "ThirdMolar",
)
_DECIDUOUS_PLACES = ("CentralIncisor", "LateralIncisor", "Canine", "FirstMolar", "SecondMolar")
_QUADRANTS = ("MaxillaryRight", "MaxillaryLeft", "MandibularLeft", "MandibularRight")
_IRREGULAR = {32: "MandibularLeftLateralTooth"}
"""The one name in CID 4018 that leaves its kind of tooth out."""

_KINDS: dict[Kind, str] = {
    Kind.CANAL: "Mandibular canal",
    Kind.MENTAL_FORAMEN: "Mental foramen",
    Kind.INCISIVE_CANAL: "Mandibular incisive canal",
    Kind.LINGUAL_FORAMEN: "Lingual foramen of mandible",
    Kind.SINUS_FLOOR: "Floor of maxillary sinus",
    Kind.NASAL_FLOOR: "Floor of nasal cavity",
    Kind.ROOT: "Root of tooth",
    Kind.CROWN: "Crown of tooth",
    Kind.EXISTING_FIXTURE: "Existing dental fixture",
    Kind.OTHER: "Other structure",
}


def private(value: str, meaning: str = "") -> Code:
    """A code of our own scheme; without a meaning the value itself in plain words."""
    words = meaning or value.replace("_", " ").replace("-", " ")
    return Code(value[:_MEANING], PRIVATE_SCHEME, words[:_MEANING])


def tooth_code(tooth: int) -> Code:
    """Code of a tooth by its ISO 3950 number: CID 4018 (permanent) or CID 4019 (deciduous), PS3.16."""
    quadrant, place = divmod(tooth, 10)
    if quadrant <= 4:
        jaw = _QUADRANTS[quadrant - 1]
        prefix = "Permanent" if jaw.startswith("Maxillary") else ""
        name = _IRREGULAR.get(tooth, f"{prefix}{jaw}{_PLACES[place - 1]}Tooth")
        found: Code = getattr(codes.cid4018, name)
        return found
    deciduous: Code = getattr(codes.cid4019, f"Deciduous{_QUADRANTS[quadrant - 5]}{_DECIDUOUS_PLACES[place - 1]}Tooth")
    return deciduous


def structure_code(kind: Kind) -> Code:
    """Code of a kind of structure: private, because no verified code says exactly this."""
    return private(kind.value, _KINDS[kind])


def region_code(kind: Kind, upper: bool | None = None) -> Code:
    """Verified code of the region that a structure lies in (CID 4016, or the maxillary sinus)."""
    if kind is Kind.SINUS_FLOOR:
        return MAXILLARY_SINUS
    if kind in (Kind.CANAL, Kind.MENTAL_FORAMEN, Kind.INCISIVE_CANAL, Kind.LINGUAL_FORAMEN):
        return MANDIBLE
    if kind is Kind.NASAL_FLOOR:
        return MAXILLA
    return JAW_REGION if upper is None else MAXILLA if upper else MANDIBLE


def code_item(code: Code) -> Dataset:
    """An item of a code sequence (PS3.3 section 8.8)."""
    item = Dataset()
    if len(code.value) > _SHORT_CODE:
        item.LongCodeValue = code.value
    else:
        item.CodeValue = code.value
    item.CodingSchemeDesignator = code.scheme_designator
    item.CodeMeaning = code.meaning
    return item


def scheme_item() -> Dataset:
    """Item of the Coding Scheme Identification Sequence (PS3.3 C.12.1.1.5) for our own scheme."""
    item = Dataset()
    item.CodingSchemeDesignator = PRIVATE_SCHEME
    item.CodingSchemeName = "siteplan quantities and structures"
    item.CodingSchemeResponsibleOrganization = "siteplan"
    return item
