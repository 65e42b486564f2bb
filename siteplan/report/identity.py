"""How much of the patient's identity goes into what is shared."""

from enum import StrEnum

from siteplan.case import Case
from siteplan.report.words import date_words
from siteplan.scan.volume import Patient, Scan


class Identity(StrEnum):
    """AS_GIVEN: the patient block as the scan and the case give it. INITIALS: initials and year of birth.

    NONE: nothing that could name or date the patient: no patient block, no title, no notes, no study date, no
    unique identifiers, and structures called by what they are instead of by the names typed for them.
    """

    AS_GIVEN = "as given"
    INITIALS = "initials"
    NONE = "none"

    @property
    def keeps_free_text(self) -> bool:
        """Whether text that a person typed may be shown; it can hold a name that no program recognises."""
        return self is Identity.AS_GIVEN


_WITHOUT_DATE = {
    "old-scan": "The scan is old; bone may have changed since",
    "date-in-future": "The scan says that it was made on a day which is yet to come",
}
"""Scan findings whose sentence holds the date of the scan, and what is said where that date must not be told."""


def finding_words(code: str, what: str, identity: Identity) -> str:
    """The sentence of a scan finding, without the scan's date where the patient must not be dated."""
    return what if identity.keeps_free_text else _WITHOUT_DATE.get(code, what)


def patient_rows(scan: Scan, case: Case, identity: Identity) -> list[tuple[str, str]]:
    """Label and value of each line of the patient block; empty for NONE."""
    patient = scan.patient
    if identity is Identity.NONE:
        return []
    if identity is Identity.INITIALS:
        rows = [("Initials", initials(patient)), ("Year of birth", patient.birth_date[:4])]
        return [(label, value or "not given") for label, value in rows]
    rows = [
        ("Patient", case.patient_label or spoken_name(patient.name)),
        ("Name in the scan", spoken_name(patient.name) if case.patient_label else ""),
        ("Identifier", patient.identifier),
        ("Born", date_words(patient.birth_date)),
        ("Sex", {"F": "female", "M": "male", "O": "other"}.get(patient.sex, patient.sex)),
        ("Scanned", date_words(scan.series.study_date)),
    ]
    always = {"Patient", "Identifier", "Born"}
    return [(label, value or "not given") for label, value in rows if value or label in always]


def running_head(scan: Scan, case: Case, identity: Identity) -> str:
    """The words at the top of every page, so that a single sheet can be told from another patient's."""
    if identity is Identity.NONE:
        return "identity removed"
    if identity is Identity.INITIALS:
        return f"initials {initials(scan.patient) or 'not given'}"
    words = [case.patient_label or spoken_name(scan.patient.name) or "patient not named", scan.patient.identifier]
    return " · ".join(word for word in words if word)


def spoken_name(dicom_name: str) -> str:
    """A DICOM person name (PS3.5 6.2.1.2: family^given^middle^prefix^suffix) in reading order."""
    parts = (dicom_name.split("=")[0].split("^") + [""] * 5)[:5]
    family, given, middle, prefix, suffix = (part.strip() for part in parts)
    return " ".join(part for part in (prefix, given, middle, family, suffix) if part)


def initials(patient: Patient) -> str:
    """First letters of given, middle and family name."""
    family, given, middle = (patient.name.split("=")[0].split("^") + [""] * 3)[:3]
    letters = [word[0] for part in (given, middle, family) for word in part.split()]
    return ".".join(letter.upper() for letter in letters) + ("." if letters else "")
