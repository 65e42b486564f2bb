"""What every archive can do for us, whatever it speaks, and the one place that opens one."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from siteplan.archive.entries import Instance, Query, SeriesRow, StudyRow
from siteplan.archive.landing import Landing
from siteplan.archive.settings import DicomWebSettings, Named
from siteplan.scan.volume import Patient


@dataclass(frozen=True, slots=True)
class Parcel:
    """One file to send. `number` is its place in what was given, `shown` a name for people without a patient in it."""

    path: Path
    shown: str
    number: int
    size: int
    study_uid: str
    series_uid: str
    uid: str
    sop_class: str
    syntax: str
    patient_id: str = field(default="", repr=False)


Told = Callable[[Parcel, str], None]
"""Called once for every parcel: "" when the archive took it, otherwise why it did not."""


class Archive(Protocol):
    """An archive behind one protocol. Every method raises `ArchiveError` when the archive cannot or will not."""

    @property
    def named(self) -> Named:
        """Its entry in the settings."""
        ...

    def check(self) -> None:
        """See that it answers and lets us in."""
        ...

    def studies(self, query: Query) -> list[StudyRow]:
        """Studies that match, newest first, at most `entries.MOST_STUDIES`."""
        ...

    def series(self, study_uid: str, patients: Sequence[Patient] = ()) -> list[SeriesRow]:
        """The series of a study, CT first; `patients` are kept out of the descriptions."""
        ...

    def instances(self, study_uid: str, series_uid: str) -> list[Instance]:
        """Every object of a series."""
        ...

    def retrieve(self, study_uid: str, series_uid: str, landing: Landing) -> None:
        """Bring what `landing` misses; returns when the archive says that it is done."""
        ...

    def store(self, parcels: Sequence[Parcel], told: Told) -> None:
        """Send files, in order."""
        ...


def open_archive(named: Named) -> Archive:
    """The archive of an entry. Nothing is sent yet.

    Raises:
        ArchiveError: its secret or certificates cannot be read.
    """
    if isinstance(named.settings, DicomWebSettings):
        from siteplan.archive.web import WebArchive

        return WebArchive(named, named.settings)
    from siteplan.archive.dimse import DimseArchive

    return DimseArchive(named, named.settings)
