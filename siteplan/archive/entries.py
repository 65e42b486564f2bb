"""What an archive answers, checked at the door: identifiers are identifiers, text is text, and no more than asked."""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import Any

from siteplan.errors import ArchiveError
from siteplan.scan.identity import without_names
from siteplan.scan.volume import Patient

MOST_STUDIES = 200
"""Studies of one answer that are looked at. A patient has a handful; more means that the search must be narrowed."""

MOST_SERIES = 1000
MOST_OBJECTS = 20000
"""Objects of one series that are accepted: ten times the slices of the tallest cone-beam volume (our own bound)."""

_UID = re.compile(r"[0-9]+(\.[0-9]+)*\Z")
_LONGEST_TEXT = 64


def is_uid(text: str) -> bool:
    """Digits and dots, at most 64 characters (DICOM PS3.5 section 9.1); leading zeros are let pass as they occur."""
    return len(text) <= 64 and _UID.match(text) is not None


def uid_given(text: str, what: str) -> str:
    """A UID that a person typed.

    Raises:
        ArchiveError: it is none.
    """
    if not is_uid(text):
        raise ArchiveError(f"a {what} is digits and dots, at most 64 characters; copy it from the listing.")
    return text


def clean(text: object) -> str:
    """Text of an archive fit for a terminal: printable characters only, cut to 64."""
    return "".join(letter for letter in str(text) if letter.isprintable()).strip()[:_LONGEST_TEXT]


def count(text: object) -> int | None:
    """A number of things, None where the archive gives none."""
    found = str(text).strip()
    return int(found) if found.isascii() and found.isdigit() and len(found) < 10 else None


@dataclass(frozen=True, slots=True)
class Query:
    """What is looked for. Empty parts are not asked about.

    Attributes:
        patient_id, patient_name: as the archive has them; a name may hold * and ?. Kept out of `repr`.
        date_from, date_to: YYYYMMDD.
        modality: "CT" and the like.
        study_uid: when the study is known already.
    """

    patient_id: str = field(default="", repr=False)
    patient_name: str = field(default="", repr=False)
    date_from: str = ""
    date_to: str = ""
    modality: str = ""
    study_uid: str = ""

    def keys(self) -> dict[str, str]:
        """DICOM keywords and the values to match (PS3.4 section C.2.2.2); "-" parts the ends of a range."""
        dates = f"{self.date_from}-{self.date_to}" if self.date_from or self.date_to else ""
        if self.date_from and self.date_from == self.date_to:
            dates = self.date_from
        found = {
            "PatientID": self.patient_id,
            "PatientName": self.patient_name,
            "StudyDate": dates,
            "ModalitiesInStudy": self.modality,
            "StudyInstanceUID": self.study_uid,
        }
        return {key: value for key, value in found.items() if value}


@dataclass(frozen=True, slots=True)
class StudyRow:
    """One study as the archive lists it. `description` is free of the patient's name; counts are None when not told."""

    uid: str
    date: str
    description: str
    modalities: tuple[str, ...]
    series: int | None
    objects: int | None
    patient: Patient = field(default_factory=Patient)


@dataclass(frozen=True, slots=True)
class SeriesRow:
    """One series as the archive lists it. `objects` is the number of files, None when not told."""

    uid: str
    study_uid: str
    modality: str
    description: str
    date: str
    objects: int | None


@dataclass(frozen=True, slots=True)
class Instance:
    """One object of a series. `sop_class` is "" when the archive does not tell."""

    uid: str
    sop_class: str = ""


STUDY_FIELDS = (
    "StudyInstanceUID",
    "StudyDate",
    "StudyDescription",
    "ModalitiesInStudy",
    "NumberOfStudyRelatedSeries",
    "NumberOfStudyRelatedInstances",
    "PatientName",
    "PatientID",
    "PatientBirthDate",
)
SERIES_FIELDS = (
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "Modality",
    "SeriesDescription",
    "SeriesDate",
    "NumberOfSeriesRelatedInstances",
)
INSTANCE_FIELDS = ("SOPInstanceUID", "SOPClassUID", "SeriesInstanceUID", "StudyInstanceUID")

Answer = dict[str, Any]
"""Values by keyword: a string, or a list of strings where several may be."""


def study_rows(answers: Iterable[Answer], query: Query) -> list[StudyRow]:
    """Rows of a study answer, newest first; studies of patients that were not asked for are left out.

    An archive may ignore a key that it does not support, and would then offer another patient's study.
    """
    rows: dict[str, StudyRow] = {}
    for answer in answers:
        uid = str(answer.get("StudyInstanceUID", ""))
        patient = Patient(*(clean(answer.get(key, "")) for key in ("PatientName", "PatientID", "PatientBirthDate")))
        if not is_uid(uid) or (query.study_uid and uid != query.study_uid):
            continue
        if not _is_asked_for(patient, query):
            continue
        rows[uid] = StudyRow(
            uid,
            clean(answer.get("StudyDate", "")),
            without_names([patient])(clean(answer.get("StudyDescription", ""))),
            tuple(clean(one) for one in _several(answer.get("ModalitiesInStudy", ""))),
            count(answer.get("NumberOfStudyRelatedSeries", "")),
            count(answer.get("NumberOfStudyRelatedInstances", "")),
            patient,
        )
    return sorted(rows.values(), key=lambda row: (row.date, row.uid), reverse=True)


def _is_asked_for(patient: Patient, query: Query) -> bool:
    """Names are compared without case (PS3.4 section C.2.2.2.4), and only where the archive tells one."""
    if query.patient_id and not fnmatchcase(patient.identifier, _no_sets(query.patient_id.strip())):
        return False
    asked = _no_sets(clean(query.patient_name).upper())
    return not (asked and patient.name) or fnmatchcase(patient.name.upper(), asked)


def _no_sets(text: str) -> str:
    return text.replace("[", "[[]")  # in DICOM only * and ? are wildcards


def series_rows(answers: Iterable[Answer], study_uid: str, patients: Iterable[Patient] = ()) -> list[SeriesRow]:
    """Rows of a series answer; what belongs to another study is left out."""
    masked = without_names(patients)
    rows: dict[str, SeriesRow] = {}
    for answer in answers:
        uid = str(answer.get("SeriesInstanceUID", ""))
        if is_uid(uid) and str(answer.get("StudyInstanceUID") or study_uid) == study_uid:
            rows[uid] = SeriesRow(
                uid,
                study_uid,
                clean(answer.get("Modality", "")),
                masked(clean(answer.get("SeriesDescription", ""))),
                clean(answer.get("SeriesDate", "")),
                count(answer.get("NumberOfSeriesRelatedInstances", "")),
            )
    return sorted(rows.values(), key=lambda row: (row.modality != "CT", row.date, row.uid))


def instances(answers: Iterable[Answer]) -> list[Instance]:
    """Objects of an object answer, in order of UID."""
    found = {}
    for answer in answers:
        uid, sop_class = str(answer.get("SOPInstanceUID", "")), str(answer.get("SOPClassUID", ""))
        if is_uid(uid):
            found[uid] = Instance(uid, sop_class if is_uid(sop_class) else "")
    return sorted(found.values(), key=lambda one: one.uid)


def _several(value: object) -> list[object]:
    return list(value) if isinstance(value, list | tuple) else [value] if value else []
