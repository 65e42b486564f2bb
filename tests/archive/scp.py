"""A small DIMSE archive on the loopback, honest unless it is given a trick."""

import io
from collections.abc import Callable, Iterator
from typing import Any

import pydicom
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue
from pynetdicom import AE, AllStoragePresentationContexts, build_context, evt
from pynetdicom.sop_class import (
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelGet,
    StudyRootQueryRetrieveInformationModelMove,
    Verification,
)
from shelf import UNIQUE, Shelf

CT = "1.2.840.10008.5.1.4.1.1.2"
PLAIN = ("1.2.840.10008.1.2", "1.2.840.10008.1.2.1")
COMPRESSED = ("1.2.840.10008.1.2.4.70", "1.2.840.10008.1.2.4.80")


class SmallArchive:
    """Started and stopped as a context.

    Args:
        without: models that it does not offer.
        classes: SOP classes that it stores; all by default.
        syntaxes: transfer syntaxes that it knows.
        spoil: changes the data set that is about to be handed out, or returns other ones.
        status_of: what C-STORE answers for a data set.
    """

    def __init__(
        self,
        title: str,
        *,
        destinations: dict[str, tuple[str, int]] | None = None,
        classes: tuple[str, ...] | None = None,
        syntaxes: tuple[str, ...] = PLAIN + COMPRESSED,
        callers: tuple[str, ...] = (),
        spoil: Callable[[Dataset], Dataset] | None = None,
        status_of: Callable[[Dataset], int] | None = None,
        answer: Callable[[Dataset], Dataset] | None = None,
        tls: Any = None,
        outward_tls: Any = None,
        without: tuple[str, ...] = (),
        find_status: int = 0xFF00,
        echo_status: int = 0x0000,
    ) -> None:
        self.shelf = Shelf()
        self.identities: list[tuple[bytes, bytes]] = []
        self._destinations, self._spoil, self._status_of = destinations or {}, spoil, status_of
        self._answer = answer
        self.handed_out = 0
        self.stop_after: int | None = None
        self._entity = AE(ae_title=title)
        self._entity.require_called_aet = True
        self._entity.require_calling_aet = list(callers)
        self._entity.maximum_pdu_size = 65536
        for name in classes or [context.abstract_syntax for context in AllStoragePresentationContexts]:
            self._entity.add_supported_context(name, list(syntaxes), scu_role=True, scp_role=True)
        for name in (
            StudyRootQueryRetrieveInformationModelFind,
            StudyRootQueryRetrieveInformationModelGet,
            StudyRootQueryRetrieveInformationModelMove,
            Verification,
        ):
            if name not in without:
                self._entity.add_supported_context(name)
        self._tls, self._outward_tls = tls, outward_tls
        self._find_status, self._echo_status = find_status, echo_status
        self.drop_after_stored: int | None = None

    def __enter__(self) -> "SmallArchive":
        handlers = [
            (evt.EVT_C_FIND, self._find),
            (evt.EVT_C_GET, self._get),
            (evt.EVT_C_MOVE, self._move),
            (evt.EVT_C_STORE, self._store),
            (evt.EVT_USER_ID, self._user),
            (evt.EVT_C_ECHO, lambda _event: self._echo_status),
        ]
        self.server: Any = self._entity.start_server(
            ("127.0.0.1", 0), block=False, evt_handlers=handlers, ssl_context=self._tls
        )
        self.port: int = self.server.socket.getsockname()[1]
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """End it; once more does nothing."""
        if self.server is not None:
            self.server.shutdown()
        self.server = None

    def _user(self, event: Any) -> tuple[bool, None]:
        self.identities.append((event.primary_field, event.secondary_field))
        return True, None

    def _find(self, event: Any) -> Iterator[tuple[int, Dataset | None]]:
        wanted = event.identifier
        level = wanted.QueryRetrieveLevel
        for found in self.shelf.find(level, _keys(wanted)):
            answer = Dataset()
            answer.QueryRetrieveLevel = level
            for element in wanted:
                if element.keyword in found and element.keyword != "QueryRetrieveLevel":
                    answer[element.tag] = found[element.tag]
            yield self._find_status, self._answer(answer) if self._answer else answer

    def _get(self, event: Any) -> Iterator[Any]:
        yield from self._hand_out(event)

    def _move(self, event: Any) -> Iterator[Any]:
        host, port = self._destinations.get(event.move_destination, (None, None))
        contexts = [build_context(CT, [syntax]) for syntax in PLAIN + COMPRESSED]
        yield host, port, {"contexts": contexts, "tls_args": self._outward_tls}
        yield from self._hand_out(event)

    def _hand_out(self, event: Any) -> Iterator[Any]:
        wanted = event.identifier
        uids = wanted.get("SOPInstanceUID", [])
        uids = [uids] if isinstance(uids, str) else list(uids)
        files = self.shelf.of_series(str(wanted.SeriesInstanceUID), uids)
        yield len(files)
        for data in files:
            if self.stop_after is not None and self.handed_out >= self.stop_after:
                event.assoc.abort()
                return
            self.handed_out += 1
            ds = pydicom.dcmread(io.BytesIO(data))
            yield 0xFF00, self._spoil(ds) if self._spoil else ds

    def _store(self, event: Any) -> int:
        if self.drop_after_stored is not None and len(self.shelf.files) >= self.drop_after_stored:
            event.assoc.abort()
            return 0x0000
        data = event.encoded_dataset()
        if self._status_of is not None and (status := self._status_of(event.dataset)):
            return status
        self.shelf.add(data)
        return 0x0000


def _keys(wanted: Dataset) -> dict[str, str]:
    """What must match at this level and above; the empty elements only say what is to be told."""
    keep = {*UNIQUE.values(), "PatientID", "PatientName", "StudyDate", "ModalitiesInStudy"}
    return {element.keyword: _text(element.value) for element in wanted if element.keyword in keep}


def _text(value: Any) -> str:
    return "\\".join(str(one) for one in value) if isinstance(value, MultiValue) else str(value)
