"""An archive over DICOMweb (DICOM PS3.18): QIDO-RS to search, WADO-RS to fetch, STOW-RS to store.

`dicomweb-client` asks the questions. Objects travel past it in its own session, straight between network and disk:
it holds whole answers in memory, and does not notice when an answer without a length breaks off.
"""

import string
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from dicomweb_client.api import DICOMwebClient
from pydicom.datadict import keyword_for_tag

from siteplan.archive import entries
from siteplan.archive.door import Parcel, Told
from siteplan.archive.entries import Answer, Instance, Query, SeriesRow, StudyRow
from siteplan.archive.landing import Landing
from siteplan.archive.multipart import CUT, boundary_of, parts
from siteplan.archive.quiet import hush
from siteplan.archive.session import session_of, told_plainly
from siteplan.archive.settings import DicomWebSettings, Named
from siteplan.archive.stow import batches, store_batch
from siteplan.errors import ArchiveError
from siteplan.scan.volume import Patient

ANY_SYNTAX = 'multipart/related; type="application/dicom"; transfer-syntax=*'
"""Objects as they are stored, without decompressing (PS3.18 section 8.7.3.5.2)."""

_CHUNK = 1 << 20
_PAGE = 1000
"""Rows that are asked for at a time; an archive may give fewer."""
_AS_THEY_ARE = frozenset(string.ascii_letters + string.digits + "-._~*")
"""Characters that stand for themselves in an address (RFC 3986 section 2.3), and the wildcard."""

_OVERHEAD = 1.05
"""Share of an answer beyond the objects themselves: boundaries and headers of parts."""


class WebArchive:
    """See `door.Archive`."""

    def __init__(self, named: Named, settings: DicomWebSettings) -> None:
        hush()
        self._named, self._settings = named, settings
        self._session = session_of(named, settings)
        self._client = DICOMwebClient(settings.url, session=self._session, timeout=settings.timeout_s)
        self._client.set_http_retry_params(retry=False)

    @property
    def named(self) -> Named:
        """See `door.Archive`."""
        return self._named

    def check(self) -> None:
        """See `door.Archive`."""
        with told_plainly(self._named):
            _answers(self._client.search_for_studies(limit=1))

    def studies(self, query: Query) -> list[StudyRow]:
        """See `door.Archive`."""
        found = self._paged(
            lambda page: self._client.search_for_studies(
                fields=entries.STUDY_FIELDS, search_filters=_plain(query.keys()), **page
            ),
            "StudyInstanceUID",
            entries.MOST_STUDIES,
        )
        return entries.study_rows(found, query)

    def series(self, study_uid: str, patients: Sequence[Patient] = ()) -> list[SeriesRow]:
        """See `door.Archive`."""
        found = self._paged(
            lambda page: self._client.search_for_series(study_uid, fields=entries.SERIES_FIELDS, **page),
            "SeriesInstanceUID",
            entries.MOST_SERIES,
        )
        return entries.series_rows(found, study_uid, patients)

    def instances(self, study_uid: str, series_uid: str) -> list[Instance]:
        """See `door.Archive`."""
        found = self._paged(
            lambda page: self._client.search_for_instances(
                study_uid, series_uid, fields=entries.INSTANCE_FIELDS, **page
            ),
            "SOPInstanceUID",
            entries.MOST_OBJECTS,
        )
        return entries.instances(found)

    def retrieve(self, study_uid: str, series_uid: str, landing: Landing) -> None:
        """See `door.Archive`. The whole series in one answer, or object by object when part of it is here."""
        series = f"{self._settings.url}/studies/{study_uid}/series/{series_uid}"
        with told_plainly(self._named):
            if not landing.arrived:
                self._retrieve(series, landing)
            for one in landing.missing:
                self._retrieve(f"{series}/instances/{one.uid}", landing)

    def store(self, parcels: Sequence[Parcel], told: Told) -> None:
        """See `door.Archive`."""
        with told_plainly(self._named):
            for batch in batches(parcels):
                store_batch(self._session, self._settings, self._named.name, batch, told)

    def _retrieve(self, url: str, landing: Landing) -> None:
        wanted = {"Accept": ANY_SYNTAX}
        with self._session.get(url, headers=wanted, stream=True, timeout=self._settings.timeout_s) as response:
            response.raise_for_status()
            kind = response.headers.get("Content-Type", "")
            chunks = _bounded(response.iter_content(_CHUNK), self._settings.largest_series_bytes * _OVERHEAD)
            boundary = boundary_of(kind)
            if boundary is not None:
                for part in parts(chunks, boundary):
                    _land(part, landing)
            elif kind.partition(";")[0].strip().lower() == "application/dicom":
                _land(chunks, landing)  # allowed for a single object by some editions of PS3.18
            else:
                raise ArchiveError(
                    f"the archive {self._named.name!r} answers with something else than DICOM objects; check its url."
                )

    def _paged(self, ask: Callable[[dict[str, int]], Any], key: str, most: int) -> list[Answer]:
        """All rows, page after page, until nothing new comes: an archive may cut an answer, or ignore the offset."""
        found: dict[str, Answer] = {}
        offset = 0
        while True:
            with told_plainly(self._named):
                page = _answers(ask({"limit": _PAGE, "offset": offset}))
            fresh = {str(row.get(key, "")): row for row in page if str(row.get(key, "")) not in found}
            found |= fresh
            offset += len(page)
            if len(found) > most:
                raise ArchiveError(
                    f"the archive {self._named.name!r} names more than {most} matches; narrow the search by patient, "
                    "date or study."
                )
            if not fresh:
                return list(found.values())


def _plain(keys: dict[str, str]) -> dict[str, str]:
    """Values with * for every character that an address has to encode: there are archives that do not decode them.

    What is found too much is left out again by `entries.study_rows`.
    """
    return {key: "".join(one if one in _AS_THEY_ARE else "*" for one in value) for key, value in keys.items()}


def _land(chunks: Iterator[bytes], landing: Landing) -> None:
    with landing.arriving() as coming:
        for chunk in chunks:
            coming.write(chunk)


def _bounded(chunks: Iterator[bytes], most: float) -> Iterator[bytes]:
    seen = 0
    for chunk in chunks:
        seen += len(chunk)
        if seen > most:
            raise ArchiveError("the archive sends more than the limits of its entry in the settings allow; " + CUT)
        yield chunk


def _answers(rows: Any) -> list[Answer]:
    """Rows of DICOM JSON (PS3.18 annex F) as values by keyword.

    Raises:
        ValueError, TypeError: it is something else.
    """
    if not isinstance(rows, list):
        raise ValueError("not a list")
    out: list[Answer] = []
    for row in rows:
        answer: Answer = {}
        for tag, element in row.items():
            keyword = keyword_for_tag(int(tag, 16)) if len(tag) == 8 else ""
            values = element.get("Value")
            if keyword and isinstance(values, list):
                texts = [_text(value) for value in values]
                answer[keyword] = texts if len(texts) > 1 else texts[0] if texts else ""
        out.append(answer)
    return out


def _text(value: Any) -> str:
    if isinstance(value, dict):  # a person's name
        return str(value.get("Alphabetic", ""))
    return str(value) if isinstance(value, str | int | float) else ""
