"""`Context`: what every object of one export says alike: patient, study, source images, and how much of it is told."""

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from uuid import UUID, uuid4

from siteplan.report.identity import Identity, initials
from siteplan.scan.volume import Patient, Scan

_DATE = re.compile(r"\d{8}")
_TIME = re.compile(r"\d{2}(\d{2}(\d{2}(\.\d{1,6})?)?)?")


def new_uid() -> str:
    """A unique identifier that was never used before (PS3.5 B.2: a random UUID under the root 2.25)."""
    return f"2.25.{uuid4().int}"


@dataclass(frozen=True, slots=True)
class ImageReference:
    """A stored image of the source series; `frame` counts from 1, 0 in an instance with a single frame."""

    sop_class_uid: str
    instance_uid: str
    frame: int


@dataclass(frozen=True, slots=True)
class NewSeries:
    """A series that an export adds to the study; one for each kind of object."""

    modality: str
    number: int
    description: str
    uid: str = field(default_factory=new_uid)


@dataclass(frozen=True, eq=False)
class Context:
    """What objects say of patient and source, already as `identity` wants it.

    Objects are built from this and from geometry alone, so what is not here cannot reach them: that is the allow-list.

    Attributes:
        made: time of the export; written unless identity is NONE.
        patient, study_*, accession_number: "" where not told.
        study_uid, series_uid, frame_of_reference_uid: those of the scan, or what a keyed hash made of them.
        images: (K,) the stored image of each slice of the scan; () where the scan was not read from images.
        on_grid: whether voxels of the scan are the stored pixels of these images.
    """

    identity: Identity
    made: datetime
    patient: Patient = field(repr=False)
    study_uid: str
    series_uid: str
    frame_of_reference_uid: str
    modality: str
    study_date: str = field(default="", repr=False)
    study_time: str = field(default="", repr=False)
    study_id: str = field(default="", repr=False)
    accession_number: str = field(default="", repr=False)
    images: tuple[ImageReference, ...] = field(default=(), repr=False)
    on_grid: bool = True

    @property
    def removed(self) -> bool:
        """Whether the set claims the Basic Profile of PS3.15 Annex E."""
        return self.identity is Identity.NONE

    @property
    def instances(self) -> tuple[ImageReference, ...]:
        """Each stored instance once, in order."""
        return tuple({image.instance_uid: replace(image, frame=0) for image in self.images}.values())


def context_of(scan: Scan, identity: Identity, *, made: datetime | None = None, key: bytes | None = None) -> Context:
    """The context of one export.

    Args:
        identity: AS_GIVEN repeats patient, study and unique identifiers of the scan. NONE follows the Basic Profile
            (PS3.15 table E.1-1): no patient, no dates, mapped unique identifiers. INITIALS: initials as the name,
            mapped unique identifiers, and no claim of a profile.
        key: secret of the keyed hash (HMAC-SHA-256). Without one it is drawn anew and forgotten, so that two exports
            cannot be joined and nobody can go back; whoever wants later exports to match keeps a key of 32 bytes.
    """
    facts, source = scan.series, scan.source
    secret = key or secrets.token_bytes(32)
    keeps = identity is Identity.AS_GIVEN

    def uid(given: str) -> str:
        if not given:
            return new_uid()
        return given if keeps else mapped_uid(given, secret)

    images = tuple(
        ImageReference(facts.sop_class_uid, uid(instance), frame)
        for instance, frame in zip(source.instance_uids, source.frames, strict=True)
        if instance
    )
    return Context(
        identity,
        made or datetime.now(UTC),
        _patient(scan.patient, identity, hashed_identifier(facts.study_uid, secret)),
        uid(facts.study_uid),
        uid(facts.series_uid),
        uid(facts.frame_of_reference_uid),
        facts.modality or "CT",
        _valid(facts.study_date, _DATE) if keeps else "",
        _valid(source.study_time, _TIME) if keeps else "",
        source.study_id if keeps else "",
        source.accession_number if keeps else "",
        images if len(images) == len(scan.voxels) else (),
        source.on_grid,
    )


def mapped_uid(given: str, secret: bytes) -> str:
    """Another unique identifier for a given one: the same for the same secret, and no way back without it."""
    digest = hmac.new(secret, given.encode(), hashlib.sha256).digest()
    return f"2.25.{UUID(bytes=digest[:16], version=5).int}"


def hashed_identifier(study_uid: str, secret: bytes) -> str:
    """A patient identifier that only holds the objects of one export together."""
    return "removed-" + hmac.new(secret, b"patient " + study_uid.encode(), hashlib.sha256).hexdigest()[:16]


def _patient(given: Patient, identity: Identity, stand_in: str) -> Patient:
    if identity is Identity.NONE:
        return Patient("", stand_in, "", "")
    if identity is Identity.INITIALS:
        return Patient(initials(given), stand_in, "", "")
    sex = given.sex if given.sex in ("M", "F", "O") else ""
    return Patient(given.name, given.identifier, _valid(given.birth_date, _DATE), sex)


def _valid(text: str, pattern: re.Pattern[str]) -> str:
    """A date or a time that is one; anything else would make the whole object invalid."""
    return text if pattern.fullmatch(text) else ""
