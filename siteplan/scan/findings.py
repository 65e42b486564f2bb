"""What is wrong or noteworthy about a scan, as data: shown by `inspect`, in the window and in the report."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from siteplan.errors import ScanError


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

    @property
    def sentence(self) -> str:
        """What, where and remedy in one line for a person."""
        where = f" ({self.where})" if self.where else ""
        return f"{self.what.rstrip('.')}{where}. {self.remedy}".strip()

    def as_json(self) -> dict[str, Any]:
        """What `findings.json` and `inspect --json` hold."""
        return {
            "code": self.code,
            "severity": self.severity.value,
            "what": self.what,
            "where": self.where,
            "remedy": self.remedy,
        }


class ScanRefused(ScanError):
    """No volume was made. `findings` says why; the message is the first refusal in one sentence."""

    def __init__(self, findings: Iterable[ScanFinding], title: str = "") -> None:
        self.findings = tuple(findings)
        first = next((f for f in self.findings if f.severity is Severity.REFUSAL), self.findings[0])
        super().__init__(" ".join(part for part in (title, first.sentence) if part))
