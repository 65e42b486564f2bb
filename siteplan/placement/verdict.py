"""What a distance means against its margin, in plain words."""

from enum import StrEnum


class Verdict(StrEnum):
    """The word that reports, window and `findings.json` show."""

    KEEPS = "keeps the margin"
    BREAKS = "breaks the margin"
    TOUCHES = "touches"
    CANNOT_BE_TOLD = "cannot be told"
    PLANNED_CONTACT = "planned contact"
    TOO_DEEP = "deeper than planned contact allows"

    @property
    def good(self) -> bool:
        """Nothing speaks against it."""
        return self in (Verdict.KEEPS, Verdict.PLANNED_CONTACT)


def verdict(value: float, low: float, high: float, margin: float) -> Verdict:
    """Verdict of a distance with its interval against a margin (all mm).

    A distance of zero or less touches, whatever its interval says. A margin inside the interval cannot be told.
    """
    if value <= 0.0:
        return Verdict.TOUCHES
    if low >= margin:
        return Verdict.KEEPS
    return Verdict.BREAKS if high < margin else Verdict.CANNOT_BE_TOLD


def contact_verdict(low: float, high: float, limit: float) -> Verdict:
    """Verdict of a planned contact: `limit` (mm) is how far behind the structure the fixture may reach."""
    if low >= -limit:
        return Verdict.PLANNED_CONTACT
    return Verdict.TOO_DEEP if high < -limit else Verdict.CANNOT_BE_TOLD
