"""`Listing`: every series found in one place, usable or not, with facts and findings."""

from dataclasses import dataclass, field
from typing import Any

from siteplan.scan.findings import ScanFinding, Severity
from siteplan.scan.volume import GreyScale, Patient, SeriesFacts


@dataclass(frozen=True, slots=True)
class SeriesEntry:
    """One series, or one part of a series that could be a volume by itself.

    Attributes:
        number: place in the listing, from 1; `read_scan(path, series=str(number))` reads it.
        facts, patient, grey: as the headers say. `grey.may_be_hu` still awaits the look at air that reading makes.
        size_kji: slices, rows, columns.
        spacing_kji_mm, field_of_view_kji_mm: None where they could not be told.
        made: date of the scan as YYYY-MM-DD, "" when unknown.
        findings: all that headers show.
    """

    number: int
    facts: SeriesFacts
    size_kji: tuple[int, int, int]
    spacing_kji_mm: tuple[float, float, float] | None
    field_of_view_kji_mm: tuple[float, float, float] | None
    grey: GreyScale
    made: str
    findings: tuple[ScanFinding, ...]
    patient: Patient = field(default_factory=Patient)

    @property
    def usable(self) -> bool:
        """Whether nothing in the headers forbids to read it."""
        return not any(one.severity is Severity.REFUSAL for one in self.findings)

    def as_json(self) -> dict[str, Any]:
        """Everything but who the patient is."""
        return {
            "number": self.number,
            "usable": self.usable,
            "series_uid": self.facts.series_uid,
            "study_uid": self.facts.study_uid,
            "modality": self.facts.modality,
            "sop_class_uid": self.facts.sop_class_uid,
            "transfer_syntaxes": list(self.facts.transfer_syntaxes),
            "description": self.facts.description,
            "made": self.made,
            "files": self.facts.files,
            "size_kji": list(self.size_kji),
            "spacing_kji_mm": _rounded(self.spacing_kji_mm),
            "field_of_view_kji_mm": _rounded(self.field_of_view_kji_mm),
            "grey_scale": grey_as_json(self.grey),
            "findings": [one.as_json() for one in self.findings],
        }


@dataclass(frozen=True, slots=True)
class Listing:
    """What one folder, file, medium or ZIP file holds.

    Attributes:
        series: in order of series number.
        findings: what concerns the place as a whole: files that are not DICOM, damaged ones, a broken index.
    """

    series: tuple[SeriesEntry, ...]
    findings: tuple[ScanFinding, ...] = ()

    @property
    def usable(self) -> tuple[SeriesEntry, ...]:
        """The series that can be read."""
        return tuple(one for one in self.series if one.usable)

    def as_json(self) -> dict[str, Any]:
        """What `inspect --json` prints."""
        return {
            "series": [one.as_json() for one in self.series],
            "findings": [one.as_json() for one in self.findings],
        }


def grey_as_json(grey: GreyScale) -> dict[str, Any]:
    """The description of a grey scale."""
    return {
        "rescale_type": grey.rescale_type,
        "may_be_hu": grey.may_be_hu,
        "why": grey.why,
        "manufacturer": grey.manufacturer,
        "model": grey.model,
        "kvp": grey.kvp,
        "exposure_mas": grey.exposure_mas,
        "reconstruction_diameter_mm": grey.reconstruction_diameter_mm,
        "lossy": grey.lossy,
    }


def _rounded(values: tuple[float, ...] | None) -> list[float] | None:
    return None if values is None else [round(value, 4) for value in values]
