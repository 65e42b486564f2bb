"""The form of a case bundle: which members it may have, how large they may be, and its manifest.

A bundle is a ZIP file. Everything in it is data: there is no HTML, because a page from a stranger could run something;
the receiver's own `siteplan report` makes one, with every typed word escaped. The hashes show damage and mix-ups. They
are no signature: whoever can change a member can change the manifest too.
"""

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from siteplan.errors import SiteplanError

SCHEMA = "siteplan-bundle/1"
MANIFEST, CASE, FINDINGS, SEATING = "manifest.json", "case.json", "findings.json", "case.seating.jsonl"
SERIES = "series"
"""The folder of the scan, and what a case in a bundle says under `series`."""

MEMBER = re.compile(
    r"(?:manifest\.json|case\.json|findings\.json|case\.seating\.jsonl"
    r"|report/[a-z0-9][a-z0-9-]{0,60}\.(?:pdf|png)"
    r"|files/(?:catalogue-\d{1,3}|kit|protocol|margins|calibration)\.toml"
    r"|series/\d{6}\.dcm)"
)
"""The only names that a member may have; so none leaves the folder, runs, or hides."""

MOST_MEMBERS = 20_000
"""A long series has 2000 slices; ten times that is no case (our own bound)."""
LARGEST_TEXT_BYTES = 64 << 20
"""JSON, TOML and records (our own bound; the case file's own is the same)."""
LARGEST_PICTURE_BYTES = 256 << 20
LARGEST_SLICE_BYTES = 2 << 30
"""A multi-frame file may hold the whole volume (our own bound)."""
LARGEST_TOTAL_BYTES = 8 << 30
HIGHEST_RATIO, RATIO_FROM_BYTES = 100, 1 << 20
"""A member above 1 MiB may not unpack to more than 100 times its packed size. Findings pack about 12 to 1, measured;
slices and pictures are stored unpacked."""


class BundleError(SiteplanError):
    """The bundle is damaged, hostile, or of a newer kind. Nothing of it was unpacked."""


class Entry(BaseModel):
    """One member with its length and hash."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(pattern=f"^(?:{MEMBER.pattern})$")]
    bytes: Annotated[int, Field(ge=0, le=LARGEST_SLICE_BYTES)]
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class ScanFacts(BaseModel):
    """Which scan the case was planned on. The digest is of values and geometry, so a copy elsewhere can be compared."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    included: bool
    digest: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    series_uid: Annotated[str, Field(max_length=64, pattern=r"^[0-9.]*$")] = ""
    modality: Annotated[str, Field(max_length=16, pattern="^[A-Z]*$")] = ""
    size_kji: tuple[int, int, int]
    voxel_kji_mm: tuple[float, float, float]


class Manifest(BaseModel):
    """The content of `manifest.json`; `left_out` says in sentences what a reader might look for and not find."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    schema_: Literal["siteplan-bundle/1"] = Field(alias="schema")
    software: dict[str, str]
    identity: Literal["none", "initials", "as given"]
    scan: ScanFacts
    left_out: list[str] = Field(default_factory=list, max_length=20)
    files: Annotated[list[Entry], Field(min_length=1, max_length=MOST_MEMBERS)]

    def as_json(self) -> dict[str, Any]:
        """As it is written."""
        return self.model_dump(mode="json", by_alias=True)


def largest_bytes(name: str) -> int:
    """The bound for one member."""
    if name.startswith("series/"):
        return LARGEST_SLICE_BYTES
    return LARGEST_PICTURE_BYTES if name.startswith("report/") else LARGEST_TEXT_BYTES
