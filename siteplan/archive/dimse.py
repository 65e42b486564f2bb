"""An archive over DIMSE (DICOM PS3.4 annexes A, B and C): C-ECHO, C-FIND, C-GET or C-MOVE, C-STORE."""

import warnings
from collections.abc import Iterator, Sequence
from typing import Any

from pydicom.dataset import Dataset
from pynetdicom import _config, build_context
from pynetdicom.sop_class import StudyRootQueryRetrieveInformationModelFind, Verification

from siteplan.archive import entries
from siteplan.archive.dimse_store import store
from siteplan.archive.door import Parcel, Told
from siteplan.archive.entries import Answer, Instance, Query, SeriesRow, StudyRow
from siteplan.archive.landing import Landing
from siteplan.archive.link import LARGEST_ANSWER, Guard, association, lost
from siteplan.archive.quiet import hush
from siteplan.archive.receive import by_get, by_move
from siteplan.archive.settings import DimseSettings, Named
from siteplan.errors import ArchiveError
from siteplan.scan.volume import Patient

_PENDING = (0xFF00, 0xFF01)
_SUCCESS = 0x0000


class DimseArchive:
    """See `door.Archive`."""

    def __init__(self, named: Named, settings: DimseSettings) -> None:
        hush()
        _config.LOG_HANDLER_LEVEL = "none"  # its handlers are then not even called, which also saves time
        _config.LOG_REQUEST_IDENTIFIERS = _config.LOG_RESPONSE_IDENTIFIERS = False
        self._named, self._settings = named, settings

    @property
    def named(self) -> Named:
        """See `door.Archive`."""
        return self._named

    def check(self) -> None:
        """See `door.Archive`. C-ECHO."""
        with association(self._named, self._settings, [build_context(Verification)]) as link:
            answer = link.send_c_echo()
            if "Status" not in answer:
                raise lost(self._named)
            if answer.Status != _SUCCESS:
                raise ArchiveError(f"the archive {self._named.name!r} does not confirm that it works; ask who runs it.")

    def studies(self, query: Query) -> list[StudyRow]:
        """See `door.Archive`."""
        found = self._find("STUDY", query.keys(), entries.STUDY_FIELDS, entries.MOST_STUDIES)
        return entries.study_rows(found, query)

    def series(self, study_uid: str, patients: Sequence[Patient] = ()) -> list[SeriesRow]:
        """See `door.Archive`."""
        keys = {"StudyInstanceUID": study_uid}
        found = self._find("SERIES", keys, entries.SERIES_FIELDS, entries.MOST_SERIES)
        return entries.series_rows(found, study_uid, patients)

    def instances(self, study_uid: str, series_uid: str) -> list[Instance]:
        """See `door.Archive`."""
        keys = {"StudyInstanceUID": study_uid, "SeriesInstanceUID": series_uid}
        return entries.instances(self._find("IMAGE", keys, entries.INSTANCE_FIELDS, entries.MOST_OBJECTS))

    def retrieve(self, study_uid: str, series_uid: str, landing: Landing) -> None:
        """See `door.Archive`."""
        bring = by_move if self._settings.retrieve == "move" else by_get
        bring(self._named, self._settings, study_uid, series_uid, landing)

    def store(self, parcels: Sequence[Parcel], told: Told) -> None:
        """See `door.Archive`."""
        store(self._named, self._settings, parcels, told)

    def _find(self, level: str, keys: dict[str, str], fields: Sequence[str], most: int) -> list[Answer]:
        wanted = identifier(level, keys, fields)
        out: list[Answer] = []
        guard = Guard(LARGEST_ANSWER, self._settings.pdu_bytes)
        model = StudyRootQueryRetrieveInformationModelFind
        with (
            warnings.catch_warnings(),
            association(self._named, self._settings, [build_context(model)], guard=guard) as link,
        ):
            warnings.simplefilter("ignore")  # the library would print values that it finds odd
            for status, found in _responses(link, wanted, model):
                guard.reset()
                if "Status" not in status:
                    raise lost(self._named, guard)
                if status.Status in _PENDING and found is not None:
                    out.append(_answer(found, fields))
                elif status.Status not in (*_PENDING, _SUCCESS):
                    raise ArchiveError(
                        f"the archive {self._named.name!r} did not do the search (status {status.Status:04X}); "
                        "ask who runs it what it can search for."
                    )
                if len(out) > most:
                    raise ArchiveError(
                        f"the archive {self._named.name!r} names more than {most} matches; narrow the search by "
                        "patient, date or study."
                    )
        return out


def identifier(level: str, keys: dict[str, str], fields: Sequence[str] = ()) -> Dataset:
    """What is asked for: keys to match, and empty elements for what is to be told."""
    wanted = Dataset()
    wanted.QueryRetrieveLevel = level
    if not all(value.isascii() for value in keys.values()):
        wanted.SpecificCharacterSet = "ISO_IR 192"
    for keyword in fields:
        setattr(wanted, keyword, "")
    for keyword, value in keys.items():
        setattr(wanted, keyword, value)
    return wanted


def _responses(link: Any, wanted: Dataset, model: Any) -> Iterator[tuple[Dataset, Dataset | None]]:
    try:
        yield from link.send_c_find(wanted, model)
    except (ValueError, RuntimeError):  # the model was not accepted, or the connection went while we asked
        raise ArchiveError("the archive does not offer a search (C-FIND); ask who runs it.") from None


def _answer(found: Dataset, fields: Sequence[str]) -> Answer:
    out: Answer = {}
    for keyword in fields:
        try:
            value = found.get(keyword)
        except Exception:  # whatever the peer put there and pydicom cannot read counts as not told
            continue
        if value is None:
            continue
        several = not isinstance(value, str) and hasattr(value, "__iter__") and keyword == "ModalitiesInStudy"
        out[keyword] = [str(one) for one in value] if several else str(value)
    return out
