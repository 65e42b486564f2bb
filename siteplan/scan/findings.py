"""What is wrong or noteworthy about a scan, as data: shown by `inspect`, in the window and in the report."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Severity(StrEnum):
    """How much a finding matters."""

    NOTE = "note"
    WARNING = "warning"
    REFUSAL = "refusal"


@dataclass(frozen=True, slots=True)
class ScanFinding:
    """One defect or notable fact of a scan.

    Attributes:
        code: stable short name, for programs ("missing-slice").
        severity: a note changes nothing, a warning lowers trust in numbers, a refusal means no volume was made.
        what: one sentence that says what is wrong.
        where: the place: file name, slice number, millimetre position. Never a patient's name or identifier.
        remedy: what the reader can do.
    """

    code: str
    severity: Severity
    what: str
    where: str = ""
    remedy: str = ""

    def as_json(self) -> dict[str, Any]:
        """What `findings.json` and `inspect --json` hold."""
        return {
            "code": self.code,
            "severity": self.severity.value,
            "what": self.what,
            "where": self.where,
            "remedy": self.remedy,
        }
